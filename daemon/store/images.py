"""What is known about each image of this bench. The contents are in `daemon.store.blobs`."""

from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa
from sqlalchemy.engine import Row

from daemon.clock import Clock
from daemon.errors import BenchError, Code
from daemon.store.database import Database
from daemon.store.events import Events
from daemon.store.model import ENDED_STATES, EventType, ImageRecord, NewEvent
from daemon.store.schema import IMAGES, JOBS


class Images:
    """The images of this bench, by SHA-256 in lower-case hex."""

    def __init__(self, database: Database, events: Events, clock: Clock, bench_id: str) -> None:
        self._database = database
        self._events = events
        self._clock = clock
        self._bench_id = bench_id

    def add(
        self, sha256: str, *, size_bytes: int, name: str, image_format: str, facts: Mapping[str, Any]
    ) -> tuple[ImageRecord, bool]:
        """Store what is known about an image whose content is already kept; durable when this returns.

        Returns the record and whether it is new: the same content again changes nothing, its first name
        stays.
        """
        record = ImageRecord(sha256, size_bytes, name, image_format, self._clock.utc_now(), dict(facts))
        with self._database.write(durable=True) as writing:
            row = writing.connection.execute(self._one(sha256)).one_or_none()
            if row is not None:
                return _record(row), False
            values = {field: getattr(record, field) for field in ImageRecord.__slots__}
            writing.connection.execute(IMAGES.insert(), values | {"bench_id": self._bench_id})
            told = NewEvent(EventType.IMAGE_ADDED, {"sha256": sha256, "name": name, "size_bytes": size_bytes})
            self._events.add(writing, [told])
        self._events.prune_when_due(1)
        return record, True

    def get(self, sha256: str) -> ImageRecord:
        """Return an image's record; BenchError `not-found`."""
        with self._database.read() as connection:
            row = connection.execute(self._one(sha256)).one_or_none()
        if row is None:
            raise _unknown(sha256)
        return _record(row)

    def list(self, *, limit: int = 100, offset: int = 0) -> tuple[ImageRecord, ...]:
        """Return records, newest first."""
        query = (
            sa.select(IMAGES)
            .where(IMAGES.c.bench_id == self._bench_id)
            .order_by(IMAGES.c.created_at.desc(), IMAGES.c.sha256)
            .limit(limit)
            .offset(offset)
        )
        with self._database.read() as connection:
            return tuple(map(_record, connection.execute(query)))

    def delete(self, sha256: str) -> None:
        """Forget an image; the caller deletes the content afterwards. Durable when this returns.

        Raises BenchError: `not-found`; `image-in-use` while a job that has not ended needs it.
        """
        users = sa.select(JOBS.c.id).where(
            JOBS.c.bench_id == self._bench_id,
            JOBS.c.image_sha256 == sha256,
            JOBS.c.state.not_in([str(state) for state in ENDED_STATES]),
        )
        with self._database.write(durable=True) as writing:
            jobs = list(writing.connection.scalars(users))
            if jobs:
                raise BenchError(
                    Code.IMAGE_IN_USE,
                    f"{len(jobs)} job(s) that have not ended need this image, the first is {jobs[0]}",
                    hint="wait for them or cancel them, then delete the image",
                    details={"job_ids": jobs},
                )
            matching = (IMAGES.c.bench_id == self._bench_id, IMAGES.c.sha256 == sha256)
            if writing.connection.execute(IMAGES.delete().where(*matching)).rowcount == 0:
                raise _unknown(sha256)
            self._events.add(writing, [NewEvent(EventType.IMAGE_DELETED, {"sha256": sha256})])
        self._events.prune_when_due(1)

    def _one(self, sha256: str) -> sa.Select[Any]:
        return sa.select(IMAGES).where(IMAGES.c.bench_id == self._bench_id, IMAGES.c.sha256 == sha256)


def _record(row: Row[Any]) -> ImageRecord:
    return ImageRecord(**{field: row._mapping[field] for field in ImageRecord.__slots__})


def _unknown(sha256: str) -> BenchError:
    return BenchError(
        Code.NOT_FOUND, f"there is no image '{sha256}' on this bench", hint="upload it, or list the images"
    )
