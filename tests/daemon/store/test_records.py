"""Records on both databases: found by what people remember, given out as tables that general readers read."""

import csv
import io
import json
import time
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.clock import ManualClock
from daemon.errors import BenchError, Code
from daemon.records.export import as_csv, as_json
from daemon.records.model import Search
from daemon.records.search import find
from daemon.records.tables import Table, columns_of, rows_of
from daemon.store.model import JobChange, JobKind, JobRecord, JobState, NewJob
from daemon.store.schema import BATCH_CHIPS
from daemon.store.store import Store
from tests.daemon.store.conftest import BENCH

FIRST, SECOND = "ab" * 32, "cd" * 32


def done(store: Store, new: NewJob, code: str = "ok", **numbers: Any) -> JobRecord:
    """Record a job that came to its end."""
    job = store.jobs.create(new)
    store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
    checks = [
        {"name": "verify", "title": "Verify", "verdict": "passed", "words": "", "vcc_v": 6.0},
        {"name": "verify", "title": "Verify", "verdict": "failed", "words": "", "vcc_v": 4.2},
        {"name": "pin-check", "title": "Pins", "verdict": "not-checked", "words": "", "vcc_v": None},
    ]
    outcome = {"code": code, "summary": f"it is {code}", "checks": checks, "numbers": numbers}
    state = JobState.SUCCEEDED if code == "ok" else JobState.FAILED
    return store.jobs.update(job.id, JobChange(state=state, outcome=outcome))


def numbers_of(store: Store, **wanted: Any) -> list[int]:
    with store.database.read() as connection:
        page = find(connection, BENCH, Search(**wanted), limit=100)
    return [record.number for record in page.records]


@pytest.fixture
def filled(store: Store, new_job: NewJob, clock: ManualClock) -> Store:
    """Three jobs on three days; the second is of another image and failed, the third is a read."""
    lot = store.lots.add_lot("Tern-8 spares", "st-m27c512", 20)
    chip = store.lots.add_chip("17", "st-m27c512", lot.id)
    for digest, name in ((FIRST, "tern8 even.bin"), (SECOND, "100%_odd.bin")):
        store.images.add(digest, size_bytes=4, name=name, image_format="raw", facts={})
    done(store, replace(new_job, image_sha256=FIRST, chip_id=chip.id), crc32="1A2B3C4D", byte_sum_16="00FE")
    clock.advance_s(86_400)
    done(store, replace(new_job, image_sha256=SECOND, lot_id=lot.id), "verify-mismatch")
    clock.advance_s(86_400)
    read = replace(new_job, kind=JobKind.READ, part_id="intel-2716", params={})
    done(store, read, content_sha256=FIRST, crc32="0000BEEF", firmware="bench 1.2", took_s=2.5)
    return store


def test_every_way_to_look(filled: Store, clock: ManualClock) -> None:
    today = clock.utc_now().astimezone().date()
    for wanted, expected in (
        ({}, [3, 2, 1]),
        ({"part": "27C512"}, [2, 1]),
        ({"lot": "tern-8 SPARES"}, [2, 1]),  # a numbered chip is of its lot, too
        ({"chip": "17"}, [1]),
        ({"label": "even"}, [1]),
        ({"label": "100%_"}, [2]),
        ({"label": "%"}, [2]),  # no wildcard
        ({"digest": "abab"}, [3, 1]),  # programmed, and read back
        ({"digest": "CDCD"}, [2]),
        ({"checksum": "1a2b3c4d"}, [1]),
        ({"checksum": "0xFE"}, [1]),
        ({"checksum": "beef"}, [3]),
        ({"checksum": "dead"}, []),
        ({"code": "verify-mismatch"}, [2]),
        ({"kind": "read"}, [3]),
        ({"state": "failed"}, [2]),
        ({"since": today}, [3]),
        ({"until": today - timedelta(days=1)}, [2, 1]),
        ({"since": today - timedelta(days=1), "until": today - timedelta(days=1)}, [2]),
        ({"until": date.max}, [3, 2, 1]),
        ({"programmer": "prog-1"}, [3, 2, 1]),
        ({"text": "MISMATCH"}, [2]),
        ({"text": "bench 1.2"}, [3]),
        ({"text": "µ"}, [2, 1]),
        ({"part": "27C512", "state": "succeeded", "text": "ok"}, [1]),
    ):
        assert numbers_of(filled, **wanted) == expected, wanted


def test_a_record_tells_what_was_checked_and_by_what(filled: Store) -> None:
    with filled.database.read() as connection:
        newest, _, oldest = find(connection, BENCH, Search(), limit=9).records
    assert (oldest.chip, oldest.lot, oldest.image_name) == ("17", "Tern-8 spares", "tern8 even.bin")
    assert oldest.checked == "verify at 6.00 V; verify at 4.20 V failed"
    assert oldest.not_checked == "pin-check"
    assert (newest.firmware, newest.took_s, newest.content_sha256) == ("bench 1.2", 2.5, FIRST)


def test_pages_follow_each_other_without_a_gap(filled: Store, new_job: NewJob) -> None:
    for _ in range(4):
        done(filled, new_job)
    seen, before = [], None
    with filled.database.read() as connection:
        while True:
            page = find(connection, BENCH, Search(), limit=3, before=before)
            seen += [record.number for record in page.records]
            before = page.next_before
            if before is None:
                break
    assert seen == [7, 6, 5, 4, 3, 2, 1]


def test_a_chip_of_a_batch_is_found_by_board_position_and_set(filled: Store) -> None:
    batch = filled.batches.create(
        programmer_id="prog-1", board_id="tern-16", state="active", plan={}, progress={}
    )
    job = filled.jobs.list(limit=1)[0]
    with filled.database.write(durable=True) as writing:
        for number, verdict in ((1, "reject"), (2, "good")):
            writing.connection.execute(
                BATCH_CHIPS.insert().values(
                    batch_id=batch.id, number=number, position="U10", set_number=3, part_id="st-m27c512",
                    image_sha256=FIRST, verdict=verdict, cause="ok", job_id=job.id, at=batch.created_at,
                    details={},
                )
            )  # fmt: skip
    for words in ("U10", "set 3", "TERN-16"):
        assert numbers_of(filled, label=words) == [3], words
    assert numbers_of(filled, text="tern-16") == [3]
    with filled.database.read() as connection:
        (record,) = find(connection, BENCH, Search(label="U10"), limit=9).records
        rows = list(rows_of(connection, BENCH, Table.SETS, Search()))
    assert (record.position, record.set_number, record.verdict) == ("U10", 3, "good")
    assert [(row["batch"], row["set_number"], row["verdict"]) for row in rows] == [
        (1, 3, "reject"),
        (1, 3, "good"),
    ]


def test_tables_are_whole_and_a_general_reader_reads_them(filled: Store) -> None:
    for table in Table:
        with filled.database.snapshot() as connection:
            rows = list(rows_of(connection, BENCH, table, Search()))
        text = b"".join(as_csv(columns_of(table), rows)).decode()
        assert "\r\n" in text
        read = list(csv.DictReader(io.StringIO(text, newline="")))
        assert len(read) == len(rows) == len(json.loads(b"".join(as_json(rows))))
    with filled.database.snapshot() as connection:
        (lot,) = rows_of(connection, BENCH, Table.LOTS, Search())
        (chip,) = rows_of(connection, BENCH, Table.CHIPS, Search())
        jobs = list(rows_of(connection, BENCH, Table.JOBS, Search(state=JobState.FAILED)))
    assert (lot["name"], lot["chips"], lot["jobs"]) == ("Tern-8 spares", 20, 1)
    assert (chip["number"], chip["lot"], chip["jobs"]) == ("17", "Tern-8 spares", 1)
    assert [job["number"] for job in jobs] == [2]


def test_other_benches_are_shown_when_asked_for(
    filled: Store, new_job: NewJob, url: str, clock: ManualClock
) -> None:
    with Store.open(url, clock, "b_two") as other:
        done(other, new_job)
    assert numbers_of(filled) == [3, 2, 1]
    assert numbers_of(filled, all_benches=True) == [4, 3, 2, 1]


cells = st.none() | st.integers() | st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"))


@given(st.lists(st.lists(cells, min_size=3, max_size=3)))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_text_comes_back_and_none_begins_a_formula(table: list[list[Any]]) -> None:
    names = ("a", "b", "c")
    rows = [dict(zip(names, row, strict=True)) for row in table]
    text = b"".join(as_csv(names, rows)).decode()
    read = list(csv.reader(io.StringIO(text, newline="")))
    assert read[0] == list(names)
    for row, cells_read in zip(table, read[1:], strict=True):
        for value, cell in zip(row, cells_read, strict=True):
            # What spreadsheets take for a formula (OWASP, CSV injection): = + - @, tab and carriage return.
            if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
                assert cell == f"'{value}"
            else:
                assert cell == ("" if value is None else str(value))
    assert json.loads(b"".join(as_json(rows))) == rows


@pytest.mark.parametrize("zone", ["UTC", "NZST-12NZDT", "EST+5EDT"])
def test_days_at_the_ends_of_the_calendar(filled: Store, zone: str, monkeypatch: pytest.MonkeyPatch) -> None:
    if hasattr(time, "tzset"):
        monkeypatch.setenv("TZ", zone)
        time.tzset()
    try:
        for day in (date.min, date.max, date(1, 1, 2), date(9999, 12, 30)):
            assert numbers_of(filled, since=day) == ([3, 2, 1] if day.year == 1 else [])
            assert numbers_of(filled, until=day) == ([] if day.year == 1 else [3, 2, 1])
    finally:
        monkeypatch.undo()
        if hasattr(time, "tzset"):
            time.tzset()


def test_a_board_that_pads_its_texts_spoils_no_search(store: Store, new_job: NewJob) -> None:
    # PostgreSQL keeps U+0000 in JSON and then fails at every look into the column (manual, 8.14).
    store.programmers.upsert("prog-1", serial="SN1\0\0", info={"firmware": "bench 1\0"})
    job = done(store, new_job, crc32="1A2B3C4D", firmware="bench 1\0", hardware="a\\u0000\\\0")
    assert numbers_of(store, checksum="1A2B3C4D", code="ok") == [job.number]
    kept = store.jobs.get(job.id).outcome
    assert kept is not None
    assert kept["numbers"]["firmware"] == "bench 1\ufffd"
    assert kept["numbers"]["hardware"] == "a\\u0000\\\ufffd"


def test_a_name_with_the_letter_zero_is_refused_or_unknown(store: Store) -> None:
    for look in (store.jobs.get, store.lots.lot, store.batches.get):
        with pytest.raises(BenchError) as refused:
            look("x\0")
        assert refused.value.code in (Code.NOT_FOUND, Code.REQUEST_INVALID)
