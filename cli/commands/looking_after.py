"""Commands that look after the daemon: serve, stop, config, doctor."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.handling import handled
from cli.options import ConfigOption, JsonOption, PortOption

if TYPE_CHECKING:
    from cli.doctor.findings import Finding
    from cli.out import Out


def register(app: typer.Typer) -> None:
    """Add the commands."""
    for command in (serve, stop, access, doctor, config):
        app.command(command.__name__)(handled(command))


def serve(
    port: Annotated[
        list[str] | None,
        typer.Option(
            "--port", metavar="PORT", help="A programmer's serial port, besides those found; repeatable."
        ),
    ] = None,
    listen: Annotated[
        str | None, typer.Option("--listen", metavar="HOST:PORT", help="Where to listen for HTTP.")
    ] = None,
    state_dir: Annotated[
        Path | None, typer.Option("--state-dir", metavar="FOLDER", help="Database, images and lock.")
    ] = None,
    config: ConfigOption = None,
) -> None:
    """Run the daemon in the foreground.

    Its log goes to the terminal; Ctrl-C or SIGTERM ends it. Commands that need a daemon start one by
    themselves; this is for a bench that is always on.
    """
    host, http_port = _address(listen)
    from api.start import start
    from daemon.settings import Settings

    given = {"host": host, "port": http_port, "state_dir": state_dir, "ports": tuple(port) if port else None}
    start(Settings.load({"config": config, **given}).settings)


def _address(listen: str | None) -> tuple[str | None, int | None]:
    from cli.exit_codes import Exit
    from cli.failure import Failure

    if listen is None:
        return None, None
    host, colon, port = listen.rpartition(":")
    if not colon:
        host, port = "", port
    if not port.isdigit() or int(port) > 65535:
        raise Failure(
            Exit.USAGE, f"--listen {listen}: '{port}' is not a port", "Write 127.0.0.1:8647, or just 8647."
        )
    return host.strip("[]") or None, int(port)


def stop(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Stop the daemon that runs.

    Running jobs end with the supplies off, and are recorded as interrupted.
    """
    import sys

    from cli import background
    from cli.out import Out
    from cli.reach import load_settings, running

    out = Out(json=as_json)
    loaded = load_settings(config)
    found = running(loaded)
    if found is None:
        out.document({"stopped": False})
        out.say("No daemon runs.")
        return
    client, info = found
    with client:
        if sys.platform == "win32":
            _cancel_all(client)  # there a process can only be ended hard
    background.end(info)
    out.document({"stopped": True, "pid": info.pid})
    out.say(f"Stopped the daemon (process {info.pid}).")


def _cancel_all(client: Any) -> None:
    from cli.follow import wait_for_end

    for state in ("queued", "waiting", "running"):
        for job in client.get("/v1/jobs", state=state, limit=500)["jobs"]:
            client.post(f"/v1/jobs/{job['id']}/cancel")
            wait_for_end(client, job["id"])


def access(port: PortOption = None, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Print the daemon's address and token for a shell.

    Starts the daemon if none runs. Whoever has the token may use the programmers: keep it to yourself.

    Example: eval "$(romwright access)"
    """
    from cli.out import Out
    from cli.reach import Reach, connect, settled_programmers

    out = Out(json=as_json)
    with connect(Reach(config, port), out) as client:
        settled_programmers(client)  # so that the script's first request finds them
        out.document({"url": client.url, "token": client.token})
        out.say(f"ROMWRIGHT_URL={client.url}")
        out.say(f"ROMWRIGHT_TOKEN={client.token}")


def config(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Show every setting, its value and where that is from."""
    from cli.out import Out
    from cli.reach import load_settings

    out = Out(json=as_json)
    loaded = load_settings(config)
    rows = loaded.rows()
    out.document(
        {
            "file": str(loaded.config_file),
            "file_found": loaded.config_file_found,
            "settings": [
                {"key": row.key, "value": row.value, "origin": str(row.origin), "meaning": row.meaning}
                for row in rows
            ],
        }
    )
    state = "" if loaded.config_file_found else " (does not exist)"
    out.say(f"Configuration file: {loaded.config_file}{state}")
    out.table(
        ("Setting", "Value", "From", "Meaning"), [(r.key, r.value, str(r.origin), r.meaning) for r in rows]
    )


def doctor(config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Look at what a bench needs, and say what is missing.

    Ends with 1 when something stands in the way of work.
    """
    from cli.doctor.findings import Grade
    from cli.exit_codes import Exit
    from cli.handling import leave
    from cli.out import Out

    out = Out(json=as_json)
    findings = _examine(config)
    out.document({"findings": [finding.to_json() for finding in findings]})
    _show(out, findings)
    leave(Exit.NEGATIVE if any(each.grade is Grade.PROBLEM for each in findings) else Exit.DONE)


def _examine(config: Path | None) -> "list[Finding]":
    from datetime import UTC, datetime

    from cli.doctor import bench, machine, ports
    from cli.doctor.findings import problem
    from cli.failure import Failure
    from cli.reach import load_settings

    found = [machine.versions(), machine.clock(datetime.now(UTC))]
    try:
        loaded = load_settings(config)
    except Failure as failure:
        return [*found, problem("configuration", failure.message, failure.hint)]
    daemon, pid = bench.daemon(loaded)
    return [
        *found,
        machine.configuration(loaded),
        *machine.state_folder(loaded.settings.state_dir),
        *daemon,
        *ports.ports(loaded.settings, pid),
    ]


def _show(out: "Out", findings: "list[Finding]") -> None:
    styles = {"ok": "green", "attention": "yellow", "problem": "bold red"}
    width = max(len(each.subject) for each in findings)
    for each in findings:
        out.say(f"{each.grade.value:<10} {each.subject:<{width}}  {each.words}", styles[each.grade.value])
        if each.remedy:
            out.say(f"{'':<10} {'':<{width}}  {each.remedy}")
