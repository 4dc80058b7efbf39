"""What a batch is made of: its items, its policy, where it stands, and what became of every chip."""

from dataclasses import dataclass
from enum import StrEnum


class Status(StrEnum):
    """Where a batch stands as a whole."""

    ACTIVE = "active"
    PAUSED = "paused"
    FINISHED = "finished"
    """Every set is made."""
    ENDED = "ended"
    """Given up before it was finished; what was made stays made."""


OVER = frozenset({Status.FINISHED, Status.ENDED})
"""States that a batch never leaves."""


class Phase(StrEnum):
    """What goes on just now."""

    STARTING = "starting"
    """The next job is being handed in."""
    PUT_IN = "put-in"
    """A chip is waited for."""
    WORKING = "working"
    LOOKING = "looking"
    """A job failed: is its chip still in the socket?"""
    LABEL = "label"
    """Somebody is to say that the label is on; only where the policy wants that said."""
    NO_PROGRAMMER = "no-programmer"
    IDLE = "idle"
    """Paused or over: nothing is waited for."""


class Why(StrEnum):
    """Why a batch is paused."""

    PERSON = "person"
    RESTART = "restart"
    """The daemon was ended and started again."""
    REJECTS = "rejects"
    """As many chips failed as the policy allows."""
    CANCELLED = "cancelled"
    """Somebody cancelled the job of the batch."""
    TROUBLE = "trouble"
    """Neither the chip nor a person: a supply out of tolerance, a refusal, a full disk."""


class Verdict(StrEnum):
    """What became of one chip that was put in."""

    GOOD = "good"
    """Programmed and verified in this batch."""
    ALREADY = "already"
    """It held the content before, was verified, and counts."""
    REJECT = "reject"
    RE_EXPOSE = "re-expose"
    """To be erased by light and tried again."""
    SET_ASIDE = "set-aside"
    """Not for this place: another part, content of another position, or one that was made before."""
    UNFINISHED = "unfinished"
    """The batch was ended while it was worked on: its content is not known."""


COUNTS_AS_MADE = frozenset({Verdict.GOOD, Verdict.ALREADY})
FAILED = frozenset({Verdict.REJECT, Verdict.RE_EXPOSE})


class Labels(StrEnum):
    """How the batch sees to labels."""

    NONE = "none"
    REMIND = "remind"
    """Says that the label goes on now; the next chip answers for it, so that no key is needed."""
    CONFIRM = "confirm"
    """Waits until somebody says that it is on."""


class Matching(StrEnum):
    """What is done with a chip that already holds what is wanted, where all sets have the same content."""

    SET_ASIDE = "set-aside"
    """It may be one that this batch made, put in a second time: it does not count unless somebody says so."""
    ACCEPT = "accept"
    """It is verified and counts: for chips that were programmed before."""


class Purpose(StrEnum):
    """What a job of a batch is for."""

    MAKE = "make"
    CONFIRM = "confirm"
    """The chip seems to hold what is wanted: verify it at the part's supplies."""
    RE_VERIFY = "re-verify"
    """One of the sample, verified again later."""
    LOOK = "look"
    """Whether the chip is still in the socket."""


@dataclass(frozen=True, slots=True)
class Item:
    """One chip to be made. `set_number` counts from 1; `crc32` is that of the whole chip's content.

    `shared` tells that other items have the same content, so that a chip cannot say which of them it is.
    `by_light` tells that the part is erased by light.
    """

    index: int
    position: str
    title: str
    set_number: int
    part_id: str
    part_name: str
    pins: int
    image_sha256: str
    crc32: int
    fill: int
    blank: bool
    shared: bool
    by_light: bool
    access_ns: float | None = None


@dataclass(frozen=True, slots=True)
class Policy:
    """What a batch does by itself. Counts are per chip unless said otherwise.

    `retries`: again at once, the chip untouched; `reseats`: after it was taken out and put in again;
    `stop_after_rejects`: pause after so many failed chips since the last resume, 0 for never;
    `re_verify`: how many chips are verified a second time when all are made.
    """

    retries: int = 1
    reseats: int = 1
    matching: Matching = Matching.SET_ASIDE
    stop_after_rejects: int = 3
    re_verify: int = 0
    labels: Labels = Labels.REMIND


@dataclass(frozen=True, slots=True)
class Plan:
    """A batch as it was set up: it never changes. `items` are in the order in which they are made.

    `say_so` is how a person says that a chip is in, where the programmer cannot see it by the pins.
    """

    board_id: str
    board_name: str
    sets: int
    first_set: int
    items: tuple[Item, ...]
    policy: Policy
    say_so: str = ""


@dataclass(frozen=True, slots=True)
class Order:
    """A job that is to be handed in. `number` counts the orders of a batch, so that none is given twice.

    `waits`: it waits for its chip, and `occupied` says that another one must go first. `same_chip`: it is the
    chip of before that is to come back. `continues_id`: the job whose work it takes up.
    """

    number: int
    purpose: Purpose
    item: int
    waits: bool = True
    occupied: bool = False
    same_chip: bool = False
    continues_id: str | None = None


@dataclass(frozen=True, slots=True)
class InHand:
    """The chip that is being worked on. `cut`: an earlier job on it was cut off.

    `takes_up` is the job that was not finished, which the next one takes up; `problem` what went wrong last.
    """

    item: int
    began_s: float
    tries: int = 0
    reseats: int = 0
    cut: bool = False
    taken_out: int = 0
    jobs: tuple[str, ...] = ()
    work_s: float = 0.0
    takes_up: str | None = None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class ChipResult:
    """What became of the chip number `number` (from 1) of the batch. Times are seconds of the batch's clock.

    `work_s` is the time of its jobs without waiting for hands. `cause` is a stable code, such as the outcome
    code of the job that decided; `words` say it. `re_verified` tells that it was of the sample and is good.
    """

    number: int
    item: int
    verdict: Verdict
    cause: str
    words: str
    began_s: float
    ended_s: float
    work_s: float = 0.0
    jobs: tuple[str, ...] = ()
    labelled: bool = False
    re_verified: bool = False
    countable: bool = False
    taken_out: int = 0


class Means(StrEnum):
    """What a job's end means for its batch."""

    GOOD = "good"
    HOLDS = "holds"
    """The chip already has a content that the batch knows."""
    CHIP = "chip"
    """The chip failed: a retry, a reseat, or its pile."""
    HANDS = "hands"
    """It sits wrong or is not there: put it in again, nothing is counted."""
    TAKEN_OUT = "taken-out"
    """It was taken out while it was worked on."""
    OTHER_PART = "other-part"
    CUT_OFF = "cut-off"
    """The link, the programmer or the daemon went away: what the chip holds is not known."""
    CANCELLED = "cancelled"
    TROUBLE = "trouble"
    """Something that another chip would not cure."""


class Remedy(StrEnum):
    """The least that may help a chip that failed."""

    RETRY = "retry"
    RESEAT = "reseat"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Finding:
    """The end of a job, as a batch sees it. `pile` is where the chip goes if nothing helps.

    `present` is False when the pins showed that no chip is there. `work_s` is without waiting for hands.
    """

    means: Means
    cause: str
    words: str
    remedy: Remedy = Remedy.NONE
    pile: Verdict = Verdict.REJECT
    crc32: int | None = None
    present: bool = True
    work_s: float = 0.0


@dataclass(frozen=True, slots=True)
class State:
    """Where a batch is. Changed by `machine.step` alone.

    `occupied`: a chip that was dealt with is, as far as is known, still in the socket. `order` has not been
    handed in yet while `job_id` is None; `arrived` tells that its chip is there. `cancelling` is the job that
    the batch itself has cancelled, `instead` the order that follows it then. `pending` is what a job found,
    while it is still looked whether its chip is there at all. `made` are the items that are done, `sample`
    those to be verified again. `asked` is what the job asks a person. `misseated` counts chips that sat
    badly.
    """

    status: Status = Status.ACTIVE
    phase: Phase = Phase.STARTING
    why: Why | None = None
    why_words: str = ""
    occupied: bool = False
    orders: int = 0
    order: Order | None = None
    job_id: str | None = None
    arrived: bool = False
    cancelling: str | None = None
    instead: Order | None = None
    pending: Finding | None = None
    seat_words: str = ""
    asked: str = ""
    hand: InHand | None = None
    made: frozenset[int] = frozenset()
    sample: tuple[int, ...] = ()
    sampled: bool = False
    failed_since_resume: int = 0
    misseated: int = 0
    chips: tuple[ChipResult, ...] = ()

    @property
    def last(self) -> ChipResult | None:
        """The chip that was judged last."""
        return self.chips[-1] if self.chips else None
