"""Lamps, lots, chips and exposures in the store, and a store of the first schema that gets them."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest

from daemon.clock import ManualClock
from daemon.errors import BenchError, Code
from daemon.store.exposure_model import ExposureState, Span
from daemon.store.opening import OURS
from daemon.store.store import Store

SPEC = {"tubes": [{"preset": "8w-t5"}], "distance_mm": 25}


def code_of(call: Callable[[], object]) -> Code:
    with pytest.raises(BenchError) as caught:
        call()
    return caught.value.code


def test_a_store_of_the_first_schema_keeps_its_jobs_and_gets_lamps(
    tmp_path: Path, at_revision: Callable[[Path, str], None]
) -> None:
    path = tmp_path / "old.db"
    at_revision(path, "0001")
    now = "2026-01-01 00:00:00.000000"
    with closing(sqlite3.connect(path)) as old:
        old.execute("INSERT INTO benches VALUES ('b_one', ?, ?, 7)", (now, now))
        old.execute("INSERT INTO programmers VALUES ('prog-1', 'SN1', 'left', ?, '{}')", (now,))
        old.execute(
            "INSERT INTO jobs (id, bench_id, programmer_id, kind, state, params, steps, created_at)"
            " VALUES ('j_old', 'b_one', 'prog-1', 'read', 'queued', '{}', '[]', ?)",
            (now,),
        )
        old.execute(
            "INSERT INTO events (bench_id, at, type, data) VALUES ('b_one', ?, 'job-created', '{}')", (now,)
        )
        old.commit()
    with Store.open(f"sqlite:///{path.as_posix()}", ManualClock(), "b_one") as store:
        assert store.jobs.get("j_old").kind == "read"
        assert store.programmers.get("prog-1").name == "left"
        assert len(store.events.after(0)) == 1
        lamp = store.lamps.add("big", SPEC, 120.0)
        exposure = store.exposures.create(lamp.id, {"chips": []})
        assert store.exposures.get(exposure.id) == exposure
    with closing(sqlite3.connect(path)) as new:
        assert new.execute("SELECT version_num FROM alembic_version").fetchall() == [(OURS.newest,)]
        assert new.execute("PRAGMA foreign_key_check").fetchall() == []
    with closing(sqlite3.connect(path.with_name(f"old.db.before-{OURS.newest}"))) as copy:
        assert copy.execute("SELECT version_num FROM alembic_version").fetchall() == [("0001",)]


def test_a_lamp_comes_back_changed_as_asked(store: Store, clock: ManualClock) -> None:
    lamp = store.lamps.add(" big ", SPEC, None)
    assert store.lamps.get("big") == store.lamps.get(lamp.id) == lamp
    clock.advance_s(60)
    changed = store.lamps.change("big", name="old", hours=12.5, tubes_since=clock.utc_now())
    assert (changed.name, changed.hours, changed.spec) == ("old", 12.5, SPEC)
    assert changed.tubes_since == lamp.tubes_since + timedelta(seconds=60)
    assert store.lamps.change("old") == changed
    assert code_of(lambda: store.lamps.get("big")) is Code.NOT_FOUND


def test_names_are_checked(store: Store) -> None:
    store.lamps.add("big", SPEC, None)
    assert code_of(lambda: store.lamps.add("big", SPEC, None)) is Code.NAME_TAKEN
    for bad in ("", " ", "a/b", "x" * 65, "a\nb"):
        assert code_of(lambda bad=bad: store.lamps.add(bad, SPEC, None)) is Code.NAME_INVALID
    other = store.lamps.add("small", SPEC, None)
    assert code_of(lambda: store.lamps.change(other.id, name="big")) is Code.NAME_TAKEN


def test_a_lamp_with_a_past_stays(store: Store) -> None:
    lamp, other = store.lamps.add("big", SPEC, None), store.lamps.add("small", SPEC, None)
    store.lamps.add_meter_reading("small", along_mm=1, across_mm=2, measured_mw_per_cm2=3.5, tolerance=0.1)
    assert [read.measured_mw_per_cm2 for read in store.lamps.meter_readings(other.id)] == [3.5]
    store.exposures.create(lamp.id, {})
    assert code_of(lambda: store.lamps.delete("big")) is Code.LAMP_IN_USE
    store.lamps.delete("small")
    assert [each.name for each in store.lamps.list()] == ["big"]


def test_lots_and_chips_count_cycles_and_failures(store: Store) -> None:
    lot = store.lots.add_lot("tern-8 spares", "st-m27c512", 20, "from the fair")
    chip = store.lots.add_chip("17", "st-m27c512", "tern-8 spares")
    assert chip.lot_id == lot.id
    store.lots.count(lots=(lot.id,), chips=(chip.id,), cycles=1)
    store.lots.count(chips=(chip.id,), failures=1)
    assert (store.lots.lot("tern-8 spares").cycles, store.lots.lot(lot.id).failures) == (1, 0)
    assert (store.lots.chip("17").cycles, store.lots.chip("17").failures) == (1, 1)
    assert code_of(lambda: store.lots.add_chip("17", "st-m27c64a")) is Code.NAME_TAKEN
    assert code_of(lambda: store.lots.add_chip("18", "st-m27c64a", "nowhere")) is Code.NOT_FOUND
    assert [each.name for each in store.lots.lots()] == ["tern-8 spares"]
    assert [each.number for each in store.lots.chips()] == ["17"]


def test_an_exposure_moves_as_its_table_allows(store: Store, clock: ManualClock) -> None:
    lamp = store.lamps.add("big", SPEC, None)
    first = store.exposures.create(lamp.id, {"chips": [1]})
    assert first.state is ExposureState.PLANNED
    span = Span(0, clock.utc_now(), None, None, True, "counted")
    lit = store.exposures.move(first.id, ExposureState.LIT, begin=span)
    (began,) = lit.spans
    assert (began.lit_s, began.cold, began.ended_at) == (None, True, None)
    assert code_of(lambda: store.exposures.move(first.id, ExposureState.DONE)) is Code.EXPOSURE_STATE
    clock.advance_s(600)
    ended = Span(began.id, began.began_at, clock.utc_now(), 600.0, True, "counted")
    dark = store.exposures.move(first.id, ExposureState.DARK, end=ended)
    assert dark.spans == (ended,)
    read = store.exposures.add_reading(
        first.id, place=0, at=clock.utc_now(), effective_s=582, bits_left=12, vcc_v=4.2, reads=5, job_id=None
    )
    assert read.readings[0].bits_left == 12
    done = store.exposures.move(first.id, ExposureState.DONE, outcome={"words": "all blank"})
    assert done.ended_at == clock.utc_now()
    assert store.exposures.get(str(first.number)) == done
    states = [e.data["state"] for e in store.events.after(0) if e.type == "exposure-state"]
    assert states == ["planned", "lit", "dark", "done"]
    second = store.exposures.create(lamp.id, {})
    assert second.number == first.number + 1
    assert store.exposures.list(states={ExposureState.PLANNED}) == (second,)
    assert [each.id for each in store.exposures.list(lamp_id=lamp.id)] == [second.id, first.id]


def test_another_bench_sees_none_of_it(url: str, store: Store, clock: ManualClock) -> None:
    lamp = store.lamps.add("big", SPEC, None)
    exposure = store.exposures.create(lamp.id, {})
    with Store.open(url, clock, "b_two") as other:
        assert other.lamps.list() == ()
        assert code_of(lambda: other.exposures.get(exposure.id)) is Code.NOT_FOUND
        assert other.lamps.add("big", SPEC, None).name == "big"
