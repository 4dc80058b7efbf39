"""A world of one seed: host, line, board, chip, and all that goes wrong with them, in virtual time."""

import contextlib
import heapq
import math
import shutil
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from daemon.clock import ManualClock
from daemon.discovery import Candidate
from daemon.errors import BenchError
from daemon.programmers.port_worker import PortWorker
from daemon.transport.base import PortKind, Transport
from simulator.programmer.programmer import VirtualProgrammer
from simulator.socket import Socket
from tests.support.faults.evidence import PortTap, SupplyLog
from tests.support.faults.host import Host, HostCrash, copy_as_it_lies, database_of
from tests.support.faults.judges import DISCHARGE_S, GRACE_S, Working, longest_word_s
from tests.support.faults.line import Cable, Damage, WatchedTransport
from tests.support.faults.plan import Plan
from tests.support.faults.records import Records
from tests.support.faults.surroundings import profile_of, seeded_secrets
from tests.support.faults.tiny_parts import tiny_catalogue

PORT = "memory:0"
_RETRY_S = 0.5


class BrokenPromiseError(AssertionError):
    """A judge has found something. It names the seed, so that it can be run again alone."""


class WorldClock(ManualClock):
    """Virtual time whose wall clock can be set."""

    def __init__(self) -> None:
        super().__init__()
        self.offset = timedelta()

    def utc_now(self) -> datetime:
        return super().utc_now() + self.offset


@dataclass(frozen=True, slots=True)
class Wait:
    """What a script waits for: a time, or before that a condition (asked when the store has changed)."""

    until_s: float
    wanted: Callable[[], bool] | None = None


Script = Iterator[Wait]


@dataclass
class Figures:
    """What a world came to."""

    jobs: int = 0
    states: Counter[str] = field(default_factory=Counter)
    codes: Counter[str] = field(default_factory=Counter)
    mishaps: Counter[str] = field(default_factory=Counter)
    damaged: Counter[str] = field(default_factory=Counter)
    frames: int = 0
    crashes: int = 0
    virtual_s: float = 0.0

    def add(self, other: "Figures") -> None:
        """Add another world's."""
        for name in ("states", "codes", "mishaps", "damaged"):
            getattr(self, name).update(getattr(other, name))
        self.jobs += other.jobs
        self.frames += other.frames
        self.crashes += other.crashes
        self.virtual_s += other.virtual_s


class World:
    """One world. `run` carries a script out in it; what the script asks of the host may fail any time."""

    def __init__(self, plan: Plan, folder: Path) -> None:
        self.plan = plan
        self.part = plan.part
        self.clock = WorldClock()
        self.figures = Figures()
        self.damage = Damage(f"line {plan.seed}", plan.damage)
        self.cable = Cable(self.damage, plan.wire)
        self.board = VirtualProgrammer(profile_of(plan), Socket(48))
        self.tap = PortTap(self.board)
        self.supplies = SupplyLog(self.clock)
        self.supplies.watch(self.board)
        self.watchdog_s = self.board.profile.limits.watchdog_ms / 1000
        self.word_s = longest_word_s(self.part)
        self.cut_off_s = self.watchdog_s + self.word_s + GRACE_S + DISCHARGE_S
        self.working: list[Working] = []
        self.at_attempt: Callable[[], None] = lambda: None
        self.host: Host | None = None
        self.records: Records | None = None
        self.dies_after: int | None = None
        self.dies_again_after: int | None = None
        self.restart_s = 0.5
        self.done = False
        self.news = True
        self.path = folder / "0"
        self.path.mkdir(parents=True)
        self._folder = folder
        self._lives = 0
        self._dead = False
        self._broken: Exception | None = None
        self._in_script = False
        self._transport: WatchedTransport | None = None
        self._agenda: list[tuple[float, int, Callable[[], None]]] = []
        self._agenda_count = 0
        self._waits = Wait(-math.inf)
        self._script: Script = iter(())

    # For scripts

    @property
    def now_s(self) -> float:
        """The virtual time."""
        return self.clock.monotonic_s()

    def blame(self, wrong: list[str], where: str) -> None:
        """Raise for what a judge has found."""
        if wrong:
            told = "\n  ".join(wrong[:12])
            raise BrokenPromiseError(
                f"seed {self.plan.seed} ({self.part.id}), {where}, at {self.now_s:.6f} s:\n  {told}"
            )

    def later(self, after_s: float, deed: Callable[[], None]) -> None:
        """Let something happen in `after_s` seconds, between two bytes if need be."""
        self._agenda_count += 1
        heapq.heappush(self._agenda, (self.now_s + after_s, self._agenda_count, deed))

    def forget_agenda(self) -> None:
        """Let nothing happen any more that was to happen later."""
        self._agenda.clear()

    def kill_host(self) -> None:
        """Let the host die here and now: what lies on its disk is all that is left."""
        if self.host is None or self._dead:
            return
        self._dead = True
        self.figures.crashes += 1
        for work in self.working[-1:]:
            work.end_s, work.grace_s = min(work.end_s, self.now_s), self.cut_off_s
        self._lives += 1
        copy_as_it_lies(self.path, self._folder / str(self._lives))

    def stall(self, duration_s: float) -> None:
        """Let the host do nothing for so long, while all else goes on, mishaps included."""
        until_s = self.now_s + duration_s
        while self.now_s < until_s:
            next_s = min(until_s, max(self.now_s, self._agenda[0][0] if self._agenda else until_s))
            self.clock.advance_s(next_s - self.now_s)
            if self._transport is not None:
                self._transport.catch_up()
            if self._agenda and self._agenda[0][0] <= self.now_s:
                heapq.heappop(self._agenda)[2]()

    def unplug(self) -> None:
        """Pull the cable."""
        self.cable.plugged = False
        if self._transport is not None:
            self._transport.unplug()

    def replug(self) -> None:
        """Push it in again; an open port that was lost stays lost."""
        self.cable.plugged = True

    def reset_board(self) -> None:
        """Press the board's reset."""
        self.board.reset(self.now_s)

    # Life

    def run(self, script: Script) -> None:
        """Carry a script out to its end."""
        self._script = script
        with seeded_secrets(self.plan.seed):
            try:
                while not self.done:
                    self._live()
            finally:
                self._bury()
        if self._broken is not None:
            raise self._broken
        self.figures.virtual_s = self.now_s
        self.figures.frames = self.damage.frames
        self.figures.damaged = self.damage.done

    def _live(self) -> None:
        try:
            if self.host is None:
                self._pause(self.restart_s)
                self._open_host()
            assert self.host is not None
            self.host.turn()
        except HostCrash:
            self._bury()
        except BenchError:
            # The link is lost, or nothing is plugged in: the worker has told of it and is tried again.
            pass
        if not self.done:
            with contextlib.suppress(HostCrash):
                self._pause(_RETRY_S)
        if self._dead:
            self._bury()

    def _open_host(self) -> None:
        self.host = Host(
            self.path,
            self.clock,
            tiny_catalogue(),
            ports=lambda: [Candidate(PORT, PortKind.USB)] if self.cable.plugged else [],
            make_transport=self._make_transport,
            at_commit=self._count_call,
            note_busy=self._note_busy,
        )
        self.records = Records(database_of(self.path))
        self.host.store.on_event(self._note_news)
        self.news = True

    def _bury(self) -> None:
        if self.records is not None:
            self.records.close()
        if self.host is not None:
            self.host.leave()
        self.host = self.records = self._transport = None
        if self._dead:
            self._dead = False
            shutil.rmtree(self.path, ignore_errors=True)
            self.path = self._folder / str(self._lives)

    def _make_transport(self, candidate: Candidate, baud: int) -> Transport:
        life = self._lives

        def act() -> None:
            if life != self._lives or self._dead:
                raise HostCrash
            self._act()

        self._transport = WatchedTransport(self.tap, self.clock, self.cable, candidate.path, act, self._due_s)
        return self._transport

    def _note_busy(self, worker: PortWorker, busy: bool) -> None:
        if busy:
            self.working.append(Working(self.now_s))
            self.at_attempt()
        else:
            self.working[-1].end_s = self.now_s

    def _note_news(self, newest: int) -> None:
        self.news = True

    # Time

    def _due_s(self) -> float:
        return min(self._agenda[0][0] if self._agenda else math.inf, self._waits.until_s)

    def _pause(self, duration_s: float) -> None:
        until_s = self.now_s + duration_s
        while self.now_s < until_s and not self.done:
            self.clock.advance_s(max(0.0, min(until_s, self._due_s()) - self.now_s))
            self._act()

    def _count_call(self) -> None:
        if self._dead:
            raise HostCrash
        if self.dies_after is not None:
            self.dies_after -= 1
            if self.dies_after <= 0:
                self.dies_after, self.dies_again_after = self.dies_again_after, None
                self.kill_host()
                raise HostCrash

    def _act(self) -> None:
        """Do what is due: mishaps first, then the script."""
        if self._in_script:
            return
        if self.host is not None:
            self._count_call()
        while self._agenda and self._agenda[0][0] <= self.now_s:
            heapq.heappop(self._agenda)[2]()
        if not self._dead:
            self._go_on()
        if self._dead:
            raise HostCrash

    def _go_on(self) -> None:
        waits = self._waits
        ripe = self.now_s >= waits.until_s
        if not ripe and waits.wanted is not None and self.news and self.host is not None:
            self.news = False
            ripe = waits.wanted()
        if not ripe:
            return
        self._in_script = True
        try:
            self._waits = next(self._script)
        except StopIteration:
            self.done = True
            self._waits = Wait(math.inf)
            if self.host is not None:
                self.host.stop()
        except Exception as error:
            # Not up through the daemon, which would take it for an error of its own.
            self.done, self._broken = True, error
            raise HostCrash from error
        finally:
            self._in_script = False
