"""The first schema: benches, programmers, images, jobs, events, idempotency."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_COUNTER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_TIME = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make every table."""
    op.create_table(
        "benches",
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("created_at", _TIME, nullable=False),
        sa.Column("opened_at", _TIME, nullable=False),
        sa.Column("pruned_through", sa.BigInteger, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_benches"),
    )
    op.create_table(
        "programmers",
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("serial", sa.Text),
        sa.Column("name", sa.Text),
        sa.Column("last_seen_at", _TIME, nullable=False),
        sa.Column("info", sa.JSON, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_programmers"),
        sa.UniqueConstraint("name", name="uq_programmers_name"),
    )
    op.create_table(
        "images",
        sa.Column("bench_id", sa.Text, nullable=False),
        sa.Column("sha256", sa.Text, nullable=False),
        sa.Column("size_bytes", sa.BigInteger, nullable=False),
        sa.Column("name", sa.Text, nullable=False),
        sa.Column("format", sa.Text, nullable=False),
        sa.Column("created_at", _TIME, nullable=False),
        sa.Column("facts", sa.JSON, nullable=False),
        sa.PrimaryKeyConstraint("bench_id", "sha256", name="pk_images"),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name="fk_images_bench_id"),
    )
    _jobs()
    _events_and_requests()


def _jobs() -> None:
    op.create_table(
        "jobs",
        sa.Column("number", _COUNTER, autoincrement=True, nullable=False),
        sa.Column("id", sa.Text, nullable=False),
        sa.Column("bench_id", sa.Text, nullable=False),
        sa.Column("programmer_id", sa.Text, nullable=False),
        sa.Column("kind", sa.Text, nullable=False),
        sa.Column("state", sa.Text, nullable=False),
        sa.Column("params", sa.JSON, nullable=False),
        sa.Column("part_id", sa.Text),
        sa.Column("image_sha256", sa.Text),
        sa.Column("steps", sa.JSON, nullable=False),
        sa.Column("estimate", sa.JSON),
        sa.Column("outcome", sa.JSON),
        sa.Column("created_at", _TIME, nullable=False),
        sa.Column("started_at", _TIME),
        sa.Column("ended_at", _TIME),
        sa.Column("idempotency_key", sa.Text),
        sa.Column("continues_id", sa.Text),
        sa.PrimaryKeyConstraint("number", name="pk_jobs"),
        sa.UniqueConstraint("id", name="uq_jobs_id"),
        sa.UniqueConstraint("bench_id", "idempotency_key", name="uq_jobs_bench_id_idempotency_key"),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name="fk_jobs_bench_id"),
        sa.ForeignKeyConstraint(["programmer_id"], ["programmers.id"], name="fk_jobs_programmer_id"),
        sa.ForeignKeyConstraint(["continues_id"], ["jobs.id"], name="fk_jobs_continues_id"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_jobs_bench_id_state", "jobs", ["bench_id", "state"])
    op.create_index("ix_jobs_programmer_id_number", "jobs", ["programmer_id", "number"])


def _events_and_requests() -> None:
    op.create_table(
        "events",
        sa.Column("id", _COUNTER, autoincrement=True, nullable=False),
        sa.Column("bench_id", sa.Text, nullable=False),
        sa.Column("job_id", sa.Text),
        sa.Column("programmer_id", sa.Text),
        sa.Column("at", _TIME, nullable=False),
        sa.Column("type", sa.Text, nullable=False),
        sa.Column("data", sa.JSON, nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_events"),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name="fk_events_bench_id"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_events_bench_id_id", "events", ["bench_id", "id"])
    op.create_index("ix_events_job_id_id", "events", ["job_id", "id"])
    op.create_table(
        "idempotency",
        sa.Column("bench_id", sa.Text, nullable=False),
        sa.Column("key", sa.Text, nullable=False),
        sa.Column("boot_id", sa.Text, nullable=False),
        sa.Column("request", sa.Text, nullable=False),
        sa.Column("body_sha256", sa.Text, nullable=False),
        sa.Column("status", sa.Integer),
        sa.Column("response", sa.JSON),
        sa.Column("created_at", _TIME, nullable=False),
        sa.PrimaryKeyConstraint("bench_id", "key", name="pk_idempotency"),
        sa.ForeignKeyConstraint(["bench_id"], ["benches.id"], name="fk_idempotency_bench_id"),
    )
    op.create_index("ix_idempotency_bench_id_created_at", "idempotency", ["bench_id", "created_at"])


def downgrade() -> None:
    """There is nothing before the first schema."""
    raise NotImplementedError(
        "a store is not taken back to an older schema; use the copy made before migrating"
    )
