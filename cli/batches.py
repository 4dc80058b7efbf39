"""What the commands about batches share: found, begun, followed, reported."""

import sys
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from cli import image_files
from cli.batch_follow import BatchFollower, status_of_batch
from cli.batch_view import show_results
from cli.client import BenchClient
from cli.errand import Errand
from cli.exit_codes import Exit
from cli.failure import Failure
from cli.follow import ask_yes
from cli.handling import leave
from cli.out import Out
from cli.reach import Reach, connect
from cli.report import show_preview


@contextmanager
def reached(config: Path | None, as_json: bool) -> Iterator[tuple[BenchClient, Out]]:
    """Reach the daemon; no programmer is needed."""
    out = Out(json=as_json)
    with connect(Reach(config), out) as client:
        yield client, out


def find(client: BenchClient, name: str | None, *, state: str | None = None) -> dict[str, Any]:
    """Return the batch that `name` means, or without one the newest (in that state). Raises `Failure`."""
    if name is not None:
        return dict(client.get(f"/v1/batches/{name}"))
    for batch in client.get("/v1/batches")["batches"]:
        if state is None or batch["state"] == state:
            return dict(batch)
    said = f"no batch is {state}" if state else "there are no batches yet"
    raise Failure(Exit.REFUSED, said, "`romwright batch list` shows them.", code="not-found")


def act(name: str | None, what: str, config: Path | None, as_json: bool, **more: Any) -> None:
    """Do something to a batch and say how it stands then."""
    with reached(config, as_json) as (client, out):
        found = find(client, name)
        told = client.post(f"/v1/batches/{found['id']}/acts", {"act": what, **more})
        out.document(told)
        out.say(f"Batch {told['number']}, {told['state']}: {told['instruction']['words']}")


def confirm(trip: Errand, body: Mapping[str, Any], *, yes: bool) -> None:
    """Show what each part gets on its pins, and go on only when its user agrees."""
    if yes:
        return
    if not sys.stdin.isatty():
        raise Failure(
            Exit.USAGE,
            "this alters chips, and there is no terminal to ask on",
            "Add --yes once you have compared the parts with the markings on the chips.",
        )
    wanted = {"sources": body["sources"], "on_hand": body["on_hand"], "copies": body["sets"]}
    plan = trip.client.post(f"/v1/boards/{body['board']}/plan?keep=true", wanted)
    positions = [
        each for each in plan["positions"] if not body["positions"] or each["label"] in body["positions"]
    ]
    chips = {chip["part_id"]: chip for position in positions for chip in position["chips"]}
    for chip in chips.values():
        request = {**chip["job"], "programmer": trip.programmer["id"]}
        show_preview(trip.out, trip.client.post("/v1/jobs/preview", request), trip.programmer)
    if not ask_yes(trip.out, "Compare this with the markings on the chips. Go on?"):
        raise Failure(Exit.REFUSED, "not started, as you answered", "Nothing was powered.")


def begin(client: BenchClient, body: Mapping[str, Any]) -> dict[str, Any]:
    """Start a batch under a key of its own, so that nothing can start it twice."""
    return dict(client.post("/v1/batches", body, **{"Idempotency-Key": str(uuid.uuid4())}))


def follow(client: BenchClient, out: Out, batch: dict[str, Any], *, bell: bool, junit: Path | None) -> None:
    """Follow a batch to its end, show what it came to, and leave with the status that this calls for."""
    follower = BatchFollower(client, out, batch, bell=bell)
    ended = follower.to_the_end()
    out.line(ended)
    show_results(out, ended)
    write_junit(client, out, ended, junit)
    leave(Exit.INTERRUPTED if follower.interrupted else status_of_batch(ended))


def write_junit(client: BenchClient, out: Out, batch: Mapping[str, Any], junit: Path | None) -> None:
    """Write the report as JUnit XML, if that is wanted."""
    if junit is not None:
        content = client.download(f"/v1/batches/{batch['id']}/report", form="junit")
        image_files.save(junit.expanduser(), content, replace=True)
        out.note(f"report written to {junit}")
