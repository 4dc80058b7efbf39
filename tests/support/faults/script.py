"""What people do in a world: put chips in, hand jobs in, continue them, look at what came of it.

Every visit ends with all faults healed, and then the work must come to its end within a bounded time.
"""

import hashlib
from collections.abc import Callable, Generator
from functools import partial
from typing import TypeVar

from daemon.errors import BenchError
from daemon.images.model import ImageFormat
from daemon.jobs.request import JobRequest
from daemon.store.model import JobKind, JobRecord
from simulator.chip.chip import Chip
from tests.support.faults import judges
from tests.support.faults.evidence import CellLedger, cells_of
from tests.support.faults.host import Host, HostCrash
from tests.support.faults.mishaps import TroubleMaker
from tests.support.faults.plan import Mishap, Stock, Visit
from tests.support.faults.records import JobRow
from tests.support.faults.world import Figures, Wait, World

T = TypeVar("T")
Steps = Generator[Wait, None, T]

#: How long the bench may take to find a programmer again and to do one tiny job, once all faults are over.
HEALED_S = 60.0
#: How long any attempt may take while things go wrong: links are given up, programmers found again.
TROUBLED_S = 300.0
_ASK_AGAIN_S = 0.5
_CONTINUABLE = frozenset({"failed", "cancelled", "interrupted"})
#: Ends that a chip earns which held something else before, by the image or the kind of job.
_EARNED = frozenset({"not-blank", "program-failed", "verify-mismatch"})


class BenchPeople:
    """The script of one world."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.plan = world.plan
        self.part = world.part
        self.seen: list[int] = []
        self.known: dict[str, str] = {}
        self._keys = 0
        self._trouble = TroubleMaker(world)
        self._chip = Chip(self.part, 0)
        self._ledger = CellLedger(self._chip)
        self._before = b""
        self._where = "the beginning"
        world.at_attempt = self._attempt_begins

    def script(self) -> Steps[None]:
        """Pay all visits, then judge the whole."""
        for number, visit in enumerate(self.plan.visits):
            self._where = f"visit {number} ({visit.kind}, {visit.stock}; {self._troubles_of(visit)})"
            yield from self._visit(visit)
        yield Wait(self.world.now_s + self.world.cut_off_s)
        self._judge_all()

    def _troubles_of(self, visit: Visit) -> str:
        return ", ".join(trouble.mishap for trouble in visit.troubles) or "no trouble"

    # One visit

    def _visit(self, visit: Visit) -> Steps[None]:
        world = self.world
        self._put_chip(visit)
        digest: str | None = None
        if visit.kind in (JobKind.PROGRAM, JobKind.WRITE, JobKind.VERIFY):
            digest = yield from self._ask(
                lambda host: host.shelf.add(visit.image, name=None, format=ImageFormat.RAW).sha256
            )
        request = JobRequest(
            kind=visit.kind,
            part=self.part.id,
            programmer="SIM-1",
            image=digest,
            offset_bytes=visit.offset_bytes if digest else 0,
            fill=self.part.blank_byte,
        )
        job = yield from self._hand_in(lambda host, key: host.desk.submit(request, None, idempotency_key=key))
        self._trouble.arrange(visit, job, self._chip)
        row = yield from self._ended(job.id, visit, TROUBLED_S)
        for _ in range(visit.continues):
            if row.state in _CONTINUABLE and row.kind in ("program", "write"):
                row = yield from self._continue(row, visit, TROUBLED_S)
        self._trouble.heal(self._chip)
        yield from self._finish(row, visit, request)
        world.damage.share = self.plan.damage

    def _finish(self, row: JobRow, visit: Visit, request: JobRequest) -> Steps[None]:
        """Nothing is wrong any more: bring the work to its end."""
        if row.state == "succeeded" or self._earned(row, visit):
            return
        if not visit.troubles:
            self.world.blame(
                [f"nothing was wrong but the line, and {row.kind} is {row.state}: {row.outcome}"], self._where
            )
        self.world.damage.share = 0.0
        until_s = self.world.now_s + HEALED_S
        while row.state != "succeeded" and not self._earned(row, visit):
            # One may still find the link dead by what was; that it is over shows within the bound.
            if self.world.now_s > until_s:
                self.world.blame(
                    [f"all faults are over for {HEALED_S:.0f} s, {row.kind} is {row.state}: {row.outcome}"],
                    self._where,
                )
            row = yield from self._continue(row, visit, HEALED_S)

    def _earned(self, row: JobRow, visit: Visit) -> bool:
        """Tell whether a bad end is the chip's own, for what it held before."""
        return row.code in _EARNED and (visit.stock is not Stock.BLANK or visit.kind is JobKind.VERIFY)

    def _put_chip(self, visit: Visit) -> None:
        world = self.world
        if visit.stock is Stock.SAME:
            return
        import numpy as np

        self._chip = Chip(self.part, visit.chip_seed)
        content = {Stock.RANDOM: visit.old, Stock.IMAGE: self._full(visit)}.get(visit.stock)
        if content is not None:
            kind = "<u2" if self.part.word_bytes == 2 else "u1"
            self._chip.program_at_maker(np.frombuffer(content, kind).astype(np.uint16))
        self._ledger = CellLedger(self._chip)
        world.board.remove(world.now_s)
        world.board.insert(self._chip, world.now_s)

    def _full(self, visit: Visit) -> bytes:
        """Return what the whole chip holds with the image in it."""
        size, begin = self.part.size_bytes, visit.offset_bytes
        blank = bytes([self.part.blank_byte])
        return (blank * begin + visit.image).ljust(size, blank)

    def _attempt_begins(self) -> None:
        self._ledger.clear()
        self._before = cells_of(self._chip, self.part.supplies.vcc_read_v)

    # Asking the bench, which may be down, ill, or die of it

    def _ask(self, doing: Callable[[Host], T]) -> Steps[T]:
        """Ask until it is done, as a client does that repeats itself."""
        world = self.world
        until_s = world.now_s + TROUBLED_S
        said = "it is down"
        while True:
            if world.host is not None:
                try:
                    return doing(world.host)
                except BenchError as error:
                    said = f"{error.code}: {error.message}"
                except HostCrash:
                    said = "it died"
            if world.now_s > until_s:
                world.blame(
                    [f"the bench does not do for {TROUBLED_S} s what it is asked: {said}"], self._where
                )
            yield Wait(world.now_s + _ASK_AGAIN_S)

    def _hand_in(self, hand: Callable[[Host, str], JobRecord]) -> Steps[JobRecord]:
        """Hand a job in under a key, so that asking again after a crash makes no second one."""
        self._keys += 1
        job = yield from self._ask(partial(self._once, hand, f"key-{self._keys}"))
        self.known[job.id] = ""
        return job

    @staticmethod
    def _once(hand: Callable[[Host, str], JobRecord], key: str, host: Host) -> JobRecord:
        made = host.store.jobs.find_by_key(key)
        if made is not None:
            return made
        return hand(host, key)

    def _continue(self, row: JobRow, visit: Visit, limit_s: float) -> Steps[JobRow]:
        def resume(host: Host, key: str) -> JobRecord:
            return host.desk.resume(row.id, None, idempotency_key=key)

        job = yield from self._hand_in(resume)
        return (yield from self._ended(job.id, visit, limit_s))

    def _ended(self, job_id: str, visit: Visit, limit_s: float) -> Steps[JobRow]:
        """Wait for the end of a job, and judge it."""
        world = self.world
        until_s = world.now_s + limit_s
        while True:
            yield Wait(until_s, lambda: self._state_of(job_id) in judges.FINAL)
            if world.records is not None and self._state_of(job_id) in judges.FINAL:
                break
            if world.now_s >= until_s:
                world.blame(
                    [f"job {job_id} did not end within {limit_s} s: {self._state_of(job_id)}"], self._where
                )
        # The worker has written the end down, and is about to say that it is free again.
        yield Wait(world.now_s)
        if world.records is None:
            yield from self._ask(lambda host: None)
        assert world.records is not None
        row = world.records.job(job_id)
        self.known[job_id] = row.state
        if row.numbers.get("supplies_after", "off") != "off":
            # It says itself that it leaves this to the board.
            world.working[-1].grace_s = world.cut_off_s
        self._judge_end(row, visit)
        return row

    def _state_of(self, job_id: str) -> str:
        return "" if self.world.records is None else self.world.records.state_of(job_id)

    # Judging

    def _judge_end(self, row: JobRow, visit: Visit) -> None:
        world, part = self.world, self.part
        supplies = part.supplies
        held = {
            vcc_v: cells_of(self._chip, vcc_v) for vcc_v in (supplies.vcc_read_v, *supplies.supply_checks_v)
        }
        claim = judges.Claim(
            row=row,
            part=part,
            held=held,
            image=self._full(visit),
            covered=self._covered(visit),
            before=self._before,
            touched=self._trouble.meddles(visit),
            kept=self._kept(row),
            blinded=self._blinded(visit),
        )
        wrong = judges.chip_judge(claim)
        if row.code == "internal":
            wrong.append(f"an error that nobody foresaw: {row.outcome}")
        wrong += judges.pulse_judge(self._ledger)
        world.blame(wrong, f"{self._where}, job {row.number}")
        self._read_stream()
        world.figures.states[row.state] += 1
        world.figures.codes[row.code] += 1

    def _blinded(self, visit: Visit) -> bool:
        pulled = any(trouble.mishap is Mishap.CHIP_PULLED for trouble in visit.troubles)
        return pulled and not self.plan.senses_socket and self.world.board.socket.chip is not None

    def _covered(self, visit: Visit) -> list[tuple[int, int]]:
        write = self.part.write
        if write is not None and write.semantics == "overwrite" and visit.kind is not JobKind.VERIFY:
            # All of it is written: nothing that was there before may show through.
            return [(0, self.part.size_bytes)]
        return [(visit.offset_bytes, visit.offset_bytes + len(visit.image))]

    def _kept(self, row: JobRow) -> bytes | None:
        digest = row.numbers.get("content_sha256")
        if not digest:
            return None
        content = (self.world.path / "state" / "images" / digest[:2] / digest).read_bytes()
        assert hashlib.sha256(content).hexdigest() == digest
        return content

    def _read_stream(self) -> None:
        """Read the stream of events on, as a front end does that remembers where it was."""
        host = self.world.host
        if host is None:
            return
        while True:
            events, lost = host.store.events.page(self.seen[-1] if self.seen else 0)
            if lost:
                self.world.blame(["the stream says that events are lost"], self._where)
            if not events:
                return
            self.seen += [event.id for event in events]

    def _judge_all(self) -> None:
        world = self.world
        if world.records is None:
            raise AssertionError("the host is down at the end")
        self._read_stream()
        rows, events = world.records.jobs(), world.records.events()
        stretches = world.supplies.stretches()
        wrong = judges.final_judge(rows)
        wrong += judges.event_judge(events, self.seen, rows)
        wrong += judges.memory_judge(self.known, rows)
        wrong += judges.watchdog_judge(
            stretches, world.tap.heard_s, world.watchdog_s, world.word_s, world.now_s
        )
        wrong += judges.idle_judge(stretches, world.working, world.now_s)
        world.blame(wrong, "the whole")
        world.figures.jobs += len(rows)


def run_world(world: World) -> Figures:
    """Let the people of a world pay all their visits; raise `BrokenPromiseError` for what is wrong."""
    world.run(BenchPeople(world).script())
    return world.figures
