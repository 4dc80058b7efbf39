"""Ten thousand jobs that wait, and clients that leave while they hold a programmer."""

import pytest
import sqlalchemy as sa

from daemon.errors import BenchError, Code
from daemon.jobs.desk import QUEUE_MAX
from daemon.jobs.request import JobRequest
from daemon.store.model import ENDED_STATES, JobState
from tests.support.one_bench import PART, one_bench

PROGRAMMER = "SIM-1"
PIN_CHECK = JobRequest(kind="pin-check", part=PART, programmer=PROGRAMMER)
#: A lease of the shortest kind that a front end takes, s.
LEASE_S = 30.0


def fill(one, count):
    """Put so many more jobs of the same kind into the queue, in one go."""
    columns = "bench_id, programmer_id, kind, state, params, part_id, steps, estimate, created_at"
    with one.bench.store.database.write(durable=True) as writing:
        writing.connection.exec_driver_sql(
            f"INSERT INTO jobs (id, {columns}) WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n"
            f" WHERE i < {count}) SELECT 'j_copy' || i, {columns} FROM n, (SELECT * FROM jobs WHERE state ="
            " 'queued' ORDER BY number LIMIT 1)"
        )


@pytest.fixture
def one(tmp_path):
    with one_bench(tmp_path) as one:
        yield one


def held_queue(one):
    """Hold the worker in one job, with another one behind it."""
    hold = one.hold(step="pin-check")
    first = one.bench.submit(PIN_CHECK)
    hold.reached()
    return hold, first, one.bench.submit(PIN_CHECK)


def test_ten_thousand_jobs_wait_and_no_more_are_taken(one):
    hold, first, second = held_queue(one)
    fill(one, QUEUE_MAX - 1)
    assert one.bench.programmer(PROGRAMMER).queued_jobs == QUEUE_MAX == 10_000
    with pytest.raises(BenchError) as caught:
        one.bench.submit(PIN_CHECK)
    assert caught.value.code is Code.JOB_QUEUE_FULL
    assert "10,000 jobs already wait" in caught.value.message
    # A place that is given back can be taken again.
    one.bench.cancel("j_copy5")
    last = one.bench.submit(PIN_CHECK)
    assert len(one.bench.jobs(limit=50)) == 50, "lists come in pages"
    assert one.bench.jobs(limit=1)[0].id == last.id
    hold.let_go()
    # And they are done in their order.
    assert one.ended(first).state is JobState.SUCCEEDED
    assert one.ended(second).state is JobState.SUCCEEDED
    one.reaches(one.bench.job("j_copy1"), JobState.SUCCEEDED)
    assert one.bench.job(last.id).state is JobState.QUEUED


def test_the_next_of_ten_thousand_is_found_without_looking_at_all_of_them(one):
    """By an index, so that the queue's length costs next to nothing."""
    hold, _, second = held_queue(one)
    fill(one, QUEUE_MAX - 1)
    asked = []
    store = one.bench.store

    def note(_connection, _cursor, statement, parameters, *_rest):
        asked.append((statement, parameters))

    sa.event.listen(store.database.engine, "before_cursor_execute", note)
    assert store.jobs.next_queued(PROGRAMMER).id == second.id
    sa.event.remove(store.database.engine, "before_cursor_execute", note)
    (statement, parameters) = next(each for each in asked if "FROM jobs" in each[0])
    with store.database.read() as connection:
        plan = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters).all()
    assert all("USING INDEX" in row[3] for row in plan if row[3].startswith("S")), plan
    assert not any("TEMP B-TREE" in row[3] for row in plan), "it must not sort them all"
    hold.let_go()


def test_who_left_with_a_lease_keeps_nobody_out_for_longer_than_it_lasts(one):
    one.bench.lease(PROGRAMMER, "a client that leaves", LEASE_S)
    with pytest.raises(BenchError) as caught:
        one.bench.submit(PIN_CHECK)
    assert caught.value.code is Code.LEASE_HELD
    assert 0 < caught.value.details["expires_in_s"] <= LEASE_S
    one.clock.advance_s(LEASE_S + 0.1)
    assert one.ended(one.bench.submit(PIN_CHECK)).state is JobState.SUCCEEDED
    assert one.bench.lease_of(PROGRAMMER) is None


def test_jobs_of_a_client_that_left_are_done_and_can_be_cancelled_by_anyone(one):
    hold = one.hold(step="pin-check")
    lease = one.bench.lease(PROGRAMMER, "a client that leaves", LEASE_S)
    jobs = [one.bench.submit(PIN_CHECK, lease_id=lease.id) for _ in range(3)]
    hold.reached()
    one.bench.cancel(jobs[2].id)
    hold.let_go()
    ended = [one.ended(job) for job in jobs]
    assert all(job.state in ENDED_STATES for job in ended)
    assert [job.state for job in ended] == [JobState.SUCCEEDED, JobState.SUCCEEDED, JobState.CANCELLED]
