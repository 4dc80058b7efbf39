"""What can happen to a batch: each is given to `machine.step`, one after another."""

from dataclasses import dataclass

from daemon.batches.model import Finding


@dataclass(frozen=True, slots=True)
class Submitted:
    """The order was handed in as this job."""

    job_id: str


@dataclass(frozen=True, slots=True)
class Refused:
    """The order was refused. `gone`: only since the programmer is not there."""

    code: str
    words: str
    gone: bool = False


@dataclass(frozen=True, slots=True)
class Seat:
    """While a chip is waited for: the socket is `empty`, something is `touching` badly, or still `seated`."""

    job_id: str
    seat: str
    words: str = ""


@dataclass(frozen=True, slots=True)
class Arrived:
    """The chip that was waited for is in the socket."""

    job_id: str


@dataclass(frozen=True, slots=True)
class Asked:
    """The job asks a person something, such as to set a supply by hand; empty words: no more."""

    job_id: str
    words: str


@dataclass(frozen=True, slots=True)
class Ended:
    """A job has ended."""

    job_id: str
    finding: Finding


@dataclass(frozen=True, slots=True)
class Pause:
    """Somebody wants a break: the chip in hand is finished first."""


@dataclass(frozen=True, slots=True)
class Resume:
    """Go on."""


@dataclass(frozen=True, slots=True)
class End:
    """Give the batch up."""


@dataclass(frozen=True, slots=True)
class LabelOn:
    """The label is on."""


@dataclass(frozen=True, slots=True)
class CountIt:
    """The chip in the socket, set aside because it already held the content, is another one: count it."""


@dataclass(frozen=True, slots=True)
class RejectIt:
    """Somebody throws a chip out by hand, before it was worked on: bent pins, a broken window."""

    words: str


@dataclass(frozen=True, slots=True)
class ProgrammerBack:
    """The programmer answers again."""


@dataclass(frozen=True, slots=True)
class Restarted:
    """The daemon has ended and begun again since."""


Event = (
    Submitted
    | Refused
    | Seat
    | Arrived
    | Asked
    | Ended
    | Pause
    | Resume
    | End
    | LabelOn
    | CountIt
    | RejectIt
    | ProgrammerBack
    | Restarted
)


@dataclass(frozen=True, slots=True)
class Cancel:
    """The one thing that a step asks for beside its order: that this job is cancelled."""

    job_id: str
