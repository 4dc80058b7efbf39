"""One row for each piece of work on a chip, and what may be asked for."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from daemon.store.model import JobKind, JobState

PLAIN = r"^[^\x00-\x1f\x7f]*$"
Words = Annotated[str, Field(min_length=1, max_length=200, pattern=PLAIN)]


class Search(BaseModel):
    """What to look for; all that is given must fit. Case does not matter in words."""

    model_config = ConfigDict(frozen=True, extra="forbid", use_attribute_docstrings=True)

    text: Words | None = None
    """Anywhere: parameters, outcome, names of images, parts, boards, positions, lots and chips."""
    part: Words | None = None
    """Part id, or a piece of it."""
    lot: Words | None = None
    """Name of the lot."""
    chip: Words | None = None
    """Number of the chip."""
    label: Words | None = None
    """What a label says: the image's name, or board, position or set of a batch, such as "U10" or "set 3"."""
    digest: Annotated[str, Field(pattern=r"^[0-9a-fA-F]{4,64}$")] | None = None
    """First digits of the SHA-256 of the image, or of what was read."""
    checksum: Annotated[str, Field(pattern=r"^(0[xX])?[0-9a-fA-F]{1,8}$")] | None = None
    """CRC-32 (8 digits) or 16-bit sum (up to 4) of the whole chip, hexadecimal."""
    since: date | None = None
    """From this day on, by the clock of the bench."""
    until: date | None = None
    """Up to this day, all of it."""
    kind: JobKind | None = None
    """What was done."""
    state: JobState | None = None
    """How it ended."""
    code: Annotated[str, Field(max_length=60, pattern=r"^[a-z0-9-]+$")] | None = None
    """Outcome code, such as `verify-mismatch`."""
    programmer: Words | None = None
    """Programmer id or name."""
    all_benches: bool = False
    """Those of other benches on the same database too."""


@dataclass(frozen=True, slots=True)
class Record:
    """One job in the figures that people look for. What is not known is None.

    `checked` says what was looked at and at which supply, `not_checked` what was not. `position` and
    `set_number` are those of a batch. `firmware` and `hardware` are what the programmer said of itself then.
    """

    number: int
    job_id: str
    bench_id: str
    created_at: datetime
    ended_at: datetime | None
    kind: str
    state: str
    code: str | None
    summary: str
    part_id: str | None
    image_name: str | None
    image_sha256: str | None
    content_sha256: str | None
    crc32: str | None
    byte_sum_16: str | None
    checked: str
    not_checked: str
    pulses: int | None
    most_pulses: int | None
    programmer_id: str
    programmer_name: str | None
    firmware: str | None
    hardware: str | None
    chip: str | None
    lot: str | None
    board_id: str | None
    position: str | None
    set_number: int | None
    verdict: str | None
    took_s: float | None


@dataclass(frozen=True, slots=True)
class Page:
    """Some records, newest first, and where the next begin."""

    records: tuple[Record, ...]
    next_before: int | None
