"""Batches, and what became of each of their chips."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

_COUNTER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Add the tables; nothing that was there changes."""
    op.create_table(
        "batches",
        sa.Column("number", _COUNTER, autoincrement=True, nullable=False),
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("bench_id", sa.Text, nullable=False),
        sa.Column("programmer_id", sa.Text, nullable=False),
        sa.Column("board_id", sa.Text, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("plan", sa.JSON, nullable=False),
        sa.Column("progress", sa.JSON, nullable=False),
        sa.Column("created_at", _TIME, nullable=False),
        sa.Column("ended_at", _TIME),
        sa.Column("idempotency_key", sa.Text),
        sa.PrimaryKeyConstraint("number", name="pk_batches"),
        sa.UniqueConstraint("id", name="uq_batches_id"),
        sa.UniqueConstraint("bench_id", "idempotency_key", name="uq_batches_bench_id_idempotency_key"),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name="fk_batches_bench_id"),
        sa.ForeignKeyConstraint(["programmer_id"], ["programmers.id"], name="fk_batches_programmer_id"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_batches_bench_id_state", "batches", ["bench_id", "state"])
    op.create_table(
        "batch_chips",
        sa.Column("id", _COUNTER, autoincrement=True, nullable=False),
        sa.Column("batch_id", sa.Text, nullable=False),
        sa.Column("number", sa.Integer, nullable=False),
        sa.Column("position", sa.Text, nullable=False),
        sa.Column("set_number", sa.Integer, nullable=False),
        sa.Column("part_id", sa.Text, nullable=False),
        sa.Column("image_sha256", sa.Text, nullable=False),
        sa.Column("verdict", sa.Text, nullable=False),
        sa.Column("cause", sa.Text, nullable=False),
        sa.Column("job_id", sa.Text),
        sa.Column("at", _TIME, nullable=False),
        sa.Column("details", sa.JSON, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_batch_chips"),
        sa.UniqueConstraint("batch_id", "number", name="uq_batch_chips_batch_id_number"),
        sa.ForeignKeyConstraint(["batch_id"], ["batches.id"], name="fk_batch_chips_batch_id"),
    )
    op.create_index("ix_batch_chips_image_sha256", "batch_chips", ["image_sha256"])
    op.create_index("ix_batch_chips_job_id", "batch_chips", ["job_id"])


def downgrade() -> None:
    """Not taken back."""
    raise NotImplementedError(
        "a store is not taken back to an older schema; use the copy made before migrating"
    )
