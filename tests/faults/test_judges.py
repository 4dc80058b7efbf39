"""Each judge finds what it is there for: a broken promise is planted in a world where all else goes well."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from daemon.store.model import JobKind
from daemon.transport.memory import Wire
from simulator.supplies import SupplyName
from tests.support.faults import judges
from tests.support.faults.plan import Mishap, Plan, Stock, Trouble, Visit
from tests.support.faults.records import EventRow, JobRow
from tests.support.faults.script import BenchPeople
from tests.support.faults.tiny_parts import tiny_catalogue
from tests.support.faults.world import BrokenPromiseError, World

IMAGE = bytes(range(64))


def plan(*visits: Visit, part_id: str = "tiny-over") -> Plan:
    """A plan in which nothing goes wrong but what the visits say."""
    part = tiny_catalogue().get(part_id)
    return Plan(1, part, Wire(115_200, 0.001, 0.001), 0.0, 64, 4, True, visits)


def visit(kind: JobKind = JobKind.PROGRAM, *troubles: Trouble, stock: Stock = Stock.BLANK) -> Visit:
    return Visit(stock, kind, IMAGE, 0, troubles, 0, 7, bytes(64))


def found(world: World, sabotage: Callable[[BenchPeople], None]) -> str:
    """Run a world that somebody meddles with, and return what its judges say; empty for nothing."""
    people = BenchPeople(world)
    sabotage(people)
    try:
        world.run(people.script())
    except BrokenPromiseError as error:
        return str(error)
    return ""


def at_the_end(people: BenchPeople, deed: Callable[[], None]) -> None:
    """Do something just before the whole is judged."""
    judge = people._judge_all

    def meddled() -> None:
        deed()
        judge()

    people._judge_all = meddled


def test_nothing_is_found_where_nothing_is_wrong(tmp_path):
    world = World(plan(visit(), visit(JobKind.VERIFY, stock=Stock.SAME)), tmp_path)
    assert found(world, lambda people: None) == ""
    assert world.figures.codes == {"ok": 2}


def test_a_bit_that_is_not_the_images_is_found(tmp_path):
    world = World(plan(visit()), tmp_path)

    def sabotage(people):
        judge = people._judge_end

        def meddled(row, at):
            people._chip.cells.store(np.array([5], np.uint32), np.array([IMAGE[5] ^ 0x10], np.uint16))
            judge(row, at)

        people._judge_end = meddled

    assert "1 of bytes 0 to 63 are not the image's" in found(world, sabotage)


def test_a_word_that_gets_too_many_pulses_is_found(tmp_path):
    world = World(plan(visit()), tmp_path)

    def sabotage(people):
        begins = people._attempt_begins

        def meddled():
            begins()
            for _ in range(28):
                people._chip.cells.pulse(
                    np.array([9], np.uint32), np.array([IMAGE[9]], np.uint16), 12.5, 1e-3
                )

        world.at_attempt = meddled

    assert "word 9 got" in found(world, sabotage)


def test_a_supply_that_is_on_while_nobody_works_is_found(tmp_path):
    world = World(plan(visit()), tmp_path)

    def sabotage(people):
        at_the_end(people, lambda: world.board.supplies.named(SupplyName.VCC).set_mv(5000, world.now_s - 0.1))

    assert "which nobody needed" in found(world, sabotage)


def test_a_supply_that_outlives_a_dead_host_is_found(tmp_path):
    """A board whose watchdog sleeps; the host dies in the middle, and comes back ten seconds later."""
    dies = Trouble(Mishap.HOST_DIES, 0.0, 10.0, 90)
    world = World(plan(visit(JobKind.PROGRAM, dies)), tmp_path)

    def sabotage(people):
        world.board._link.watchdog_s = 60.0

    said = found(world, sabotage)
    assert "nothing was heard" in said
    assert "which nobody needed" in said


def test_and_with_its_watchdog_awake_nothing_is_found(tmp_path):
    dies = Trouble(Mishap.HOST_DIES, 0.0, 10.0, 90)
    world = World(plan(visit(JobKind.PROGRAM, dies)), tmp_path)
    assert found(world, lambda people: None) == ""
    assert world.figures.states == {"interrupted": 1, "succeeded": 1}


def sql(world: World, statement: str) -> None:
    assert world.host is not None
    with world.host.store.database.write(durable=True) as writing:
        writing.connection.exec_driver_sql(statement)


@pytest.mark.parametrize(
    ("statement", "says"),
    [
        ("DELETE FROM events WHERE id = 5", "not numbered"),
        ("DELETE FROM events WHERE id = (SELECT max(id) FROM events)", "events are lost"),
        ("UPDATE events SET type = 'job-step' WHERE type = 'job-created'", "goes from None to running"),
        ("DELETE FROM jobs", "was confirmed and is not there"),
        ("UPDATE jobs SET state = 'failed'", "had ended as succeeded and is failed"),
        ("UPDATE jobs SET state = 'running'", "is running for ever"),
        ("UPDATE jobs SET outcome = NULL", "without an end or an outcome"),
    ],
)
def test_records_that_are_lost_or_changed_are_found(tmp_path, statement, says):
    world = World(plan(visit()), tmp_path)
    assert says in found(world, lambda people: at_the_end(people, lambda: sql(world, statement)))


def test_an_event_that_a_reader_did_not_get_is_found(tmp_path):
    world = World(plan(visit()), tmp_path)
    assert "other events than there are" in found(
        world, lambda people: at_the_end(people, lambda: people.seen.remove(3))
    )


def test_a_fault_that_does_not_end_is_work_that_does_not_end(tmp_path):
    world = World(plan(visit(JobKind.PROGRAM, Trouble(Mishap.UNPLUG, 0.3, 900.0, 1))), tmp_path)

    def sabotage(people):
        world.replug = lambda: None

    assert "does not do for 300.0 s what it is asked" in found(world, sabotage)


# The chip's judge, claim by claim

OVER = tiny_catalogue().get("tiny-over")
BLANK = b"\xff" * 64


def claim(kind: str, state: str, code: str, held: bytes, **changes: object) -> judges.Claim:
    row = JobRow("j", 1, kind, state, [], {"code": code, "summary": "words", "numbers": {}}, "now")
    at_each = dict.fromkeys((5.0, 6.0, 4.2), held)
    made = judges.Claim(row, OVER, at_each, IMAGE, [(0, 64)], BLANK, False)
    return replace(made, **changes)


@pytest.mark.parametrize(
    "wrong",
    [
        claim("program", "succeeded", "ok", BLANK),
        claim("verify", "succeeded", "ok", BLANK),
        claim("write", "succeeded", "ok", BLANK),
        claim("erase", "succeeded", "ok", IMAGE),
        claim("blank-check", "succeeded", "blank", IMAGE),
        claim("read", "succeeded", "ok", IMAGE, kept=BLANK),
        claim("read", "succeeded", "ok", IMAGE, kept=None),
        claim("program", "failed", "", IMAGE),
        claim("program", "failed", "ok", IMAGE),
        claim("verify", "failed", "verify-mismatch", IMAGE),
        claim("program", "failed", "not-blank", BLANK),
        # Right at the nominal supply, and not at one of the maker's checks.
        replace(claim("program", "succeeded", "ok", IMAGE), held={5.0: IMAGE, 6.0: BLANK, 4.2: IMAGE}),
    ],
)
def test_a_wrong_claim_about_a_chip_is_found(wrong):
    assert judges.chip_judge(wrong)


@pytest.mark.parametrize(
    "right",
    [
        claim("program", "succeeded", "ok", IMAGE),
        claim("program", "failed", "link-lost", BLANK),
        claim("verify", "failed", "verify-mismatch", BLANK),
        claim("program", "failed", "not-blank", IMAGE, before=IMAGE),
        claim("read", "succeeded", "ok", IMAGE, kept=IMAGE),
        claim("blank-check", "succeeded", "blank", BLANK),
    ],
)
def test_a_right_claim_is_not(right):
    assert judges.chip_judge(right) == []


def test_jobs_whose_steps_never_ended_are_found():
    steps = [{"name": "program", "state": "running"}]
    row = JobRow("j", 1, "program", "failed", steps, {"code": "link-lost", "summary": "x"}, "now")
    assert judges.final_judge([row])
    assert not judges.final_judge([replace(row, steps=[{"name": "program", "state": "failed"}])])


def test_moves_that_do_not_follow_one_another_are_found():
    def event(number, type_, **data):
        return EventRow(number, "j", type_, data)

    row = JobRow("j", 1, "program", "succeeded", [], {}, "now")
    good = [
        event(1, "job-created", state="queued"),
        event(2, "job-state", **{"from": "queued", "state": "running"}),
        event(3, "job-state", **{"from": "running", "state": "succeeded"}),
    ]
    assert judges.event_judge(good, [1, 2, 3], [row]) == []
    skipped = [good[0], replace(good[2], id=2)]
    assert judges.event_judge(skipped, [1, 2], [row])
    assert judges.event_judge(good, [1, 3, 2], [row])


def test_a_stretch_that_nobody_fed_is_found():
    stretch = judges.Stretch("VCC", 1.0, 5.0)
    assert judges.watchdog_judge([stretch], [0.9, 1.5], 1.0, 0.0, 10.0)
    assert not judges.watchdog_judge([stretch], [0.9, 1.5, 2.5, 3.6], 1.0, 0.0, 10.0)
