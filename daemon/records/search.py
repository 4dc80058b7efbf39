"""Finding records: one query over jobs, with what batches, lots, chips and images know of them."""

from datetime import date, datetime, time, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Connection, Row

from daemon.records.model import Page, Record, Search
from daemon.store.schema import BATCH_CHIPS, BATCHES, CHIPS, IMAGES, JOBS, LOTS, PROGRAMMERS

LIMIT_MAX = 500
SUM_DIGITS = 4
"""Hexadecimal digits of a 16-bit sum."""

#: Days before and after all that can have been done; further out, local time leaves what a date can be.
_FIRST, _LAST_DAY = date(1970, 1, 2), date(9999, 12, 29)

_NUMBERS = JOBS.c.outcome["numbers"]
_CRC = _NUMBERS["crc32"].as_string()
_SUM = _NUMBERS["byte_sum_16"].as_string()
_READ = _NUMBERS["content_sha256"].as_string()

#: The batch chip of a job: the newest, should there be several.
_LAST = (
    sa.select(BATCH_CHIPS.c.job_id, sa.func.max(BATCH_CHIPS.c.id).label("id"))
    .where(BATCH_CHIPS.c.job_id.is_not(None))
    .group_by(BATCH_CHIPS.c.job_id)
    .subquery()
)
_ROWS = (
    sa.select(
        JOBS,
        IMAGES.c.name.label("image_name"),
        PROGRAMMERS.c.name.label("programmer_name"),
        CHIPS.c.number.label("chip"),
        LOTS.c.name.label("lot"),
        BATCHES.c.board_id,
        BATCH_CHIPS.c.position,
        BATCH_CHIPS.c.set_number,
        BATCH_CHIPS.c.verdict,
    )
    .outerjoin(IMAGES, (IMAGES.c.sha256 == JOBS.c.image_sha256) & (IMAGES.c.bench_id == JOBS.c.bench_id))
    .outerjoin(PROGRAMMERS, PROGRAMMERS.c.id == JOBS.c.programmer_id)
    .outerjoin(CHIPS, CHIPS.c.id == JOBS.c.chip_id)
    .outerjoin(LOTS, LOTS.c.id == sa.func.coalesce(JOBS.c.lot_id, CHIPS.c.lot_id))
    .outerjoin(_LAST, _LAST.c.job_id == JOBS.c.id)
    .outerjoin(BATCH_CHIPS, BATCH_CHIPS.c.id == _LAST.c.id)
    .outerjoin(BATCHES, BATCHES.c.id == BATCH_CHIPS.c.batch_id)
    .order_by(JOBS.c.number.desc())
)


def find(
    connection: Connection, bench_id: str, search: Search, *, limit: int, before: int | None = None
) -> Page:
    """Return up to `limit` records (1 to 500), newest first; go on with `before` of the page before."""
    query = _ROWS.where(*_conditions(bench_id, search))
    if before is not None:
        query = query.where(JOBS.c.number < before)
    rows = connection.execute(query.limit(limit + 1)).all()
    records = tuple(record_of(row) for row in rows[:limit])
    return Page(records, records[-1].number if len(rows) > limit else None)


def _conditions(bench_id: str, search: Search) -> list[sa.ColumnElement[bool]]:
    equal: list[tuple[Any, str | None]] = [
        (JOBS.c.bench_id, None if search.all_benches else bench_id),
        (JOBS.c.kind, search.kind),
        (JOBS.c.state, search.state),
        (JOBS.c.outcome["code"].as_string(), search.code),
        (sa.func.lower(LOTS.c.name), search.lot and search.lot.lower()),
        (sa.func.lower(CHIPS.c.number), search.chip and search.chip.lower()),
    ]
    found = [
        (_of_part, search.part),
        (_on_programmer, search.programmer),
        (_has_digest, search.digest),
        (_has_checksum, search.checksum),
        (_on_label, search.label),
        (_anywhere, search.text),
    ]
    wanted = [column == str(value) for column, value in equal if value is not None]
    wanted += [condition(text) for condition, text in found if text is not None]
    return wanted + _days(search.since, search.until)


def _of_part(text: str) -> sa.ColumnElement[bool]:
    return JOBS.c.part_id.icontains(text, autoescape=True)


def _on_programmer(text: str) -> sa.ColumnElement[bool]:
    return (JOBS.c.programmer_id == text) | (sa.func.lower(PROGRAMMERS.c.name) == text.lower())


def _has_digest(text: str) -> sa.ColumnElement[bool]:
    return sa.or_(JOBS.c.image_sha256.startswith(text.lower()), _READ.startswith(text.lower()))


def _has_checksum(text: str) -> sa.ColumnElement[bool]:
    digits = text.lower().removeprefix("0x").upper()
    has_crc: sa.ColumnElement[bool] = digits.zfill(8) == _CRC
    return has_crc | (digits.zfill(4) == _SUM) if len(digits) <= SUM_DIGITS else has_crc


def _days(since: date | None, until: date | None) -> list[sa.ColumnElement[bool]]:
    """Return the limits in time. A day is one of the bench's own clock: people remember that, not UTC."""
    wanted: list[sa.ColumnElement[bool]] = []
    if since is not None and since > _FIRST:
        wanted.append(JOBS.c.created_at >= datetime.combine(since, time()).astimezone())
    if until is not None and until < _LAST_DAY:
        day_after = max(until, _FIRST) + timedelta(days=1)
        wanted.append(JOBS.c.created_at < datetime.combine(day_after, time()).astimezone())
    return wanted


def _on_label(text: str) -> sa.ColumnElement[bool]:
    said = sa.literal("set ") + sa.cast(BATCH_CHIPS.c.set_number, sa.Text)
    columns = [IMAGES.c.name, BATCHES.c.board_id, BATCH_CHIPS.c.position]
    return sa.or_(said == text.lower(), *(column.icontains(text, autoescape=True) for column in columns))


def _anywhere(text: str) -> sa.ColumnElement[bool]:
    columns = [
        sa.cast(JOBS.c.params, sa.Text),
        sa.cast(JOBS.c.outcome, sa.Text),
        *(JOBS.c.id, JOBS.c.kind, JOBS.c.part_id, IMAGES.c.name, LOTS.c.name, CHIPS.c.number),
        *(BATCHES.c.board_id, BATCH_CHIPS.c.position, JOBS.c.programmer_id, PROGRAMMERS.c.name),
    ]
    return sa.or_(*(column.icontains(text, autoescape=True) for column in columns))


def record_of(row: Row[Any]) -> Record:
    """Read a record from a row of `_ROWS`."""
    values = row._mapping
    outcome = values[JOBS.c.outcome] or {}
    numbers = outcome.get("numbers") or {}
    checks = outcome.get("checks") or []
    return Record(
        number=values[JOBS.c.number],
        job_id=values[JOBS.c.id],
        bench_id=values[JOBS.c.bench_id],
        created_at=values[JOBS.c.created_at],
        ended_at=values[JOBS.c.ended_at],
        kind=values[JOBS.c.kind],
        state=values[JOBS.c.state],
        code=outcome.get("code"),
        summary=str(outcome.get("summary", "")),
        part_id=values[JOBS.c.part_id],
        image_name=values["image_name"],
        image_sha256=values[JOBS.c.image_sha256],
        content_sha256=numbers.get("content_sha256"),
        crc32=numbers.get("crc32"),
        byte_sum_16=numbers.get("byte_sum_16"),
        checked="; ".join(_check_words(each) for each in checks if each["verdict"] != "not-checked"),
        not_checked="; ".join(_check_words(each) for each in checks if each["verdict"] == "not-checked"),
        pulses=numbers.get("pulses"),
        most_pulses=numbers.get("most_pulses"),
        programmer_id=values[JOBS.c.programmer_id],
        programmer_name=values["programmer_name"],
        firmware=numbers.get("firmware"),
        hardware=numbers.get("hardware"),
        chip=values["chip"],
        lot=values["lot"],
        board_id=values[BATCHES.c.board_id],
        position=values[BATCH_CHIPS.c.position],
        set_number=values[BATCH_CHIPS.c.set_number],
        verdict=values[BATCH_CHIPS.c.verdict],
        took_s=numbers.get("took_s"),
    )


def _check_words(check: dict[str, Any]) -> str:
    supply = f" at {check['vcc_v']:.2f} V" if check.get("vcc_v") is not None else ""
    failed = " failed" if check["verdict"] == "failed" else ""
    return f"{check['name']}{supply}{failed}"
