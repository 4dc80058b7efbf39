"""Records of work, as rows."""

from datetime import datetime

from pydantic import Field

from api.schemas.common import Shown
from daemon.records.archive import Manifest
from daemon.records.model import Page

_NAMED_MAX = 50


class RecordView(Shown):
    """One job in the figures that people look for; null where it is not known."""

    number: int = Field(description="The job's number.")
    job_id: str = Field(description="The job's id.")
    bench_id: str = Field(description="The bench that did it.")
    created_at: datetime = Field(description="When it was handed in.")
    ended_at: datetime | None = Field(description="When it ended.")
    kind: str = Field(description="What was done.")
    state: str = Field(description="Where it stands.")
    code: str | None = Field(description="Outcome code.")
    summary: str = Field(description="Outcome in words.")
    part_id: str | None = Field(description="The part.")
    image_name: str | None = Field(description="What the image is called.")
    image_sha256: str | None = Field(description="SHA-256 of the image.")
    content_sha256: str | None = Field(description="SHA-256 of what was read.")
    crc32: str | None = Field(description="CRC-32 of the whole chip.")
    byte_sum_16: str | None = Field(description="Sum of all bytes, low 16 bits.")
    checked: str = Field(description="What was looked at, and at which supply.")
    not_checked: str = Field(description="What was not looked at.")
    pulses: int | None = Field(description="Programming pulses in all.")
    most_pulses: int | None = Field(description="Pulses on the worst word.")
    programmer_id: str = Field(description="The programmer.")
    programmer_name: str | None = Field(description="What it is called.")
    firmware: str | None = Field(description="Its firmware then.")
    hardware: str | None = Field(description="Its hardware then.")
    chip: str | None = Field(description="The chip's own number.")
    lot: str | None = Field(description="The lot.")
    board_id: str | None = Field(description="The board, for a chip of a batch.")
    position: str | None = Field(description="Its position there.")
    set_number: int | None = Field(description="The set of the batch.")
    verdict: str | None = Field(description="What became of the chip in its batch.")
    took_s: float | None = Field(description="How long it took, seconds.")


class RecordList(Shown):
    """Records, newest first."""

    records: list[RecordView] = Field(description="The records.")
    next_before: int | None = Field(description="Give this as `before` for the next ones; null at the end.")

    @classmethod
    def of(cls, page: Page) -> "RecordList":
        """Show a page."""
        return cls.model_validate(
            {"records": page.records, "next_before": page.next_before}, from_attributes=True
        )


class BackupSummary(Shown):
    """What a backup holds; in the header `Backup` of its download, as JSON."""

    schema_revision: str = Field(description="Revision of the database.")
    bench_id: str = Field(description="The bench it is of.")
    made_at: str = Field(description="When it was made.")
    rows: dict[str, int] = Field(description="Rows of each table.")
    images: int = Field(description="Contents in it.")
    own_files: int = Field(description="Boards, parts and adapters of your own in it.")
    missing: list[str] = Field(
        description="Contents that were lost before it was made, by SHA-256; the first 50, a header is short."
    )
    missing_count: int = Field(description="How many were lost in all; the backup's own manifest names each.")

    @classmethod
    def of(cls, manifest: Manifest) -> "BackupSummary":
        """Show a manifest."""
        images = sum(name.startswith("images/") for name in manifest.entries)
        tables = sum(name.startswith("tables/") for name in manifest.entries)
        return cls(
            schema_revision=manifest.schema,
            bench_id=manifest.bench_id,
            made_at=manifest.made_at,
            rows=manifest.rows,
            images=images,
            own_files=len(manifest.entries) - images - tables,
            missing=list(manifest.missing[:_NAMED_MAX]),
            missing_count=len(manifest.missing),
        )
