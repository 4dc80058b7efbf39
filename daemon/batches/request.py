"""What a batch is asked for."""

from enum import StrEnum
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from daemon.batches.model import Labels, Matching, Policy
from daemon.boards.drawer import OnHand
from daemon.jobs.request import Skippable


class Arrangement(StrEnum):
    """In which order the chips are made."""

    BY_POSITION = "by-position"
    """All chips of the first position, then all of the second: the least to think of."""
    BY_SET = "by-set"
    """All chips of the first set, then all of the second: where each set has numbers of its own."""


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)


Digest = Annotated[str, Field(pattern=r"^[0-9a-f]{8,64}$")]
_FEW = Field(ge=0, le=9)
_PLAIN = r"^[^\x00-\x1f\x7f]*$"


class BatchPolicy(_Record):
    """What is done without asking. Every question that a batch could ask is answered here beforehand."""

    retries: Annotated[int, _FEW] = 1
    """How often a chip that fails is tried once more at once."""
    reseats: Annotated[int, _FEW] = 1
    """How often a chip that fails is taken out, put in again and tried once more."""
    matching: Matching = Matching.SET_ASIDE
    """A chip that already holds the content, where sets are alike: `set-aside`, or verify and `accept` it."""
    stop_after_rejects: Annotated[int, Field(ge=0, le=10_000)] = 3
    """Pause when so many chips have failed since the batch was begun or resumed; 0: never."""
    re_verify: Annotated[int, Field(ge=0, le=10_000)] = 0
    """So many of the chips are verified a second time when all are made."""
    labels: Labels = Labels.REMIND
    """Whether labels are spoken of: `none`, `remind`, or `confirm` (waits until it is said to be on)."""

    def to_policy(self) -> Policy:
        """Return it as the state machine has it."""
        return Policy(**self.model_dump())


class BatchRequest(_Record):
    """N sets of a board on one programmer."""

    board: Annotated[str, Field(min_length=1, max_length=300, pattern=_PLAIN)]
    """Board id, or its name."""
    sets: Annotated[int, Field(ge=1, le=100)]
    """How many sets are to be made."""
    first_set: Annotated[int, Field(ge=1, le=1_000_000)] = 1
    """Number of the first set: 21 goes on after 20 that were made before, serial numbers too."""
    positions: Annotated[tuple[Annotated[str, Field(max_length=40)], ...], Field(max_length=64)] = ()
    """Only these positions, in this order; left out: all of the board."""
    programmer: Annotated[str, Field(max_length=200, pattern=_PLAIN)] | None = None
    """Programmer id or name; may be left out while only one is there."""
    sources: Annotated[dict[str, Digest], Field(max_length=32)] = {}
    """Image for each source, by SHA-256 or its first 8 digits; a demo board has its own."""
    on_hand: Annotated[tuple[OnHand, ...], Field(max_length=200)] = ()
    """Chips that are there; left out: the part that suits each position best."""
    order: Arrangement | None = None
    """In which order; left out: by set where each set has content of its own, else by position."""
    policy: BatchPolicy = BatchPolicy()
    """What is done without asking."""
    skip: frozenset[Skippable] = frozenset()
    """Checks to leave out of every job."""
    allow_low_vcc: bool = False
    """Consent to program at a VCC below the part's programming VCC; it is recorded."""
    hand_set_confirmed: bool = False
    """The supplies that are set by hand have been set; for a batch of several parts each is asked for."""
    read_back: bool = False
    """Verify by reading every byte back, not only by digest."""


class Act(StrEnum):
    """What a person or a script can do to a batch."""

    PAUSE = "pause"
    RESUME = "resume"
    END = "end"
    CHIP_IN = "chip-in"
    """The chip is in: as the button of the programmer says it."""
    LABEL_ON = "label-on"
    COUNT = "count"
    """The chip that was set aside as already programmed is another one: verify it, and let it count."""
    REJECT = "reject"
    """Throw out the chip that is being put in."""
    YES = "yes"
    """Answer the question of the job: done as asked."""
    NO = "no"


class BatchAct(_Record):
    """One thing to be done to a batch."""

    act: Act
    """What."""
    words: Annotated[str, Field(max_length=200, pattern=_PLAIN)] = "thrown out by hand"
    """Why a chip is thrown out."""
