"""Commands about jobs: what ran, what runs, and how to step in."""

from enum import StrEnum
from typing import Annotated, Any

import typer

from cli.handling import handled
from cli.options import ConfigOption, JobArgument, JsonOption, JunitOption


class State(StrEnum):
    """Where a job stands."""

    QUEUED = "queued"
    RUNNING = "running"
    WAITING = "waiting"
    SUCCEEDED = "succeeded"
    FAILED = "failed"
    CANCELLED = "cancelled"
    INTERRUPTED = "interrupted"


class Reply(StrEnum):
    """An answer to a job's question."""

    YES = "yes"
    NO = "no"


def register(app: typer.Typer) -> None:
    """Add the commands."""
    app.command("jobs")(handled(jobs))
    app.command("job")(handled(job))
    app.command("watch")(handled(watch))
    app.command("cancel")(handled(cancel))
    app.command("continue")(handled(continue_job))
    app.command("answer")(handled(answer))


def jobs(
    state: Annotated[State | None, typer.Option("--state", help="Only jobs in this state.")] = None,
    limit: Annotated[int, typer.Option("--limit", min=1, max=500, help="How many at most.")] = 20,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """List jobs, newest first."""
    from cli.out import Out, when_words
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = client.get("/v1/jobs", state=state.value if state else None, limit=limit)
    out.document(found)
    out.table(
        ("Job", "Kind", "Part", "State", "Result", "Begun"),
        [
            (
                each["number"],
                each["kind"],
                each.get("part_id") or "",
                each["state"],
                (each.get("outcome") or {}).get("summary", ""),
                when_words(each.get("started_at")),
            )
            for each in found["jobs"]
        ],
    )


def job(
    name: JobArgument = None,
    junit: JunitOption = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show one job: its steps, checks and result.

    Example: romwright job 12
    """
    from cli import image_files
    from cli import jobs as work
    from cli.live import JobLines, PlainView
    from cli.out import Out, when_words
    from cli.reach import Reach, connect
    from cli.report import show_outcome

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = work.find(client, name)
        if junit is not None:
            report = client.download(f"/v1/jobs/{found['id']}/report", form="junit")
            image_files.save(junit.expanduser(), report, replace=True)
            out.note(f"report written to {junit}")
    out.document(found)
    if as_json:
        return
    out.say(f"Job {found['number']} ({found['id']}): {found['kind']} {found.get('part_id') or ''}", "bold")
    ended = f", ended {when_words(found['ended_at'])}" if found.get("ended_at") else ""
    out.say(f"  {found['state']}; made {when_words(found['created_at'])}{ended}")
    if found.get("image_sha256"):
        out.say(f"  Image {found['image_sha256'][:12]}")
    with PlainView(out, JobLines.of(found)):
        pass
    if found.get("question"):
        out.say(f"Waits for an answer: {found['question']['words']}", "yellow")
    if found.get("outcome"):
        show_outcome(out, found)


def watch(
    name: Annotated[
        str | None, typer.Argument(metavar="[JOB]", help="Job id or number; left out: the whole bench.")
    ] = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Follow a job, or everything on the bench.

    A job is followed to its end, the bench until Ctrl-C, which leaves the jobs alone. With --json each event
    is one line of JSON.

    Example: romwright watch 12
    """
    from cli import jobs as work
    from cli.follow import Follower
    from cli.handling import leave
    from cli.out import Out
    from cli.reach import Reach, connect
    from cli.report import show_outcome, status_of_job

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        if name is None or as_json:
            found = work.find(client, name) if name else None
            for event in client.events(f"/v1/jobs/{found['id']}/events" if found else "/v1/events"):
                out.line({"id": event.id, "type": event.type, **event.data})
                _say_event(out, event)
            return
        ended = Follower(client, out, work.find(client, name), ours=False).to_the_end()
        show_outcome(out, ended)
        leave(status_of_job(ended))


def cancel(name: JobArgument = None, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Cancel the job that runs, or another.

    A running job stops at the next word of the chip; then the supplies go off.

    Example: romwright cancel
    """
    from cli import jobs as work
    from cli.follow import wait_for_end
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = work.find(client, name, active=True)
        client.post(f"/v1/jobs/{found['id']}/cancel")
        ended = wait_for_end(client, found["id"])
    out.document(ended)
    out.say(f"Job {ended['number']}: {(ended.get('outcome') or {}).get('summary', ended['state'])}")


def continue_job(name: JobArgument = None, config: ConfigOption = None, as_json: JsonOption = False) -> None:
    """Take up a job that was cut off.

    It becomes a new job that first looks at what the chip holds.

    Example: romwright continue 12
    """
    from cli import jobs as work
    from cli.out import Out
    from cli.reach import Reach, choose_programmer, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = work.find(client, name)
        choose_programmer(client, Reach(programmer=found["programmer_id"]))
        started = work.start(client, f"/v1/jobs/{found['id']}/continue")
        work.finish(out, work.see_through(client, out, started))


def answer(
    reply: Annotated[Reply, typer.Argument(help="yes: done as asked, go on. no: give the job up.")],
    name: JobArgument = None,
    config: ConfigOption = None,
    as_json: JsonOption = False,
) -> None:
    """Answer a job that waits for you.

    Such as one that wants a supply set by hand.

    Example: romwright answer yes
    """
    from cli import jobs as work
    from cli.out import Out
    from cli.reach import Reach, connect

    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        found = work.find(client, name, active=True)
        told: dict[str, Any] = client.post(f"/v1/jobs/{found['id']}/answer", {"confirm": reply is Reply.YES})
    out.document(told)
    out.say(f"Job {told['number']} goes on." if reply is Reply.YES else f"Job {told['number']} is given up.")


def _say_event(out: Any, event: Any) -> None:
    inner = event.data.get("data") or {}
    words = inner.get("summary") or (inner.get("result") or {}).get("words") or inner.get("state") or ""
    step = f" {inner['title']}" if "title" in inner else ""
    about = event.data.get("job_id") or event.data.get("programmer_id") or ""
    out.say(f"{event.id:>8}  {event.type:<20} {about}{step} {words}".rstrip())
