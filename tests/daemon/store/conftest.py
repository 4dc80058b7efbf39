"""Stores to test with: SQLite in a temporary folder, and PostgreSQL, in a schema of each test's own."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from daemon.clock import ManualClock
from daemon.store.model import JobKind, NewJob, Step
from daemon.store.opening import OURS, Migrations, run_alembic
from daemon.store.store import Store
from tests.support import postgres

BENCH = "b_one"


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    if request.param == "sqlite":
        yield f"sqlite:///{(tmp_path / 'bench.db').as_posix()}"
        return
    if lacking := postgres.missing():
        pytest.skip(lacking)
    with postgres.own_schema() as own:
        yield own


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def store(url: str, clock: ManualClock) -> Iterator[Store]:
    with Store.open(url, clock, BENCH) as opened:
        opened.programmers.upsert("prog-1", serial="SN1", info={"hardware": "bench unit"})
        yield opened


@pytest.fixture
def new_job() -> NewJob:
    return NewJob(
        JobKind.PROGRAM,
        "prog-1",
        params={"offset": 0, "note": "Tern-8 boot ROM, µ"},
        part_id="st-m27c512",
        steps=(
            Step("blank", "Blank check", total_bytes=65536),
            Step("program", "Program", total_bytes=65536),
        ),
        estimate={"total_s": 21.5},
    )


@pytest.fixture
def at_revision() -> Callable[[Path, str], None]:
    """Build a SQLite store as an older version left it: the schema of `revision`, by the real migrations."""

    def build(path: Path, revision: str) -> None:
        engine = sa.create_engine(f"sqlite:///{path.as_posix()}")
        until = OURS.revisions[: OURS.revisions.index(revision) + 1]
        with engine.begin() as connection:
            run_alembic(connection, Migrations(OURS.folder, until))
        engine.dispose()

    return build
