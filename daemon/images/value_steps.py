"""Steps that change values, as declarations: patches, checksums, serial numbers."""

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

from daemon.images.crc import crc_named
from daemon.images.step_base import StepTable, in_hex, refused
from daemon.images.values import ByteText, Number, Offset, Size, Small, Word32, spelled


class ByteOrder(StrEnum):
    """Which byte of a number comes first."""

    LITTLE = "little"
    BIG = "big"


class ChecksumKind(StrEnum):
    """What is written into a checksum field."""

    SUM_8 = "sum-8"
    SUM_16 = "sum-16"
    TWOS_COMPLEMENT_8 = "twos-complement-8"
    """The byte that, added to the sum of the range, gives 0 (its low 8 bits)."""
    TWOS_COMPLEMENT_16 = "twos-complement-16"
    CRC_16 = "crc-16"
    CRC_32 = "crc-32"


class OwnBytes(StrEnum):
    """What the field's own bytes count as while its checksum is worked out."""

    SKIP = "skip"
    ZERO = "zero"
    BLANK = "blank"
    """0xFF."""


class SerialForm(StrEnum):
    """How a serial number is written."""

    LITTLE = "little"
    BIG = "big"
    DECIMAL = "decimal"
    """Digits as text, zeros in front."""
    HEX = "hex"
    """Hexadecimal digits as text, zeros in front."""
    BCD = "bcd"
    """Two decimal digits a byte, the first digits first."""


class Patch(StepTable):
    """Write some bytes over what is there. With `was`, only over those, which also lets it be undone."""

    do: Literal["patch"] = "patch"
    """Which step it is."""
    offset_bytes: Offset
    """Where to write."""
    write: ByteText
    """What to write."""
    was: ByteText | None = None
    """What must stand there."""

    @model_validator(mode="after")
    def _same_length(self) -> "Patch":
        if self.was is not None and len(self.was) != len(self.write):
            raise refused("was", f"has {len(self.was)} bytes, the patch {len(self.write)}")
        return self

    @property
    def words(self) -> str:
        """The step as a sentence."""
        over = f" over '{spelled(self.was)}'" if self.was is not None else ""
        return f"Write '{spelled(self.write)}' at {in_hex(self.offset_bytes)}{over}."


class CrcTable(BaseModel):
    """The parameters of a CRC, as the published catalogues of CRC algorithms give them."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    polynomial: Word32
    """Without its highest bit."""
    initial: Word32 = 0
    """Register before the first byte."""
    reflect_in: bool = False
    """Whether bytes go in lowest bit first."""
    reflect_out: bool = False
    """Whether the register is turned round at the end."""
    final_xor: Word32 = 0
    """Exclusive-or at the end."""


CHECKSUM_BYTES = {
    ChecksumKind.SUM_8: 1,
    ChecksumKind.SUM_16: 2,
    ChecksumKind.TWOS_COMPLEMENT_8: 1,
    ChecksumKind.TWOS_COMPLEMENT_16: 2,
    ChecksumKind.CRC_16: 2,
    ChecksumKind.CRC_32: 4,
}
"""Length of the field by kind."""

CRC_WIDTHS = {ChecksumKind.CRC_16: 16, ChecksumKind.CRC_32: 32}
DEFAULT_CRCS = {ChecksumKind.CRC_16: "XMODEM", ChecksumKind.CRC_32: "ISO-HDLC"}


class Checksum(StepTable):
    """Work out a checksum and write it into its field at `offset_bytes`.

    The range is `start_bytes`, `length_bytes` (to the end if left out); where the field lies in it, its own
    bytes count as `own_bytes` says. Sums add bytes, or words of `unit_bytes` in `byte_order`. `crc` is a name
    (`XMODEM`, `ISO-HDLC`, ...) or a table of parameters.
    """

    do: Literal["checksum"] = "checksum"
    """Which step it is."""
    kind: ChecksumKind
    """What is worked out."""
    offset_bytes: Offset
    """Where its field begins."""
    start_bytes: Offset = 0
    """First byte that counts."""
    length_bytes: Size | None = None
    """How many count; left out: to the end."""
    own_bytes: OwnBytes = OwnBytes.SKIP
    """What the field's own bytes count as."""
    byte_order: ByteOrder = ByteOrder.LITTLE
    """Of the field, and of the words of a sum."""
    unit_bytes: Literal[1, 2] = 1
    """Bytes in what a sum adds."""
    crc: CrcTable | str | None = None
    """Name or parameters of the CRC; left out: XMODEM or ISO-HDLC."""

    @model_validator(mode="after")
    def _agrees(self) -> "Checksum":
        width = CRC_WIDTHS.get(self.kind)
        if width is None and self.crc is not None:
            raise refused("crc", f"has no meaning with kind {self.kind}; it belongs to crc-16 and crc-32")
        if width is not None and self.unit_bytes != 1:
            raise refused("unit_bytes", "belongs to sums; a CRC takes bytes in their order")
        if self.unit_bytes > CHECKSUM_BYTES[self.kind]:
            raise refused("unit_bytes", f"is 2; a {self.kind} adds bytes")
        if width is not None and isinstance(self.crc, str):
            try:
                crc_named(width, self.crc)
            except LookupError as error:
                raise refused("crc", str(error.args[0])) from None
        if width is not None and isinstance(self.crc, CrcTable):
            for name in ("polynomial", "initial", "final_xor"):
                if getattr(self.crc, name) >> width:
                    raise refused("crc", f"{name} has more than {width} bits")
        return self

    @property
    def crc_words(self) -> str:
        """Which CRC is meant."""
        if isinstance(self.crc, CrcTable):
            return f"with polynomial {self.crc.polynomial:#x}"
        return self.crc or DEFAULT_CRCS.get(self.kind, "")

    @property
    def words(self) -> str:
        """The step as a sentence."""
        if self.length_bytes is None:
            over = f"everything from {in_hex(self.start_bytes)}" if self.start_bytes else "everything"
        else:
            over = f"{in_hex(self.start_bytes)} to {in_hex(self.start_bytes + self.length_bytes - 1)}"
        name = " ".join(filter(None, (self.kind.value, self.crc_words)))
        return f"Write the checksum ({name}) of {over} at {in_hex(self.offset_bytes)}."


_SERIAL_BITS = 64
_SERIAL_VALUES = {SerialForm.DECIMAL: 10, SerialForm.HEX: 16, SerialForm.BCD: 100}


class Serial(StepTable):
    """Write a serial number, another one into each copy: `start` + copy x `step`."""

    do: Literal["serial"] = "serial"
    """Which step it is."""
    offset_bytes: Offset
    """Where its field begins."""
    length_bytes: Annotated[Small, Field(le=20)]
    """Length of the field."""
    start: Annotated[Number, Field(strict=True, ge=0, lt=1 << _SERIAL_BITS)] = 1
    """Number of the first copy."""
    step: Annotated[Number, Field(strict=True, ge=1, lt=1 << 32)] = 1
    """How much the number grows from copy to copy."""
    form: SerialForm = SerialForm.DECIMAL
    """How it is written."""

    @model_validator(mode="after")
    def _goes_in(self) -> "Serial":
        if self.start > self.largest:
            raise refused(
                "start", f"is {self.start}; {self.length_bytes} bytes ({self.form}) hold {self.largest}"
            )
        return self

    @property
    def largest(self) -> int:
        """The largest number that the field can hold."""
        values_a_byte = _SERIAL_VALUES.get(self.form, 256)
        return int(values_a_byte**self.length_bytes) - 1

    @property
    def words(self) -> str:
        """The step as a sentence."""
        counted = f"counting by {self.step} " if self.step > 1 else ""
        return (
            f"Write the serial number of each copy, {counted}from {self.start}, at"
            f" {in_hex(self.offset_bytes)} ({self.length_bytes} bytes, {self.form})."
        )


class PatchEach(StepTable):
    """Write other bytes into each copy, such as an address: `writes` has them, one for each copy."""

    do: Literal["patch-each"] = "patch-each"
    """Which step it is."""
    offset_bytes: Offset
    """Where to write."""
    writes: Annotated[tuple[ByteText, ...], Field(min_length=1, max_length=1_000)]
    """What to write into the first copy, the second, and so on; all of one length."""

    @model_validator(mode="after")
    def _same_length(self) -> "PatchEach":
        for copy, each in enumerate(self.writes):
            if len(each) != self.length_bytes:
                raise refused(
                    "writes", f"has {len(each)} bytes for copy {copy + 1}, {self.length_bytes} for the first"
                )
        return self

    @property
    def length_bytes(self) -> int:
        """Length of what is written."""
        return len(self.writes[0])

    @property
    def words(self) -> str:
        """The step as a sentence."""
        return (
            f"Write the own {self.length_bytes} bytes of each copy, of {len(self.writes)} that are listed, at"
            f" {in_hex(self.offset_bytes)}."
        )
