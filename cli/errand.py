"""A command's way to its programmer, and numbers as its users write them."""

from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cli.client import BenchClient
    from cli.out import Out


@dataclass(slots=True)
class Errand:
    """A command's way to its programmer."""

    out: "Out"
    client: "BenchClient"
    programmer: dict[str, Any]

    def request(self, kind: str, part: str, **more: Any) -> dict[str, Any]:
        """Build a job request; what is None is left to the daemon."""
        given = {name: value for name, value in more.items() if value is not None}
        return {"kind": kind, "part": part, "programmer": self.programmer["id"], **given}

    def tell_adapter(self, request: dict[str, Any]) -> None:
        """Say how the chip goes on the adapter and how its switches are set, where there is one."""
        if "adapter" not in request:
            return
        preview = self.client.post("/v1/jobs/preview", request)
        self.out.note(f"On the adapter {preview['adapter_name']}:", "bold")
        for words in preview["adapter_words"]:
            self.out.note(f"  {words}", "")

    def run(self, request: dict[str, Any]) -> dict[str, Any]:
        """Start the job and follow it to its end."""
        from cli import jobs

        return jobs.see_through(self.client, self.out, jobs.start(self.client, "/v1/jobs", request))


@contextmanager
def errand(
    config: Path | None, port: str | None, programmer: str | None, *, as_json: bool
) -> "Iterator[Errand]":
    """Find or start the daemon, find the programmer, and close the connection in the end."""
    from cli.out import Out
    from cli.reach import Reach, choose_programmer, connect

    out = Out(json=as_json)
    reach = Reach(config, port, programmer)
    with connect(reach, out) as client:
        yield Errand(out, client, choose_programmer(client, reach))


def number(text: str | None, what: str) -> int | None:
    """Read a whole number, decimal or with 0x; raises typer's error for anything else."""
    if text is None:
        return None
    try:
        value = int(text, 0)
    except ValueError:
        raise typer.BadParameter(
            f"'{text}' is not a number: write 16384 or 0x4000", param_hint=what
        ) from None
    if value < 0:
        raise typer.BadParameter(f"{text} is below 0", param_hint=what)
    return value


def seat_of(adapter: str | None, bank: int | None) -> dict[str, Any]:
    """Return how the chip sits, for a request; raises typer's error for a bank without an adapter."""
    if bank is not None and adapter is None:
        raise typer.BadParameter(
            "only an adapter with switches has banks: name it by --adapter", param_hint="--bank"
        )
    return {"adapter": adapter, "bank": bank}
