"""Requests that may be sent twice and must act once (the IETF's Idempotency-Key draft).

A request is claimed before it acts and finished with its answer. A repeat gets that answer. When the daemon
died between the two, the claim is void: the next try may act, and the unique key on `jobs` still keeps a
job that was made before the crash from being made again.
"""

from collections.abc import Mapping
from datetime import timedelta
from typing import Any

import sqlalchemy as sa

from daemon.clock import Clock
from daemon.errors import BenchError, Code
from daemon.store.database import Database
from daemon.store.model import Replay, new_id
from daemon.store.schema import IDEMPOTENCY

KEEP = timedelta(hours=24)
"""How long an answer is kept for a repeat; common practice, no source."""

FIELD = "Idempotency-Key"


class Idempotency:
    """Claims and answers of this bench."""

    def __init__(self, database: Database, clock: Clock, bench_id: str) -> None:
        self._database = database
        self._clock = clock
        self._bench_id = bench_id
        self._boot_id = new_id("boot")

    def begin(self, key: str, request: str, body_sha256: str) -> Replay | None:
        """Claim a key for a request ("POST /v1/jobs"), or return the answer that it already got.

        None means: go ahead, then call `finish` or `release`; if a daemon died over the first try, its job
        may exist already (`Jobs.find_by_key`) and is then the answer. Raises BenchError:
        `idempotency-in-flight` while the first is still running; `idempotency-reused` when the key came
        with another request or body.
        """
        now = self._clock.utc_now()
        with self._database.write(durable=True) as writing:
            connection = writing.connection
            connection.execute(
                IDEMPOTENCY.delete().where(
                    IDEMPOTENCY.c.bench_id == self._bench_id, IDEMPOTENCY.c.created_at < now - KEEP
                )
            )
            row = connection.execute(self._one(key)).one_or_none()
            if row is not None and (row.request, row.body_sha256) != (request, body_sha256):
                raise _reused(row.request)
            if row is not None and row.status is not None:
                return Replay(row.status, row.response)
            if row is not None and row.boot_id == self._boot_id:
                raise BenchError(
                    Code.IDEMPOTENCY_IN_FLIGHT,
                    "the first request with this idempotency key is still being answered",
                    hint="wait a moment, then send the same request again",
                    field=FIELD,
                )
            if row is not None:  # left by a daemon that died: this try takes over
                connection.execute(IDEMPOTENCY.delete().where(*self._match(key)))
            connection.execute(
                IDEMPOTENCY.insert().values(
                    bench_id=self._bench_id,
                    key=key,
                    boot_id=self._boot_id,
                    request=request,
                    body_sha256=body_sha256,
                    created_at=now,
                )
            )
        return None

    def finish(self, key: str, status: int, response: Mapping[str, Any]) -> None:
        """Keep the answer of a claimed request; durable when this returns. BenchError `not-found`."""
        with self._database.write(durable=True) as writing:
            done = writing.connection.execute(
                IDEMPOTENCY.update().where(*self._match(key)).values(status=status, response=dict(response))
            )
            if done.rowcount == 0:
                raise BenchError(
                    Code.NOT_FOUND, "no request was begun under this idempotency key", field=FIELD
                )

    def release(self, key: str) -> None:
        """Give up a claim whose request was refused and did nothing, so that it may be sent again."""
        with self._database.write(durable=True) as writing:
            writing.connection.execute(
                IDEMPOTENCY.delete().where(*self._match(key), IDEMPOTENCY.c.status.is_(None))
            )

    def lookup(self, key: str) -> Replay | None:
        """Return the answer kept under a key, if there is one."""
        with self._database.read() as connection:
            row = connection.execute(self._one(key)).one_or_none()
        return Replay(row.status, row.response) if row is not None and row.status is not None else None

    def _match(self, key: str) -> tuple[sa.ColumnElement[bool], ...]:
        return IDEMPOTENCY.c.bench_id == self._bench_id, IDEMPOTENCY.c.key == key

    def _one(self, key: str) -> sa.Select[Any]:
        return sa.select(IDEMPOTENCY).where(*self._match(key))


def _reused(first_request: str) -> BenchError:
    return BenchError(
        Code.IDEMPOTENCY_REUSED,
        f"this idempotency key was used before, for another request or another body ({first_request})",
        hint="send a new key with each new request; repeat a key only with the very same request",
        field=FIELD,
    )
