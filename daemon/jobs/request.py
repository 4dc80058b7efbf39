"""What a job is asked to do."""

from enum import StrEnum
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

from daemon.drawer.sight import Sight
from daemon.jobs.light_so_far import LightSoFar
from daemon.store.model import JobKind


class Skippable(StrEnum):
    """Steps that a user may leave out; the record then says `not checked`."""

    PIN_CHECK = "pin-check"
    SIGNATURE = "signature"
    BLANK_CHECK = "blank-check"


class EraseScope(StrEnum):
    """How much an electrical erase covers."""

    CHIP = "chip"
    SECTOR = "sector"


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class EraseChoice(_Record):
    """How much to erase: the chip, or the sectors that a range touches."""

    scope: EraseScope = Field(EraseScope.CHIP, description="The whole chip, or the sectors of the range.")


class AwaitChip(_Record):
    """That the job waits until a person has put its chip in, and notices that by itself."""

    occupied: bool = Field(
        False, description="The chip that is in the socket has been dealt with and must go first."
    )
    words: str = Field(
        "", max_length=200, description="What is to be put in, as a person is told; left out: the part."
    )


Bytes = Annotated[int, Field(ge=0, le=1 << 26)]
Crc32 = Annotated[int, Field(ge=0, lt=1 << 32)]
SPARED_MAX = 2_000
"""How many contents a program job can be told to leave alone."""
Volts = Annotated[float, Field(gt=0, le=10, allow_inf_nan=False)]

_TO_EXAMINE = ("package_pins", "window", "marking", "allow_id_voltage", "allow_write_cycles")

#: Kinds that need an image.
WITH_IMAGE = frozenset({JobKind.WRITE, JobKind.VERIFY, JobKind.PROGRAM})
#: Kinds that can do with one: what the chip should hold, or what an earlier rescue read kept.
MAY_HAVE_IMAGE = frozenset({JobKind.DIAGNOSE, JobKind.RESCUE_READ})


class JobRequest(_Record):
    """One piece of work on one programmer.

    `program` is the whole main job; the other kinds are its steps on their own. Ranges are bytes of the part.
    """

    kind: JobKind = Field(description="What to do.")
    part: str | None = Field(
        None,
        min_length=1,
        max_length=100,
        description="Part id, name, or an alias that is unambiguous; left out only to examine a chip.",
    )
    programmer: str | None = Field(
        None, max_length=200, description="Programmer id or name; may be left out while only one is there."
    )
    image: str | None = Field(
        None,
        pattern=r"^[0-9a-f]{8,64}$",
        description="SHA-256 of an uploaded image, or its first 8 digits or more.",
    )
    offset_bytes: Bytes = Field(0, description="Where in the part the image's address 0 goes.")
    fill: int = Field(0xFF, ge=0, le=0xFF, description="Byte for what the image does not cover.")
    repeat: bool = Field(False, description="Repeat the image to fill the part.")
    adapter: str | None = Field(
        None, max_length=100, description="Adapter that the chip sits on; left out: directly in the socket."
    )
    bank: int = Field(
        0, ge=0, le=63, description="On an adapter with switches: which part of the chip they select."
    )
    start_bytes: Bytes = Field(0, description="First byte of a read, blank check or erase.")
    length_bytes: Bytes | None = Field(None, description="Length of that range; left out: to the end.")
    supply_checks_v: tuple[Volts, ...] | None = Field(
        None, max_length=4, description="VCC values to verify or read at; left out: the part's own list."
    )
    skip: frozenset[Skippable] = Field(frozenset(), description="Checks to leave out.")
    accept_signature: bool = Field(False, description="Go on although the chip names itself as another part.")
    allow_low_vcc: bool = Field(
        False, description="Consent to program at a VCC below the part's programming VCC; it is recorded."
    )
    hand_set_confirmed: bool = Field(
        False, description="The supplies that are set by hand have been set to what the preview says."
    )
    read_back: bool = Field(False, description="Verify by reading every byte back, not only by digest.")
    reads: int | None = Field(
        None, ge=2, le=250, description="For a rescue read: how often to read at each supply; left out: 9."
    )
    erase: EraseChoice = Field(EraseChoice(scope=EraseScope.CHIP), description="For electrical erase.")
    light: LightSoFar | None = Field(
        None, description="For an erase check: the light that the chip has had, as far as it is known."
    )
    chip: str | None = Field(
        None, min_length=1, max_length=100, description="The chip's own number, where it has one."
    )
    lot: str | None = Field(None, min_length=1, max_length=100, description="The lot that it is from.")
    await_chip: AwaitChip | None = Field(
        None,
        description="Wait until the chip is put in, by pin checks with the supplies off; left out: it is in.",
    )
    spare_crc32: frozenset[Crc32] = Field(
        frozenset(),
        max_length=SPARED_MAX,
        description="For a program job: CRC-32 values of whole chips' contents. A chip that already holds one"
        " of them is left as it is, and the job ends with `already-programmed`.",
    )
    package_pins: int | None = Field(
        None, ge=8, le=64, multiple_of=2, description="To examine: how many pins the chip has."
    )
    window: bool | None = Field(
        None, description="To examine: whether it has a window; left out where that cannot be told."
    )
    marking: str | None = Field(
        None, min_length=1, max_length=100, description="To examine: what can be read of its marking."
    )
    allow_id_voltage: bool | None = Field(
        None,
        description="To examine: whether about 12 V may be put on A9 for the signature, which can destroy"
        " mask ROMs, windowed microcontrollers and parts with three supplies; left out: the job asks.",
    )
    allow_write_cycles: bool | None = Field(
        None,
        description="To examine: whether a flash chip may be asked for its signature by write cycles at 5 V,"
        " which alter an EEPROM that is none; left out: the job asks.",
    )

    @model_validator(mode="after")
    def _agrees(self) -> "JobRequest":
        free = self.kind in MAY_HAVE_IMAGE
        if not free and (self.kind in WITH_IMAGE) != (self.image is not None):
            need = "needs an image" if self.kind in WITH_IMAGE else "takes no image"
            raise PydanticCustomError(
                "job_image", "image: a {kind} job {need}", {"kind": self.kind.value, "need": need}
            )
        examines = self.kind is JobKind.EXAMINE
        if examines is (self.part is not None):
            need = "takes no part: it finds out" if examines else "needs a part"
            raise PydanticCustomError(
                "job_part", "part: a {kind} job {need}", {"kind": self.kind.value, "need": need}
            )
        if self.spare_crc32 and self.kind is not JobKind.PROGRAM:
            raise PydanticCustomError("job_spare", "spare_crc32: only for a program job")
        if examines and (self.chip is not None or self.lot is not None):
            raise PydanticCustomError("job_chip", "chip: an examine job does not know whose chip it is")
        if examines and self.await_chip is not None:
            raise PydanticCustomError(
                "job_await", "await_chip: not for an examine job, which knows no pins yet"
            )
        if self.bank and self.adapter is None:
            raise PydanticCustomError("job_bank", "bank: only an adapter with switches has banks")
        if self.reads is not None and self.kind is not JobKind.RESCUE_READ:
            raise PydanticCustomError("job_reads", "reads: only for a rescue read")
        given = [name for name in _TO_EXAMINE if getattr(self, name) is not None]
        if examines and self.package_pins is None:
            raise PydanticCustomError("job_pins", "package_pins: say how many pins the chip has")
        if given and not examines:
            raise PydanticCustomError("job_examine", "{name}: only for an examine job", {"name": given[0]})
        return self

    @property
    def part_name(self) -> str:
        """The part, of a job that must have one."""
        assert self.part is not None
        return self.part


def sight_of(request: JobRequest) -> Sight:
    """Return what an examine job was told of the chip."""
    assert request.package_pins is not None
    return Sight(request.package_pins, request.window, request.marking)


class Answer(_Record):
    """A person's answer to the question that a waiting job asks."""

    confirm: bool = Field(
        description="True: done as asked, go on. False: no; the job is given up, or, where its question"
        " offers something that can be left out, goes on without."
    )
