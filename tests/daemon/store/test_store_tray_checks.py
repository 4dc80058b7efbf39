"""Who lay where, whose chip a job worked on, and checks of trays: kept, found again, brought over."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.clock import ManualClock
from daemon.errors import BenchError, Code
from daemon.store.exposure_model import CheckState, ChipAt
from daemon.store.model import NewJob
from daemon.store.store import Store

PART = "st-m27c512"


def test_exposures_and_jobs_are_found_by_lot_and_by_chip(store: Store, new_job: NewJob) -> None:
    lamp = store.lamps.add("big", {}, None)
    lot = store.lots.add_lot("spares", PART, 4)
    chip = store.lots.add_chip("17", PART, lot.id)
    places = [ChipAt(0, PART), ChipAt(1, PART, lot.id, chip.id)]
    mine = store.exposures.create(lamp.id, {"chips": []}, places)
    other = store.exposures.create(lamp.id, {"chips": []}, [ChipAt(0, PART)])
    assert store.exposures.list() == (other, mine)
    assert store.exposures.list(lot_id=lot.id) == (mine,)
    assert store.exposures.list(chip_id=chip.id) == (mine,)
    assert store.exposures.list(chip_id="chip_nobody") == ()
    store.jobs.create(new_job)
    known = store.jobs.create(replace(new_job, chip_id=chip.id, lot_id=lot.id))
    assert store.jobs.list(chip_id=chip.id) == store.jobs.list(lot_id=lot.id) == (known,)


def test_a_check_is_kept_as_it_stands(store: Store, url: str, clock: ManualClock) -> None:
    lamp = store.lamps.add("big", {}, None)
    exposure = store.exposures.create(lamp.id, {"chips": []})
    check = store.tray_checks.create(exposure.id, "prog-1", (3, 1, 2))
    assert (check.state, check.number, check.places) == (CheckState.CHECKING, 1, (3, 1, 2))
    with pytest.raises(BenchError) as caught:
        store.tray_checks.create(exposure.id, "prog-1", (1,))
    assert caught.value.code is Code.EXPOSURE_STATE
    paused = store.tray_checks.save(
        replace(check, state=CheckState.PAUSED, results={"3": {"bits": 0}}, words="restarted")
    )
    assert store.tray_checks.newest(exposure.id) == paused
    assert store.tray_checks.all_open() == (paused,)
    clock.advance_s(5)
    done = store.tray_checks.save(replace(paused, state=CheckState.DONE))
    assert done.ended_at == clock.utc_now()
    assert store.tray_checks.all_open() == ()
    again = store.tray_checks.create(exposure.id, "prog-1", (1,))
    assert store.tray_checks.newest(exposure.id) == again
    told = [event.data["state"] for event in store.events.after(0) if event.type == "tray-check"]
    assert told == ["checking", "paused", "done", "checking"]


def test_where_chips_lay_is_brought_over_from_earlier_plans(
    tmp_path: Path, at_revision: Callable[[Path, str], None]
) -> None:
    path, now = tmp_path / "old.db", "2026-01-01 00:00:00.000000"
    at_revision(path, "0002")
    plan = (
        '{"chips": [{"part_id": "st-m27c512", "lot_id": "lot_a", "chip_id": null},'
        ' {"part_id": "st-m27c512"}]}'
    )
    with closing(sqlite3.connect(path)) as old:
        old.execute("INSERT INTO benches VALUES ('b_one', ?, ?, 0)", (now, now))
        old.execute("INSERT INTO lamps VALUES ('l_1', 'b_one', 'big', '{}', NULL, ?, ?)", (now, now))
        old.execute(
            "INSERT INTO exposures (id, bench_id, lamp_id, state, plan, created_at)"
            " VALUES ('x_old', 'b_one', 'l_1', 'dark', ?, ?)",
            (plan, now),
        )
        old.commit()
    with Store.open(f"sqlite:///{path.as_posix()}", ManualClock(), "b_one") as store:
        assert [each.id for each in store.exposures.list(lot_id="lot_a")] == ["x_old"]
        assert store.exposures.list(lot_id="lot_b") == ()
