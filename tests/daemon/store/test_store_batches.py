"""Records of batches: their progress, their chips, and an older store that gets the tables."""

import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest

from daemon.clock import ManualClock
from daemon.errors import BenchError
from daemon.store.batches import BatchChange
from daemon.store.model import NewEvent
from daemon.store.store import Store


def chip(number: int, verdict: str = "good", **more: object) -> dict[str, object]:
    known = {
        "number": number,
        "position": "U1",
        "set_number": number,
        "part_id": "p",
        "image_sha256": "0" * 64,
    }
    return {**known, "verdict": verdict, "cause": "ok", "job_id": None, **more}


@pytest.fixture
def batch_id(store: Store) -> str:
    made = store.batches.create(
        programmer_id="prog-1", board_id="tern-8", state="active", plan={"sets": 2}, progress={"at": 0}
    )
    return made.id


def test_progress_chips_and_events_come_back(store: Store, batch_id: str) -> None:
    told = NewEvent("batch-chip", {"batch_id": batch_id, "number": 1})
    change = BatchChange("active", {"at": 1}, (chip(1, words="fine"), chip(2, "reject")), 2)
    store.batches.update(batch_id, change, told)
    found = store.batches.get(batch_id)
    assert found.progress == {"at": 1}
    assert [(each["number"], each["verdict"]) for each in found.chips] == [(1, "good"), (2, "reject")]
    assert found.chips[0]["words"] == "fine"
    assert store.batches.get(str(found.number)) == found
    assert [event.type for event in store.events.after(0)][-1] == "batch-chip"


def test_a_chip_can_change_and_one_can_be_taken_back(store: Store, batch_id: str) -> None:
    store.batches.update(batch_id, BatchChange("active", {}, (chip(1), chip(2)), 2))
    store.batches.update(batch_id, BatchChange("active", {}, (chip(1, "reject"),), 1))
    [only] = store.batches.get(batch_id).chips
    assert only["verdict"] == "reject"


def test_open_ones_are_found_by_their_state(store: Store, batch_id: str) -> None:
    assert [each.id for each in store.batches.list(states=["active", "paused"])] == [batch_id]
    store.batches.update(batch_id, BatchChange("finished", {}, ended=True))
    assert store.batches.list(states=["active", "paused"]) == ()
    assert store.batches.get(batch_id).ended_at is not None
    with pytest.raises(BenchError, match="no batch"):
        store.batches.get("bt_nothing")


def test_a_key_makes_one_batch(store: Store) -> None:
    made = store.batches.create(
        programmer_id="prog-1", board_id="b", state="active", plan={}, progress={}, idempotency_key="k"
    )
    assert store.batches.find_by_key("k") == made
    assert store.batches.find_by_key("other") is None


def test_an_older_store_gets_the_tables(tmp_path: Path, at_revision: Callable[[Path, str], None]) -> None:
    path = tmp_path / "old.db"
    at_revision(path, "0003")
    with closing(sqlite3.connect(path)) as old:
        old.execute("INSERT INTO benches VALUES ('b_one', ?, ?, 0)", ("2026-01-01 00:00:00.000000",) * 2)
        old.commit()
    with Store.open(f"sqlite:///{path.as_posix()}", ManualClock(), "b_one") as store:
        assert store.batches.list() == ()
