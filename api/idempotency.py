"""Requests that a client may send twice and that must act once (the IETF's Idempotency-Key draft).

A repeated POST must never touch a chip twice. The first request claims its key in the store, acts, and leaves
its answer there; a repeat gets that answer. A request that was refused did nothing, so it gives its claim
back.
"""

import hashlib
from collections.abc import Callable
from typing import Annotated, TypeVar

from fastapi import Header, Request, Response
from pydantic import BaseModel

from api.schemas.jobs import JobView
from api.wiring import BenchHere
from daemon.errors import BenchError, Code
from daemon.store.model import JobRecord

REPLAYED = "Idempotency-Replayed"
_ACCEPTED = 202

M = TypeVar("M", bound=BaseModel)


class Once:
    """One request that makes a job or a batch, under the key that its client gave it, if any."""

    def __init__(self, bench: BenchHere, request: Request, key: str | None, body_sha256: str) -> None:
        self._bench = bench
        self._request = f"{request.method} {request.url.path}"
        self.key = key
        self._body_sha256 = body_sha256

    def make_job(self, make: Callable[[], JobRecord], response: Response) -> JobView:
        """Make the job, or show the one that was made under this key before; see `make`."""

        def made_before(key: str) -> JobView | None:
            job = self._bench.store.jobs.find_by_key(key)
            return JobView.of(job) if job is not None else None

        return _accepted(self.make(JobView, lambda: JobView.of(make()), made_before, response), response)

    def make(
        self, form: type[M], make: Callable[[], M], made_before: Callable[[str], M | None], response: Response
    ) -> M:
        """Make what the request asks for, or show what was made under this key before.

        `made_before` looks for what a daemon that died before it could keep its answer has left. Raises
        BenchError: `idempotency-missing`, `idempotency-in-flight`, `idempotency-reused`, and what `make`
        raises.
        """
        if self.key is None:
            if self._bench.settings.require_idempotency_key:
                raise BenchError(
                    Code.IDEMPOTENCY_MISSING,
                    "This bench wants an Idempotency-Key with each request that touches a chip.",
                    hint="Send a new random key with each new request, and the same one when you repeat it.",
                    field="Idempotency-Key",
                )
            return make()
        keys = self._bench.store.idempotency
        replay = keys.begin(self.key, self._request, self._body_sha256)
        if replay is not None:
            response.headers[REPLAYED] = "true"
            return form.model_validate(dict(replay.response))
        shown = made_before(self.key)
        if shown is not None:
            response.headers[REPLAYED] = "true"
        else:
            try:
                shown = make()
            except BenchError:
                keys.release(self.key)
                raise
            # After any other error the claim stays: whether it was made is not known, so a repeat must not
            # make another.
        keys.finish(self.key, _ACCEPTED, shown.model_dump(mode="json"))
        return shown


async def once(
    bench: BenchHere,
    request: Request,
    idempotency_key: Annotated[
        str | None,
        Header(
            min_length=1,
            max_length=200,
            pattern=r"^[\x21-\x7e]+$",
            description="A random text for this request, up to 200 characters. When you repeat a request,"
            " repeat its key: you get the first answer, and nothing is done twice.",
        ),
    ] = None,
) -> Once:
    """Return the request as one that acts once."""
    return Once(bench, request, idempotency_key, hashlib.sha256(await request.body()).hexdigest())


def _accepted(job: JobView, response: Response) -> JobView:
    response.headers["Location"] = f"/v1/jobs/{job.id}"
    return job
