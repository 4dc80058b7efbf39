"""A tray checked chip by chip with no key pressed: a whole bench, virtual chips under a virtual lamp."""

from dataclasses import replace

import pytest

from daemon.bench import Bench
from daemon.errors import BenchError, Code
from daemon.exposures.request import CheckGoesOn, ChipsMoved, LampOn, NewLot, NewTrayCheck
from daemon.jobs.request import JobRequest
from daemon.programmers.views import ProgrammerState
from daemon.store.exposure_model import CheckState
from daemon.store.model import JobKind, JobState
from simulator.chip.chip import Chip
from tests.support.one_bench import settings_in
from tests.support.ports import SharedClock, until
from tests.support.tray_story import PART, READY, WORDS, TrayStory, tray_story

BITS = PART.words * 8
#: 15 J/cm² (the part's sheet) at 4.88 mW/cm² (UV notes, worked example, 33 mm) are 51 min; windows and the
#: places' distances make the worst of these about twice that, and the laws of the cells need less.
LONG_S = 3 * 3600.0


@pytest.fixture
def story(tmp_path):
    with tray_story(tmp_path) as told:
        yield told


def counted_at_start(story: TrayStory) -> None:
    story.erasing.checks.begin(story.exposure, NewTrayCheck())
    assert story.serve().record.state is CheckState.DONE


def test_a_tray_from_the_first_count_to_the_last_list(story: TrayStory) -> None:
    counted_at_start(story)
    chips = story.erasing.exposures.get(story.exposure).chips
    assert [each.chip.bits_at_start for each in chips if each.chip.sentinel] == [BITS] * 3
    story.light(LONG_S)
    story.erasing.checks.begin(story.exposure, NewTrayCheck())
    check = story.serve()
    assert check.record.state is CheckState.DONE
    assert sorted(check.erased) == [1, 2, 3, 4]
    assert check.back == ()
    assert "Erased with margin: places" in check.advice
    view = story.erasing.exposures.get(story.exposure)
    assert len(view.record.readings) == 4
    assert all(each.bits_left == 0 and each.vcc_v < 5 for each in view.record.readings)
    # They are out of the tray by now, and stay out.
    assert all(each.chip.in_from_s is None for each in view.chips)


def test_sentinels_that_are_not_erased_stop_the_check_once(story: TrayStory) -> None:
    counted_at_start(story)
    story.light(600)
    story.erasing.checks.begin(story.exposure, NewTrayCheck())
    check = story.serve()
    assert check.record.state is CheckState.PAUSED
    assert check.checked == 3
    assert "not done" in check.advice
    story.erasing.checks.proceed(story.exposure, CheckGoesOn())
    check = story.serve()
    assert check.record.state is CheckState.DONE
    assert sorted(check.not_erased) == [1, 2, 3, 4]
    assert {each.place for each in check.back} == {1, 2, 3, 4}
    assert all(each.lit_s and each.lit_s > 60 for each in check.back)
    assert "put them back under the lamp for" in check.advice


def test_one_bad_chip_goes_back_and_the_others_stay_out(story: TrayStory) -> None:
    counted_at_start(story)
    chips = story.erasing.exposures.get(story.exposure).chips
    (bad,) = (each.place for each in chips if not each.chip.sentinel)
    story.tray.chips[bad - 1].window = 0.01  # glue on it
    story.light(LONG_S)
    story.erasing.checks.begin(story.exposure, NewTrayCheck())
    check = story.serve()
    assert check.not_erased == (bad,)
    assert sorted(check.erased) == [place for place in (1, 2, 3, 4) if place != bad]
    view = story.erasing.exposures.get(story.exposure)
    assert [each.place for each in view.chips if each.chip.in_from_s is not None] == [bad]
    assert [each.place for each in check.back] == [bad]


def test_a_check_survives_pause_continue_and_cancel(story: TrayStory) -> None:
    counted_at_start(story)
    story.light(LONG_S)
    checks = story.erasing.checks
    checks.begin(story.exposure, NewTrayCheck())
    story.serve(most=1)
    waiting = story.check().record.job_id
    paused = checks.pause(story.exposure)
    assert paused.record.state is CheckState.PAUSED
    assert paused.checked == 1
    until(lambda: story.one.bench.job(waiting).state is JobState.CANCELLED)
    with pytest.raises(BenchError) as caught:
        checks.begin(story.exposure, NewTrayCheck())
    assert caught.value.code is Code.EXPOSURE_STATE
    skipped = next(each.place for each in paused.chips if not each.state)
    checks.proceed(story.exposure, CheckGoesOn(skip=(skipped,)))
    story.serve(most=1)
    ended = checks.cancel(story.exposure)
    assert ended.record.state is CheckState.CANCELLED
    assert ended.checked == 2
    assert "Not looked at" in ended.advice
    assert skipped not in ended.record.places


def test_a_chip_of_another_place_stops_the_check(story: TrayStory) -> None:
    """Counts cannot rise (UV notes, section 4): a chip that never saw the lamp is not the one of before."""
    counted_at_start(story)
    story.light(LONG_S)
    story.erasing.checks.begin(story.exposure, NewTrayCheck(places=(1,)))
    story.serve()
    stranger = Chip(PART, 77)
    stranger.program_at_maker(WORDS)
    story.erasing.checks.begin(story.exposure, NewTrayCheck(places=(1,)))
    check = story.serve({1: stranger})
    assert check.record.state is CheckState.PAUSED
    assert check.checked == 0
    assert len(story.erasing.exposures.get(story.exposure).record.readings) == 1


def test_a_job_brings_its_count_to_its_exposure_by_itself(story: TrayStory) -> None:
    bench, light = story.one.bench, {"exposure": story.exposure, "place": 2}
    story.hands.now(lambda board, now_s: board.insert(story.tray.chips[1].chip, now_s))
    for kind in (JobKind.BLANK_CHECK, JobKind.ERASE_CHECK):
        job = story.one.ended(bench.submit(JobRequest(kind=kind, part=PART.id, light=light)))
        assert job.outcome["numbers"]["count_kept"] is True
        assert "The count is kept with exposure 1, place 2." in job.outcome["hint"]
        assert story.erasing.exposures.get("1").chips[1].chip.bits_at_start == BITS
    story.light(LONG_S)
    for kind in (JobKind.BLANK_CHECK, JobKind.ERASE_CHECK):
        job = story.one.ended(bench.submit(JobRequest(kind=kind, part=PART.id, light=light)))
        assert job.state is JobState.SUCCEEDED, job.outcome
        last = story.erasing.exposures.get("1").record.readings[-1]
        assert (last.place, last.bits_left, last.job_id) == (1, 0, job.id)
        assert last.vcc_v < 5.0


def test_a_count_that_came_too_late_is_not_kept(story: TrayStory) -> None:
    light = {"exposure": story.exposure, "place": 1}
    chip = story.tray.chips[0].chip
    story.hands.now(lambda board, now_s: board.insert(chip, now_s))
    hold = story.one.hold(step="erase-check")
    job = story.one.bench.submit(JobRequest(kind=JobKind.ERASE_CHECK, part=PART.id, light=light))
    hold.reached()
    story.erasing.exposures.lamp_on(story.exposure, LampOn(prepared=READY))
    hold.let_go()
    done = story.one.ended(job)
    assert done.outcome["numbers"]["count_kept"] is False
    assert "Switch the lamp off" in done.outcome["hint"]
    assert story.erasing.exposures.get(story.exposure).record.readings == ()


@pytest.mark.parametrize("cut", ["stopped", "killed while it waited", "killed when a job had just ended"])
def test_a_check_survives_the_end_of_the_daemon(tmp_path, cut: str) -> None:
    with tray_story(tmp_path) as story:
        counted_at_start(story)
        story.light(LONG_S)
        story.erasing.checks.begin(story.exposure, NewTrayCheck())
        story.serve(most=1)
        until(story.waiting)
        before = story.check()
        story.one.bench.stop()
        assert story.check().record.state is CheckState.PAUSED
        # Of a daemon that was killed nobody has written down that it stands still, or what came of a job.
        if cut == "killed while it waited":
            story.one.bench.store.tray_checks.save(before.record)
        elif cut == "killed when a job had just ended":
            looked = replace(before.record, results={}, job_id=before.chips[0].job_id)
            story.one.bench.store.tray_checks.save(looked)
    later = Bench.open(settings_in(tmp_path), clock=SharedClock())
    try:
        later.start()
        after = later.erasing.checks.get(story.exposure)
        assert after.record.state is CheckState.PAUSED
        assert (after.checked, after.chips[0]) == (1, before.chips[0])
        # No programmer is there yet: it goes on standing still, and says why.
        with pytest.raises(BenchError):
            later.erasing.checks.proceed(story.exposure, CheckGoesOn())
        assert later.erasing.checks.get(story.exposure).record.state is CheckState.PAUSED
    finally:
        later.stop()


def test_an_adapter_is_kept_for_all_chips_and_an_unknown_one_is_refused(story: TrayStory) -> None:
    checks = story.erasing.checks
    with pytest.raises(BenchError) as caught:
        checks.begin(story.exposure, NewTrayCheck(adapter="no such"))
    assert caught.value.code is Code.ADAPTER_UNKNOWN
    with pytest.raises(BenchError) as caught:
        checks.get(story.exposure)
    assert caught.value.code is Code.NOT_FOUND, "what could not begin is not recorded"
    checks.begin(story.exposure, NewTrayCheck(adapter="dip28-in-dip32"))
    until(story.waiting)
    checks.pause(story.exposure)
    checks.proceed(story.exposure, CheckGoesOn())
    until(story.waiting)
    job = story.one.bench.job(story.record().job_id or "")
    assert job.params["adapter"] == "dip28-in-dip32"


def test_a_lost_programmer_stops_the_check_and_loses_nothing(story: TrayStory) -> None:
    counted_at_start(story)
    story.light(LONG_S)
    story.erasing.checks.begin(story.exposure, NewTrayCheck())
    story.serve(most=2)
    until(story.waiting)
    story.one.lines[-1].unplug()
    until(lambda: story.check().record.state is CheckState.PAUSED)
    assert story.check().checked == 2
    assert "cable" in story.check().advice
    until(lambda: story.one.bench.programmers()[0].state is ProgrammerState.READY)
    story.erasing.checks.proceed(story.exposure, CheckGoesOn())
    assert story.serve().record.state is CheckState.DONE


def test_a_tray_can_be_checked_while_the_lamp_is_lit_for_the_others(story: TrayStory) -> None:
    counted_at_start(story)
    story.light(LONG_S)
    story.erasing.exposures.take_out(story.exposure, ChipsMoved(places=(1, 2)))
    story.erasing.exposures.lamp_on(story.exposure, LampOn())
    story.erasing.checks.begin(story.exposure, NewTrayCheck())
    check = story.serve()
    assert check.record.state is CheckState.DONE
    assert sorted(check.erased) == [1, 2]


def test_a_chip_that_will_not_erase_is_a_failure_in_its_history(tmp_path) -> None:
    lot = NewLot(name="spares", part=PART.id, chips=4)
    with tray_story(tmp_path, lot=lot, numbers=("17",)) as story:
        exposures, lots = story.erasing.exposures, story.one.bench.store.lots
        (place,) = (
            each.place for each in exposures.get(story.exposure).chips if each.chip.chip_id is not None
        )
        for row in (5, 700, 4000):
            story.tray.chips[place - 1].chip.cells.stuck(row, 2, 0)
        story.erasing.checks.begin(story.exposure, NewTrayCheck(places=(place,)))
        story.serve()
        found = []
        for _ in range(2):
            story.light(LONG_S)
            story.erasing.checks.begin(story.exposure, NewTrayCheck(places=(place,)))
            found.append(story.serve())
        assert [(check.not_erased, check.will_not_erase) for check in found] == [
            ((place,), ()),
            ((), (place,)),
        ]
        assert "stuck" in found[1].chips[0].words
        exposures.finish(story.exposure)
        assert (lots.chip("17").failures, lots.chip("17").cycles) == (1, 1)
        assert lots.lot("spares").failures == 1
        history = story.erasing.chip_history("17")
        assert [entry.failed for entry in history.entries if entry.kind == "exposure"] == [True]
        # A chip without a number has no history of its own, but its lot has.
        assert story.erasing.lot_history("spares").exposures == 1
