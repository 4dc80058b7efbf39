"""The daemon: whether one runs, whether it is the same version, and what its programmers say."""

from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

from cli import background
from cli.client import BenchClient
from cli.doctor.findings import Finding, attention, ok, problem
from cli.failure import Failure
from cli.reach import running

if TYPE_CHECKING:
    from daemon.settings import LoadedSettings


def daemon(loaded: "LoadedSettings") -> tuple[list[Finding], int | None]:
    """Look at the daemon; return what was found and its process id, None when none runs."""
    try:
        found = running(loaded)
    except Failure as failure:
        return [problem("daemon", failure.message, failure.hint)], None
    log = loaded.settings.state_dir / background.LOG_FILE
    if found is None:
        return [ok("daemon", "does not run; a command that needs it starts it"), *_log_line(log)], None
    client, info = found
    with client:
        try:
            return [
                _same_version(info.url, info.pid, info.version),
                *_inside(client),
                *_log_line(log),
            ], info.pid
        except Failure as failure:
            return [problem("daemon", failure.message, failure.hint)], info.pid


def _same_version(url: str, pid: int, theirs: str) -> Finding:
    words = f"runs at {url} (process {pid}), version {theirs}"
    try:
        ours = version("romwright")
    except PackageNotFoundError:
        return ok("daemon", words)
    if theirs != ours:
        return attention("daemon", f"{words}; this command is {ours}", "Restart it: `romwright stop`.")
    return ok("daemon", words)


def _inside(client: BenchClient) -> list[Finding]:
    found = [_programmer(each) for each in client.get("/v1/programmers")["programmers"]]
    if not found:
        found = [attention("programmer", "none answers", "Plug one in, or run `romwright simulate`.")]
    broken = client.get("/v1/parts")["problems"]
    return found + [attention("your parts", text, "Mend that file in your parts folder.") for text in broken]


def _programmer(each: dict[str, Any]) -> Finding:
    name = each.get("name") or each["id"]
    if trouble := each.get("problem"):
        return problem(f"programmer {each['path']}", trouble["detail"], trouble.get("hint", ""))
    return ok(
        f"programmer {each['path']}", f"{name}: {each['hardware']}, {each['firmware']}, {each['state']}"
    )


def _log_line(log: Any) -> list[Finding]:
    return [ok("log", str(log))] if log.exists() else []
