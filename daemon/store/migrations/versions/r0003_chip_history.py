"""Which chips lay where in an exposure, whose chip a job worked on, and checks of whole trays."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_COUNTER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Add tables and columns, and note where the chips of earlier exposures lay."""
    for name in ("chip_id", "lot_id"):
        op.add_column("jobs", sa.Column(name, sa.Text))
        op.create_index(f"ix_jobs_{name}_number", "jobs", [name, "number"])
    _exposure_chips()
    _tray_checks()


def _exposure_chips() -> None:
    places = op.create_table(
        "exposure_chips",
        sa.Column("exposure_id", sa.Text, nullable=False),
        sa.Column("place", sa.Integer, nullable=False),
        sa.Column("part_id", sa.Text, nullable=False),
        sa.Column("lot_id", sa.Text),
        sa.Column("chip_id", sa.Text),
        sa.PrimaryKeyConstraint("exposure_id", "place", name="pk_exposure_chips"),
        sa.ForeignKeyConstraint(["exposure_id"], ["exposures.id"], name="fk_exposure_chips_exposure_id"),
    )
    op.create_index("ix_exposure_chips_lot_id", "exposure_chips", ["lot_id"])
    op.create_index("ix_exposure_chips_chip_id", "exposure_chips", ["chip_id"])
    exposures = sa.table("exposures", sa.column("id", sa.Text), sa.column("plan", sa.JSON))
    for exposure_id, plan in op.get_bind().execute(sa.select(exposures.c.id, exposures.c.plan)).all():
        rows = [
            {
                "exposure_id": exposure_id,
                "place": place,
                "part_id": chip["part_id"],
                "lot_id": chip.get("lot_id"),
                "chip_id": chip.get("chip_id"),
            }
            for place, chip in enumerate((plan or {}).get("chips", ()))
        ]
        if rows:
            op.bulk_insert(places, rows)


def _tray_checks() -> None:
    op.create_table(
        "tray_checks",
        sa.Column("number", _COUNTER, autoincrement=True, nullable=False),
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("bench_id", sa.Text, nullable=False),
        sa.Column("exposure_id", sa.Text, nullable=False),
        sa.Column("programmer_id", sa.Text, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("places", sa.JSON, nullable=False),
        sa.Column("results", sa.JSON, nullable=False),
        sa.Column("job_id", sa.Text),
        sa.Column("words", sa.Text, nullable=False),
        sa.Column("created_at", _TIME, nullable=False),
        sa.Column("ended_at", _TIME),
        sa.PrimaryKeyConstraint("number", name="pk_tray_checks"),
        sa.UniqueConstraint("id", name="uq_tray_checks_id"),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name="fk_tray_checks_bench_id"),
        sa.ForeignKeyConstraint(["exposure_id"], ["exposures.id"], name="fk_tray_checks_exposure_id"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_tray_checks_exposure_id_number", "tray_checks", ["exposure_id", "number"])
    op.create_index("ix_tray_checks_bench_id_state", "tray_checks", ["bench_id", "state"])


def downgrade() -> None:
    """Not taken back."""
    raise NotImplementedError(
        "a store is not taken back to an older schema; use the copy made before migrating"
    )
