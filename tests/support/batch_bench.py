"""A person who makes batches at a simulated programmer: real threads, virtual time."""

import random
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from daemon.batches.desk import Live
from daemon.batches.request import Act, BatchAct, BatchRequest
from daemon.batches.words import instruction
from daemon.catalogue.loader import Catalogue
from simulator.chip.chip import Chip
from simulator.programmer.profile import Profile, full
from simulator.programmer.programmer import VirtualProgrammer
from simulator.socket import Placement, Socket
from tests.support.one_bench import OneBench, one_bench
from tests.support.ports import SharedClock, until
from tests.support.timed_hands import TimedHands

PARTS = Catalogue()
PART = "st-m27c64a"
#: Mostly blank, so that a chip is made in a moment.
FILE = b"".join(random.Random(at).randbytes(96) + b"\xff" * 8096 for at in range(2))
BOARD = """name = "Tern-4"
[sources.rom]
file = "tern4.bin"
size_bytes = 0x4000
[[positions]]
label = "U1"
title = "lower half"
made_for = "27C64"
parts = ["M27C64A"]
access_ns = 450
source = "rom"
steps = [{ do = "slice", length_bytes = 0x2000 }LOW]
[[positions]]
label = "U2"
title = "upper half"
made_for = "27C64"
parts = ["M27C64A"]
access_ns = 450
source = "rom"
steps = [{ do = "slice", start_bytes = 0x2000, length_bytes = 0x2000 }]
"""
SERIAL = ', { do = "serial", offset_bytes = 0x100, length_bytes = 4, start = 41 }'


@dataclass
class Person:
    """Does things to the socket, and reads what the batch says."""

    one: OneBench
    hands: TimedHands
    programmer: VirtualProgrammer
    digest: str
    chips: list[Chip] = field(default_factory=list)
    batch_id: str = ""

    def start(self, board: str = "tern-4", **options: Any) -> Live:
        """Set a batch going."""
        request = BatchRequest(board=board, sources={"rom": self.digest}, **options)
        live = self.one.bench.batches.create(request)
        self.batch_id = live.record.id
        return live

    @property
    def batch(self) -> Live:
        """The batch as it stands."""
        return self.one.bench.batches.get(self.batch_id)

    def act(self, act: Act, **more: Any) -> Live:
        """Do something to the batch."""
        return self.one.bench.batches.act(self.batch_id, BatchAct(act=act, **more))

    @property
    def code(self) -> str:
        """What kind of thing it asks for."""
        live = self.batch
        return instruction(live.plan, live.state).code

    def hears(self, *codes: str) -> None:
        """Wait until it asks for one of these."""
        try:
            until(lambda: self.code in codes, 30)
        except AssertionError:
            live = self.batch
            raise AssertionError(
                f"it says {self.code}, not {codes}: {instruction(live.plan, live.state)}\n{live.state}"
            ) from None

    def chip(self, part: str = PART, content: bytes | None = None) -> Chip:
        """Take a new chip out of the bag."""
        made = Chip(PARTS.get(part), len(self.chips))
        if content is not None:
            made.program_at_maker(np.frombuffer(content, np.uint8).astype(np.uint16))
        self.chips.append(made)
        return made

    def put_in(self, chip: Chip, placement: Placement | None = None) -> Chip:
        """Put a chip into the socket."""
        self.hands.now(lambda board, now_s: board.insert(chip, now_s, placement))
        return chip

    def take_out(self) -> None:
        """Take the chip out, if one is in, and wait until it is out."""
        self.hands.now(lambda board, now_s: board.remove(now_s))
        until(lambda: self.programmer.socket.chip is None)

    def swap(self, chip: Chip) -> Chip:
        """Take the chip out and put another in when that is asked for."""
        self.take_out()
        self.hears("put-in", "put-back", "put-in-again")
        return self.put_in(chip)

    def make_one(self) -> Chip:
        """Do the next chip as it is asked for, and wait until it is judged."""
        before = len(self.batch.state.chips)
        chip = self.swap(self.chip())
        until(lambda: len(self.batch.state.chips) > before, 30)
        return chip

    def verdicts(self) -> list[str]:
        """What became of each chip so far."""
        return [str(chip.verdict) for chip in self.batch.state.chips]


def held(chip: Chip) -> bytes:
    """Return what a chip holds, read past all pins at 5.0 V."""
    rows = np.arange(chip.part.words, dtype=np.uint32)
    return chip.cells.read(rows, 5.0).astype(np.uint8).tobytes()


@contextmanager
def person_at_bench(
    folder: Path,
    *,
    serials: bool = False,
    profile: Profile | None = None,
    socket: Socket | None = None,
) -> Iterator[Person]:
    """Yield a person at a bench that knows the board `tern-4`; `socket` is as an earlier person left it."""
    clock = SharedClock()
    profile = profile or full("SIM-1")
    empty = Socket(profile.identity.socket_pins)
    programmer = VirtualProgrammer(profile, socket or empty, now_s=0.0)
    hands = TimedHands(programmer)
    with one_bench(folder, board=hands, clock=clock) as one:  # type: ignore[arg-type]
        if "tern-4" not in {view.id for view in one.bench.boards.list()}:
            one.bench.boards.add("tern-4", BOARD.replace("LOW", SERIAL if serials else ""))
        yield Person(one, hands, programmer, one.image(FILE))
