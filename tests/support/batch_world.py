"""A bench of chips and hands for the batch machine alone: jobs end as the chip in the socket deserves."""

from dataclasses import dataclass, field, replace

from pydantic import TypeAdapter

from daemon.batches import machine
from daemon.batches.events import (
    Arrived,
    Cancel,
    Ended,
    Event,
    LabelOn,
    ProgrammerBack,
    Refused,
    Restarted,
    Resume,
    Seat,
    Submitted,
)
from daemon.batches.model import (
    COUNTS_AS_MADE,
    OVER,
    Finding,
    Item,
    Means,
    Phase,
    Plan,
    Policy,
    Purpose,
    Remedy,
    State,
    Status,
    Verdict,
)

_STATES = TypeAdapter(State)


def plan_of(
    sets: int = 3,
    positions: int = 2,
    *,
    serials: bool = False,
    by_set: bool = False,
    policy: Policy | None = None,
) -> Plan:
    """Return a plan of so many sets; content is a number for each position, or for each chip."""
    order = [(at, set_) for set_ in range(1, sets + 1) for at in range(positions)]
    if not by_set:
        order.sort()
    items = tuple(
        Item(
            index, f"U{at}", "", set_, "part", "PART", 28, "0" * 64, _content(at, set_, serials), 0xFF,
            False, not serials and sets > 1, True,
        )
        for index, (at, set_) in enumerate(order)
    )  # fmt: skip
    return Plan("board", "Board", sets, 1, items, policy or Policy())


def _content(position: int, set_number: int, serials: bool) -> int:
    return 1000 * (position + 1) + (set_number if serials else 0)


@dataclass
class Chip:
    """One chip: what it holds (None: blank), and how it is broken: `fails` jobs on it, -1 for ever."""

    number: int
    content: int | None = None
    fails: int = 0
    finding: Finding | None = None
    other_part: bool = False
    bad: bool = False


BROKEN = Finding(Means.CHIP, "program-failed", "a word does not take", Remedy.RETRY, Verdict.REJECT)
NOT_BLANK = Finding(Means.CHIP, "not-blank", "bits read 0", Remedy.NONE, Verdict.RE_EXPOSE)
SHAKY = Finding(Means.CHIP, "unstable-read", "bits change", Remedy.RESEAT, Verdict.REJECT)


@dataclass
class World:
    """Drives one batch: `state` and the one job, the socket, and every chip that there is."""

    plan: Plan
    chips: list[Chip] = field(default_factory=list)
    socket: Chip | None = None
    now_s: float = 0.0
    jobs: int = 0
    plugged: bool = True
    asked_for_removal: bool = False

    def __post_init__(self) -> None:
        self.state = machine.begin(self.plan)
        self.cancelled: set[str] = set()
        self.hand_in()

    # What the driver of a machine does

    def happens(self, event: Event) -> None:
        """Let something happen to the batch."""
        self.now_s += 1.0
        before = self.state
        self.state, cancels = machine.step(self.plan, self.state, event, self.now_s)
        for cancel in cancels:
            self._cancel(cancel)
        self._check(before)
        self.hand_in()

    def hand_in(self) -> None:
        """Hand the order in, as the driver of a real batch does."""
        state = self.state
        ready = state.status is Status.ACTIVE and state.job_id is None and state.order is not None
        if ready and state.phase is Phase.STARTING:
            if self.plugged:
                self.jobs += 1
                self.happens(Submitted(f"j{self.jobs}"))
                if self.waiting:
                    seat = "seated" if self.state.occupied else "empty"
                    self.happens(Seat(f"j{self.jobs}", seat))
            else:
                self.happens(Refused("programmer-gone", "it does not answer", gone=True))

    def _cancel(self, cancel: Cancel) -> None:
        if self.state.job_id == cancel.job_id:
            self.ended(Finding(Means.CANCELLED, "cancelled", "cancelled"))

    def restart(self) -> None:
        """End the daemon and start it again: the state is read back from its record."""
        self.state = _STATES.validate_json(_STATES.dump_json(self.state))
        job = self.state.job_id
        self.happens(Restarted())
        if job is not None:
            self.ended(Finding(Means.CUT_OFF, "interrupted", "the daemon was stopped"))

    # Hands

    def pick(self, **kind: object) -> Chip:
        """Take a new chip out of the bag."""
        self.chips.append(Chip(len(self.chips), **kind))  # type: ignore[arg-type]
        return self.chips[-1]

    def take_out(self) -> Chip | None:
        """Take the chip out of the socket."""
        chip, self.socket = self.socket, None
        if chip is not None and self.waiting:
            self.happens(Seat(str(self.state.job_id), "empty"))
        return chip

    def put_in(self, chip: Chip) -> None:
        """Take out what is in the socket, and put a chip in."""
        self.take_out()
        self.socket = chip
        if self.waiting and not self.state.occupied:
            self.happens(Arrived(str(self.state.job_id)))

    @property
    def waiting(self) -> bool:
        """Whether a job waits for its chip."""
        return self.state.job_id is not None and not self.state.arrived

    @property
    def working(self) -> bool:
        """Whether a job works on the chip."""
        return self.state.job_id is not None and self.state.arrived

    # Jobs

    def ended(self, finding: Finding) -> None:
        """Let the job end so."""
        if self.state.job_id is not None:
            self.happens(Ended(self.state.job_id, replace(finding, work_s=1.0)))

    def work(self) -> None:
        """Let the job on the chip in the socket end as the chip deserves."""
        if not self.working:
            return None
        order, chip = self.state.order, self.socket
        assert order is not None
        item = self.plan.items[order.item]
        if order.purpose is Purpose.LOOK:
            there = Finding(Means.GOOD, "ok", "sits well")
            gone = Finding(Means.HANDS, "chip-missing", "no chip", present=False)
            return self.ended(there if chip else gone)
        if chip is None:
            return self.ended(BROKEN)
        if chip.other_part:
            return self.ended(Finding(Means.OTHER_PART, "signature-mismatch", "another part"))
        if order.purpose is Purpose.MAKE and chip.content in {each.crc32 for each in self.plan.items}:
            return self.ended(Finding(Means.HOLDS, "already-programmed", "held", crc32=chip.content))
        if chip.fails and (chip.finding or BROKEN):
            chip.fails -= chip.fails > 0
            return self.ended(chip.finding or BROKEN)
        if order.purpose is Purpose.MAKE:
            chip.content = item.crc32
        elif chip.content != item.crc32:
            return self.ended(SHAKY)
        return self.ended(Finding(Means.GOOD, "ok", "the chip holds the image"))

    def finish(self, limit: int = 2000) -> None:
        """Let a person with a bag of good chips do what is asked, until the batch is over."""
        self.plugged = True
        for _ in range(limit):
            if self.state.status in OVER:
                return
            if self.state.phase is Phase.NO_PROGRAMMER:
                self.happens(ProgrammerBack())
            elif self.state.status is Status.PAUSED:
                self.happens(Resume())
            elif self.working:
                self.work()
            elif self.state.phase is Phase.LABEL:
                self.happens(LabelOn())
            else:
                self._obey()
        raise AssertionError(f"it does not come to an end: {self.state}")

    def _obey(self) -> None:
        order = self.state.order
        assert order is not None
        if self.state.occupied or self.socket is not None:
            chip = self.take_out()
            if self.state.occupied:
                self.happens(Seat(str(self.state.job_id), "empty"))
        else:
            chip = None
        if order.same_chip and chip is not None:
            self.put_in(chip)
        elif order.purpose is Purpose.RE_VERIFY:
            wanted = self.plan.items[order.item].crc32
            self.put_in(next(each for each in self.chips if each.content == wanted and not each.bad))
        else:
            self.put_in(self.pick())

    # What must always hold

    def _check(self, before: State) -> None:
        state, plan = self.state, self.plan
        made = [chip.item for chip in state.chips if chip.verdict in COUNTS_AS_MADE]
        assert len(made) == len(set(made)), "an item is made twice"
        assert set(made) == state.made
        assert sum(machine.counts(state).values()) == len(state.chips)
        assert [chip.number for chip in state.chips] == list(range(1, len(state.chips) + 1))
        assert set(state.sample) <= state.made
        if state.job_id is not None:
            assert state.order is not None
        if state.status is Status.FINISHED:
            assert len(state.made) == len(plan.items)
            assert not state.sample
        if before.status in OVER:
            assert state == before
