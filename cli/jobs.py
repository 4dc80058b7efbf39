"""Handing a job in and seeing it through, for every command that works on a chip."""

import sys
import uuid
from collections.abc import Mapping
from typing import Any

from cli.client import BenchClient
from cli.exit_codes import Exit
from cli.failure import Failure
from cli.follow import Follower, ask_yes
from cli.handling import leave
from cli.out import Out
from cli.report import show_outcome, show_preview, status_of_job

_LISTED = 500


def start(client: BenchClient, path: str, body: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Start a job under a key of its own, so that nothing can start it twice."""
    job: dict[str, Any] = client.post(path, body, **{"Idempotency-Key": str(uuid.uuid4())})
    return job


def confirm(
    client: BenchClient, out: Out, request: Mapping[str, Any], programmer: Mapping[str, Any], *, yes: bool
) -> None:
    """Show what the job would put on the chip, and go on only when its user agrees."""
    if not yes and not sys.stdin.isatty():
        raise Failure(
            Exit.USAGE,
            "this alters the chip, and there is no terminal to ask on",
            "Add --yes once you have compared the part with the marking on the chip.",
        )
    preview = client.post("/v1/jobs/preview", request)
    if not (yes and out.json):
        show_preview(out, preview, programmer)
    if yes:
        return
    if not ask_yes(out, "Compare this with the marking on the chip. Go on?"):
        raise Failure(Exit.REFUSED, "not started, as you answered", "Nothing was powered.")


def see_through(client: BenchClient, out: Out, job: dict[str, Any]) -> dict[str, Any]:
    """Follow a job to its end and show what came of it. Leaves with INTERRUPTED after Ctrl-C."""
    if job["state"] == "queued" and not out.json:
        _tell_queue(client, out, job)
    follower = Follower(client, out, job)
    ended = follower.to_the_end()
    show_outcome(out, ended)
    if follower.interrupted:
        out.document(ended)
        leave(Exit.INTERRUPTED)
    return ended


def finish(out: Out, job: Mapping[str, Any]) -> None:
    """Print the JSON document and leave with the status that the job's end calls for."""
    out.document(job)
    leave(status_of_job(job))


def find(client: BenchClient, name: str | None, *, active: bool = False) -> dict[str, Any]:
    """Return the job that `name` means: an id, a number, or, without one, the newest.

    `active`: without a name, the newest that has not ended. Raises `Failure` when there is none.
    """
    if name is not None and not name.isdigit():
        job: dict[str, Any] = client.get(f"/v1/jobs/{name}")
        return job
    if name is not None:
        return _by_number(client, int(name))
    if active:
        for state in ("waiting", "running", "queued"):
            if found := client.get("/v1/jobs", state=state, limit=1)["jobs"]:
                return dict(found[0])
        raise Failure(
            Exit.REFUSED, "no job is running", "`romwright jobs` lists the last ones.", code="job-ended"
        )
    if found := client.get("/v1/jobs", limit=1)["jobs"]:
        return dict(found[0])
    raise Failure(Exit.REFUSED, "there are no jobs yet", code="not-found")


def _by_number(client: BenchClient, number: int) -> dict[str, Any]:
    for job in client.get("/v1/jobs", limit=1, before=number + 1)["jobs"]:
        if job["number"] == number:
            return dict(job)
    raise Failure(Exit.REFUSED, f"there is no job {number}", "`romwright jobs` lists them.", code="not-found")


def _tell_queue(client: BenchClient, out: Out, job: Mapping[str, Any]) -> None:
    found = client.get("/v1/jobs", programmer=job["programmer_id"], limit=_LISTED)["jobs"]
    ahead = [
        each
        for each in found
        if each["state"] in ("running", "waiting", "queued") and each["number"] < job["number"]
    ]
    if ahead:
        out.note(
            f"{len(ahead)} job{'s' if len(ahead) > 1 else ''} before this one on the programmer", "yellow"
        )
