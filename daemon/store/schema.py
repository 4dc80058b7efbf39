"""The tables, as SQLAlchemy Core sees them, and the revisions that led to them.

A change here needs a new file in `migrations/versions/` and its name at the end of `REVISIONS`; a test
holds the two descriptions of the schema together.
"""

from datetime import UTC, datetime
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Dialect
from sqlalchemy.types import TypeDecorator

REVISIONS: tuple[str, ...] = ("0001", "0002", "0003", "0004")
"""Every revision of the schema, oldest first. Kept here so that opening a store need not import Alembic."""


class UtcDateTime(TypeDecorator[datetime]):
    """A point in time: aware in Python, UTC in the database (SQLite keeps no time zone)."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn an aware time into UTC; a naive one is a mistake of the caller (ValueError)."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a time without a time zone cannot be stored")
        return value.astimezone(UTC)

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        """Give back an aware UTC time."""
        if value is None:
            return None
        stored: datetime = value
        return stored.replace(tzinfo=UTC) if stored.tzinfo is None else stored.astimezone(UTC)


METADATA = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)
"""Constraints are named, because a migration on SQLite can only drop what has a name."""

_COUNTER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")  # only INTEGER counts up by itself in SQLite
_JSON = sa.JSON(none_as_null=True)

BENCHES = sa.Table(
    "benches",
    METADATA,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("created_at", UtcDateTime, nullable=False),
    sa.Column("opened_at", UtcDateTime, nullable=False),
    # Events up to this id were pruned. The oldest event left cannot say so: ids are shared between benches.
    sa.Column("pruned_through", sa.BigInteger, nullable=False),
)

PROGRAMMERS = sa.Table(
    "programmers",
    METADATA,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("serial", sa.Text),
    sa.Column("name", sa.Text, unique=True),
    sa.Column("last_seen_at", UtcDateTime, nullable=False),
    sa.Column("info", _JSON, nullable=False),
)

IMAGES = sa.Table(
    "images",
    METADATA,
    # Contents are files of one bench, so each bench lists what it holds.
    sa.Column("bench_id", sa.Text, sa.ForeignKey("benches.id"), primary_key=True),
    sa.Column("sha256", sa.Text, primary_key=True),
    sa.Column("size_bytes", sa.BigInteger, nullable=False),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("format", sa.Text, nullable=False),
    sa.Column("created_at", UtcDateTime, nullable=False),
    sa.Column("facts", _JSON, nullable=False),
)

JOBS = sa.Table(
    "jobs",
    METADATA,
    sa.Column("number", _COUNTER, primary_key=True, autoincrement=True),
    sa.Column("id", sa.Text, nullable=False, unique=True),
    sa.Column("bench_id", sa.Text, sa.ForeignKey("benches.id"), nullable=False),
    sa.Column("programmer_id", sa.Text, sa.ForeignKey("programmers.id"), nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("params", _JSON, nullable=False),
    sa.Column("part_id", sa.Text),
    # No foreign key: history keeps the digest after the image itself was deleted.
    sa.Column("image_sha256", sa.Text),
    sa.Column("steps", _JSON, nullable=False),
    sa.Column("estimate", _JSON),
    sa.Column("outcome", _JSON),
    sa.Column("created_at", UtcDateTime, nullable=False),
    sa.Column("started_at", UtcDateTime),
    sa.Column("ended_at", UtcDateTime),
    sa.Column("idempotency_key", sa.Text),
    sa.Column("continues_id", sa.Text, sa.ForeignKey("jobs.id")),
    # Whose chip it was, where that is known: by its own number, and by its lot.
    sa.Column("chip_id", sa.Text),
    sa.Column("lot_id", sa.Text),
    # The last line of defence against doing a retried request twice.
    sa.UniqueConstraint("bench_id", "idempotency_key"),
    sa.Index(None, "bench_id", "state"),
    sa.Index(None, "programmer_id", "number"),
    sa.Index(None, "chip_id", "number"),
    sa.Index(None, "lot_id", "number"),
    sqlite_autoincrement=True,
)

EVENTS = sa.Table(
    "events",
    METADATA,
    sa.Column("id", _COUNTER, primary_key=True, autoincrement=True),
    sa.Column("bench_id", sa.Text, sa.ForeignKey("benches.id"), nullable=False),
    sa.Column("job_id", sa.Text),
    sa.Column("programmer_id", sa.Text),
    sa.Column("at", UtcDateTime, nullable=False),
    sa.Column("type", sa.Text, nullable=False),
    sa.Column("data", _JSON, nullable=False),
    sa.Index(None, "bench_id", "id"),
    sa.Index(None, "job_id", "id"),
    sqlite_autoincrement=True,  # without it SQLite gives the id of a deleted newest row out again
)

IDEMPOTENCY = sa.Table(
    "idempotency",
    METADATA,
    sa.Column("bench_id", sa.Text, sa.ForeignKey("benches.id"), primary_key=True),
    sa.Column("key", sa.Text, primary_key=True),
    sa.Column("boot_id", sa.Text, nullable=False),
    sa.Column("request", sa.Text, nullable=False),
    sa.Column("body_sha256", sa.Text, nullable=False),
    sa.Column("status", sa.Integer),
    sa.Column("response", _JSON),
    sa.Column("created_at", UtcDateTime, nullable=False),
    sa.Index(None, "bench_id", "created_at"),
)

LAMPS = sa.Table(
    "lamps",
    METADATA,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("bench_id", sa.Text, sa.ForeignKey("benches.id"), nullable=False),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("spec", _JSON, nullable=False),
    sa.Column("hours", sa.Float),
    sa.Column("created_at", UtcDateTime, nullable=False),
    sa.Column("tubes_since", UtcDateTime, nullable=False),
    sa.UniqueConstraint("bench_id", "name"),
)

METER_READINGS = sa.Table(
    "meter_readings",
    METADATA,
    sa.Column("id", _COUNTER, primary_key=True, autoincrement=True),
    sa.Column("lamp_id", sa.Text, sa.ForeignKey("lamps.id"), nullable=False),
    sa.Column("at", UtcDateTime, nullable=False),
    sa.Column("along_mm", sa.Float, nullable=False),
    sa.Column("across_mm", sa.Float, nullable=False),
    sa.Column("measured_mw_per_cm2", sa.Float, nullable=False),
    sa.Column("tolerance", sa.Float, nullable=False),
    sa.Index(None, "lamp_id", "id"),
)

LOTS = sa.Table(
    "lots",
    METADATA,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("bench_id", sa.Text, sa.ForeignKey("benches.id"), nullable=False),
    sa.Column("name", sa.Text, nullable=False),
    sa.Column("part_id", sa.Text, nullable=False),
    sa.Column("chips", sa.Integer, nullable=False),
    sa.Column("note", sa.Text, nullable=False),
    sa.Column("cycles", sa.Integer, nullable=False),
    sa.Column("failures", sa.Integer, nullable=False),
    sa.Column("created_at", UtcDateTime, nullable=False),
    sa.UniqueConstraint("bench_id", "name"),
)

CHIPS = sa.Table(
    "chips",
    METADATA,
    sa.Column("id", sa.Text, primary_key=True),
    sa.Column("bench_id", sa.Text, sa.ForeignKey("benches.id"), nullable=False),
    sa.Column("number", sa.Text, nullable=False),
    sa.Column("part_id", sa.Text, nullable=False),
    sa.Column("lot_id", sa.Text, sa.ForeignKey("lots.id")),
    sa.Column("cycles", sa.Integer, nullable=False),
    sa.Column("failures", sa.Integer, nullable=False),
    sa.Column("created_at", UtcDateTime, nullable=False),
    sa.UniqueConstraint("bench_id", "number"),
)

EXPOSURES = sa.Table(
    "exposures",
    METADATA,
    sa.Column("number", _COUNTER, primary_key=True, autoincrement=True),
    sa.Column("id", sa.Text, nullable=False, unique=True),
    sa.Column("bench_id", sa.Text, sa.ForeignKey("benches.id"), nullable=False),
    sa.Column("lamp_id", sa.Text, sa.ForeignKey("lamps.id"), nullable=False),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("plan", _JSON, nullable=False),
    sa.Column("outcome", _JSON),
    sa.Column("created_at", UtcDateTime, nullable=False),
    sa.Column("ended_at", UtcDateTime),
    sa.Index(None, "bench_id", "state"),
    sa.Index(None, "lamp_id", "number"),
    sqlite_autoincrement=True,
)

EXPOSURE_CHIPS = sa.Table(
    "exposure_chips",
    METADATA,
    sa.Column("exposure_id", sa.Text, sa.ForeignKey("exposures.id"), primary_key=True),
    sa.Column("place", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("part_id", sa.Text, nullable=False),
    sa.Column("lot_id", sa.Text),
    sa.Column("chip_id", sa.Text),
    sa.Index(None, "lot_id"),
    sa.Index(None, "chip_id"),
)

TRAY_CHECKS = sa.Table(
    "tray_checks",
    METADATA,
    sa.Column("number", _COUNTER, primary_key=True, autoincrement=True),
    sa.Column("id", sa.Text, nullable=False, unique=True),
    sa.Column("bench_id", sa.Text, sa.ForeignKey("benches.id"), nullable=False),
    sa.Column("exposure_id", sa.Text, sa.ForeignKey("exposures.id"), nullable=False),
    sa.Column("programmer_id", sa.Text, nullable=False),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("places", _JSON, nullable=False),
    sa.Column("results", _JSON, nullable=False),
    sa.Column("job_id", sa.Text),
    sa.Column("words", sa.Text, nullable=False),
    sa.Column("created_at", UtcDateTime, nullable=False),
    sa.Column("ended_at", UtcDateTime),
    sa.Index(None, "exposure_id", "number"),
    sa.Index(None, "bench_id", "state"),
    sqlite_autoincrement=True,
)

EXPOSURE_SPANS = sa.Table(
    "exposure_spans",
    METADATA,
    sa.Column("id", _COUNTER, primary_key=True, autoincrement=True),
    sa.Column("exposure_id", sa.Text, sa.ForeignKey("exposures.id"), nullable=False),
    sa.Column("began_at", UtcDateTime, nullable=False),
    sa.Column("ended_at", UtcDateTime),
    # None: still lit, or nobody has said yet how long it was.
    sa.Column("lit_s", sa.Float),
    sa.Column("cold", sa.Boolean, nullable=False),
    sa.Column("origin", sa.Text, nullable=False),
    sa.Index(None, "exposure_id", "id"),
)

EXPOSURE_READINGS = sa.Table(
    "exposure_readings",
    METADATA,
    sa.Column("id", _COUNTER, primary_key=True, autoincrement=True),
    sa.Column("exposure_id", sa.Text, sa.ForeignKey("exposures.id"), nullable=False),
    sa.Column("place", sa.Integer, nullable=False),
    sa.Column("at", UtcDateTime, nullable=False),
    sa.Column("effective_s", sa.Float, nullable=False),
    sa.Column("bits_left", sa.BigInteger, nullable=False),
    sa.Column("vcc_v", sa.Float, nullable=False),
    sa.Column("reads", sa.Integer, nullable=False),
    sa.Column("job_id", sa.Text),
    sa.Index(None, "exposure_id", "id"),
)

BATCHES = sa.Table(
    "batches",
    METADATA,
    sa.Column("number", _COUNTER, primary_key=True, autoincrement=True),
    sa.Column("id", sa.Text, nullable=False, unique=True),
    sa.Column("bench_id", sa.Text, sa.ForeignKey("benches.id"), nullable=False),
    sa.Column("programmer_id", sa.Text, sa.ForeignKey("programmers.id"), nullable=False),
    sa.Column("board_id", sa.Text, nullable=False),
    sa.Column("state", sa.Text, nullable=False),
    sa.Column("plan", _JSON, nullable=False),
    sa.Column("progress", _JSON, nullable=False),
    sa.Column("created_at", UtcDateTime, nullable=False),
    sa.Column("ended_at", UtcDateTime),
    sa.Column("idempotency_key", sa.Text),
    sa.UniqueConstraint("bench_id", "idempotency_key"),
    sa.Index(None, "bench_id", "state"),
    sqlite_autoincrement=True,
)

BATCH_CHIPS = sa.Table(
    "batch_chips",
    METADATA,
    sa.Column("id", _COUNTER, primary_key=True, autoincrement=True),
    sa.Column("batch_id", sa.Text, sa.ForeignKey("batches.id"), nullable=False),
    sa.Column("number", sa.Integer, nullable=False),
    sa.Column("position", sa.Text, nullable=False),
    sa.Column("set_number", sa.Integer, nullable=False),
    sa.Column("part_id", sa.Text, nullable=False),
    # No foreign key: the record outlives the image.
    sa.Column("image_sha256", sa.Text, nullable=False),
    sa.Column("verdict", sa.Text, nullable=False),
    sa.Column("cause", sa.Text, nullable=False),
    sa.Column("job_id", sa.Text),
    sa.Column("at", UtcDateTime, nullable=False),
    sa.Column("details", _JSON, nullable=False),
    sa.UniqueConstraint("batch_id", "number"),
    sa.Index(None, "image_sha256"),
    sa.Index(None, "job_id"),
)

# Alembic's own table, described so that a fresh store can be made, and a version read, without Alembic.
VERSION_METADATA = sa.MetaData()
VERSION = sa.Table(
    "alembic_version",
    VERSION_METADATA,
    sa.Column("version_num", sa.String(32), nullable=False),
    sa.PrimaryKeyConstraint("version_num", name="alembic_version_pkc"),
)
