"""Event streams over HTTP (server-sent events)."""

import json
from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Header, Path, Query, Request
from fastapi.responses import StreamingResponse
from fastapi.sse import KEEPALIVE_COMMENT, format_sse_event

from api.events import EventHub, StreamItem
from api.schemas.events import EventView
from daemon.errors import BenchError, Code

router = APIRouter(tags=["events"])

_ID_MAX = (1 << 63) - 1  # what the database can count to
_STREAM: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "Server-sent events. The `data` of each is an event as JSON; `id` is its number, to be"
        " sent as `Last-Event-ID` when reconnecting. A `gap` event says that events were lost and state must"
        " be fetched anew; a comment is sent every 15 s of silence.",
        "content": {"text/event-stream": {"schema": {"$ref": "#/components/schemas/EventView"}}},
    }
}


class EventStream(StreamingResponse):
    """A response of server-sent events, named for the documentation."""

    media_type = "text/event-stream"


def hub_of(request: Request) -> EventHub:
    """Return the hub of the application that serves this request."""
    hub: EventHub = request.app.state.hub
    return hub


Hub = Annotated[EventHub, Depends(hub_of)]


async def slot(hub: Hub) -> AsyncIterator[None]:
    """Hold a place for a stream until it has been sent."""
    with hub.slot():
        yield


def position(
    after: Annotated[
        int | None, Query(ge=0, le=_ID_MAX, description="Give events with a number above this.")
    ] = None,
    last_event_id: Annotated[
        str | None,
        Header(max_length=20, description="As `after`; sent by clients that reconnect, and wins over it."),
    ] = None,
) -> int | None:
    """Return the number after which the client wants events, None for the default beginning."""
    if not last_event_id:
        return after
    if not (last_event_id.isascii() and last_event_id.isdigit() and int(last_event_id) <= _ID_MAX):
        raise BenchError(
            Code.REQUEST_INVALID,
            f"Last-Event-ID cannot be {last_event_id[:40]!r}.",
            hint="It must be the number of an event: the `id` of the last one received.",
            field="Last-Event-ID",
        )
    return int(last_event_id)


Position = Annotated[int | None, Depends(position)]
Slot = Annotated[None, Depends(slot)]


def known_job(job_id: Annotated[str, Path(max_length=100, description="Job id.")], hub: Hub) -> str:
    """Return the id of a job that is there; a stream that has begun could no longer say that it is not."""
    hub.require_job(job_id)
    return job_id


@router.get("/v1/events", response_class=EventStream, responses=_STREAM)
async def bench_events(position: Position, hub: Hub, _slot: Slot) -> StreamingResponse:
    """Follow everything that happens on the bench.

    Without a position the stream begins now, with a `start` event: state fetched after that event is
    complete, and what changes later follows.
    """
    return _streamed(hub.batches(position))


@router.get("/v1/jobs/{job_id}/events", response_class=EventStream, responses=_STREAM, tags=["jobs"])
async def job_events(
    job_id: Annotated[str, Depends(known_job)], position: Position, hub: Hub, _slot: Slot
) -> StreamingResponse:
    """Follow one job from its first event, or from a position; the stream ends with the job."""
    return _streamed(hub.batches(position, job_id))


def _streamed(batches: AsyncIterator[list[StreamItem]]) -> StreamingResponse:
    """Send batches as they come, each at once: fifty streams of single messages are too much work."""

    async def text() -> AsyncIterator[bytes]:
        async for items in batches:
            yield b"".join(map(to_sse, items)) or KEEPALIVE_COMMENT

    headers = {"Cache-Control": "no-cache", "X-Accel-Buffering": "no"}
    return EventStream(text(), headers=headers)


def to_sse(item: StreamItem) -> bytes:
    """Write an item as a server-sent event."""
    data = json.dumps(item.data) if item.record is None else EventView.of(item.record).model_dump_json()
    return format_sse_event(data_str=data, event=str(item.type), id=str(item.id))
