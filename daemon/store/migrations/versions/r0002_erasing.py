"""UV erasing: lamps and their meter readings, lots, chips, exposures with their spans and readings."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_COUNTER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Add the tables; nothing that was there changes."""
    _lamps()
    _lots_and_chips()
    _exposures()


def _lamps() -> None:
    op.create_table(
        "lamps",
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("bench_id", sa.Text, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("spec", sa.JSON, nullable=False),
        sa.Column("hours", sa.Float),
        sa.Column("created_at", _TIME, nullable=False),
        sa.Column("tubes_since", _TIME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_lamps"),
        sa.UniqueConstraint("bench_id", "name", name="uq_lamps_bench_id_name"),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name="fk_lamps_bench_id"),
    )
    op.create_table(
        "meter_readings",
        sa.Column("id", _COUNTER, autoincrement=True, nullable=False),
        sa.Column("lamp_id", sa.Text, nullable=False),
        sa.Column("at", _TIME, nullable=False),
        sa.Column("along_mm", sa.Float, nullable=False),
        sa.Column("across_mm", sa.Float, nullable=False),
        sa.Column("measured_mw_per_cm2", sa.Float, nullable=False),
        sa.Column("tolerance", sa.Float, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_meter_readings"),
        sa.ForeignKeyConstraint(["lamp_id"], ["lamps.id"], name="fk_meter_readings_lamp_id"),
    )
    op.create_index("ix_meter_readings_lamp_id_id", "meter_readings", ["lamp_id", "id"])


def _lots_and_chips() -> None:
    op.create_table(
        "lots",
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("bench_id", sa.Text, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("part_id", sa.Text, nullable=False),
        sa.Column("chips", sa.Integer, nullable=False),
        sa.Column("note", sa.Text, nullable=False),
        sa.Column("cycles", sa.Integer, nullable=False),
        sa.Column("failures", sa.Integer, nullable=False),
        sa.Column("created_at", _TIME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_lots"),
        sa.UniqueConstraint("bench_id", "name", name="uq_lots_bench_id_name"),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name="fk_lots_bench_id"),
    )
    op.create_table(
        "chips",
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("bench_id", sa.Text, nullable=False),
        sa.Column("number", sa.Text, nullable=False),
        sa.Column("part_id", sa.Text, nullable=False),
        sa.Column("lot_id", sa.Text),
        sa.Column("cycles", sa.Integer, nullable=False),
        sa.Column("failures", sa.Integer, nullable=False),
        sa.Column("created_at", _TIME, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_chips"),
        sa.UniqueConstraint("bench_id", "number", name="uq_chips_bench_id_number"),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name="fk_chips_bench_id"),
        sa.ForeignKeyConstraint(["lot_id"], ["lots.id"], name="fk_chips_lot_id"),
    )


def _exposures() -> None:
    op.create_table(
        "exposures",
        sa.Column("number", _COUNTER, autoincrement=True, nullable=False),
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("bench_id", sa.Text, nullable=False),
        sa.Column("lamp_id", sa.Text, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("plan", sa.JSON, nullable=False),
        sa.Column("outcome", sa.JSON),
        sa.Column("created_at", _TIME, nullable=False),
        sa.Column("ended_at", _TIME),
        sa.PrimaryKeyConstraint("number", name="pk_exposures"),
        sa.UniqueConstraint("id", name="uq_exposures_id"),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name="fk_exposures_bench_id"),
        sa.ForeignKeyConstraint(["lamp_id"], ["lamps.id"], name="fk_exposures_lamp_id"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_exposures_bench_id_state", "exposures", ["bench_id", "state"])
    op.create_index("ix_exposures_lamp_id_number", "exposures", ["lamp_id", "number"])
    op.create_table(
        "exposure_spans",
        sa.Column("id", _COUNTER, autoincrement=True, nullable=False),
        sa.Column("exposure_id", sa.Text, nullable=False),
        sa.Column("began_at", _TIME, nullable=False),
        sa.Column("ended_at", _TIME),
        sa.Column("lit_s", sa.Float),
        sa.Column("cold", sa.Boolean, nullable=False),
        sa.Column("origin", sa.Text, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_exposure_spans"),
        sa.ForeignKeyConstraint(["exposure_id"], ["exposures.id"], name="fk_exposure_spans_exposure_id"),
    )
    op.create_index("ix_exposure_spans_exposure_id_id", "exposure_spans", ["exposure_id", "id"])
    op.create_table(
        "exposure_readings",
        sa.Column("id", _COUNTER, autoincrement=True, nullable=False),
        sa.Column("exposure_id", sa.Text, nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.Column("at", _TIME, nullable=False),
        sa.Column("effective_s", sa.Float, nullable=False),
        sa.Column("bits_left", sa.BigInteger, nullable=False),
        sa.Column("vcc_v", sa.Float, nullable=False),
        sa.Column("reads", sa.Integer, nullable=False),
        sa.Column("job_id", sa.Text),
        sa.PrimaryKeyConstraint("id", name="pk_exposure_readings"),
        sa.ForeignKeyConstraint(["exposure_id"], ["exposures.id"], name="fk_exposure_readings_exposure_id"),
    )
    op.create_index("ix_exposure_readings_exposure_id_id", "exposure_readings", ["exposure_id", "id"])


def downgrade() -> None:
    """Not taken back."""
    raise NotImplementedError(
        "a store is not taken back to an older schema; use the copy made before migrating"
    )
