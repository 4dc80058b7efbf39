"""Event streams on a real store: resuming, gaps, ends, slow clients and a server that stops."""

import asyncio
import json
import socket
import time
from collections.abc import AsyncIterator, Callable
from typing import Any

import httpx
import pytest
from httpx_sse import ServerSentEvent, connect_sse

from api.events import BATCH_EVENTS, PING_S, EventHub, GapReason, StreamItem
from daemon.bench import Bench
from daemon.errors import BenchError, Code
from daemon.store.model import JobChange, JobKind, JobRecord, JobState, NewEvent, NewJob


async def single(hub: EventHub, after: int | None, job_id: str | None = None) -> AsyncIterator[StreamItem]:
    """Give what a stream gives, one by one."""
    async for items in hub.batches(after, job_id):
        for item in items:
            yield item


@pytest.fixture
def job(bench: Bench) -> JobRecord:
    bench.store.programmers.upsert("prog-1", serial="SN1", info={})
    return bench.store.jobs.create(NewJob(JobKind.BLANK_CHECK, "prog-1"))


def add(bench: Bench, *numbers: int, job: JobRecord | None = None) -> list[int]:
    job_id = job.id if job else None
    events = [NewEvent("note", {"number": number}, job_id=job_id) for number in numbers]
    return [record.id for record in bench.store.events.append(*events)]


def end(bench: Bench, job: JobRecord) -> None:
    bench.store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
    bench.store.jobs.update(
        job.id, JobChange(state=JobState.SUCCEEDED, outcome={"code": "ok", "summary": "done"})
    )


async def take(stream: AsyncIterator[StreamItem], count: int) -> list[StreamItem]:
    found: list[StreamItem] = []
    while len(found) < count:
        found.append(await asyncio.wait_for(anext(stream), 5))
    return found


def numbers(items: list[StreamItem]) -> list[int]:
    return [item.record.data["number"] for item in items if item.record and item.record.type == "note"]


class World:
    """A hub that listens, with streams opened on it."""

    def __init__(self, bench: Bench, **options: Any) -> None:
        self.hub = EventHub(bench, **options)

    async def __aenter__(self) -> EventHub:
        self.hub.start()
        return self.hub

    async def __aexit__(self, *_: object) -> None:
        self.hub.stop()


def test_a_stream_begins_now_and_brings_what_comes(bench: Bench) -> None:
    async def go() -> None:
        add(bench, 1)
        async with World(bench) as hub:
            stream = single(hub, None)
            (start,) = await take(stream, 1)
            assert (start.type, start.id) == ("start", bench.newest_event_id())
            add(bench, 2)
            add(bench, 3)
            assert numbers(await take(stream, 2)) == [2, 3]

    asyncio.run(go())


def test_an_event_from_another_thread_wakes_a_waiting_stream(bench: Bench) -> None:
    async def go() -> None:
        async with World(bench) as hub:
            stream = single(hub, None)
            await take(stream, 1)
            waiting = asyncio.ensure_future(anext(stream))
            done, _ = await asyncio.wait([waiting], timeout=0.05)
            assert not done
            await asyncio.to_thread(add, bench, 7)
            assert numbers([await asyncio.wait_for(waiting, 5)]) == [7]

    asyncio.run(go())


def test_a_position_resumes_without_loss_or_repetition(bench: Bench) -> None:
    async def go() -> None:
        ids = add(bench, *range(2 * BATCH_EVENTS + 5))
        async with World(bench) as hub:
            items = await take(single(hub, ids[2]), len(ids) - 3)
            assert [item.id for item in items] == ids[3:]

    asyncio.run(go())


def test_pruned_history_is_admitted_with_a_gap(bench: Bench) -> None:
    async def go() -> None:
        ids = add(bench, *range(10))
        bench.store.events.prune(keep=3)
        async with World(bench) as hub:
            gap, *rest = await take(single(hub, ids[1]), 4)
            assert gap.type == "gap"
            assert gap.data == {"after": ids[1], "resumed_after": ids[6], "reason": GapReason.PRUNED}
            assert numbers(rest) == [7, 8, 9]
            # Who reconnects with the gap's own number is not told of it again.
            assert numbers(await take(single(hub, gap.id), 3)) == [7, 8, 9]

    asyncio.run(go())


def test_a_stream_that_falls_behind_while_open_gets_a_gap(bench: Bench) -> None:
    async def go() -> None:
        ids = add(bench, 0)
        async with World(bench) as hub:
            stream = single(hub, 0)
            assert numbers(await take(stream, 1)) == [0]
            add(bench, *range(1, 10))
            bench.store.events.prune(keep=2)
            items = await take(stream, 3)
            assert [item.type for item in items] == ["gap", "note", "note"]
            assert items[0].data is not None
            assert items[0].data["after"] == ids[0]

    asyncio.run(go())


def test_a_number_that_the_log_never_reached_is_a_gap(bench: Bench) -> None:
    async def go() -> None:
        newest = add(bench, 1)[-1]
        async with World(bench) as hub:
            stream = single(hub, newest + 1000)
            (gap,) = await take(stream, 1)
            assert (gap.type, gap.id) == ("gap", newest)
            assert gap.data is not None
            assert gap.data["reason"] == GapReason.UNKNOWN_POSITION
            add(bench, 2)
            assert numbers(await take(stream, 1)) == [2]

    asyncio.run(go())


def test_a_jobs_stream_has_its_events_only_and_ends_with_it(bench: Bench, job: JobRecord) -> None:
    async def go() -> None:
        add(bench, 1, job=job)
        add(bench, 2)
        end(bench, job)
        async with World(bench) as hub:
            items = [item async for item in single(hub, None, job.id)]
        assert [item.type for item in items] == ["job-created", "note", "job-state", "job-state"]
        assert items[-1].record is not None
        assert items[-1].record.data["state"] == "succeeded"

    asyncio.run(go())


def test_a_jobs_stream_goes_on_until_the_job_ends(bench: Bench, job: JobRecord) -> None:
    async def go() -> None:
        async with World(bench) as hub:
            stream = single(hub, None, job.id)
            await take(stream, 1)
            await asyncio.to_thread(end, bench, job)
            rest = [item.type async for item in stream]
        assert rest == ["job-state", "job-state"]

    asyncio.run(go())


def test_a_job_whose_beginning_was_pruned_has_a_gap(bench: Bench, job: JobRecord) -> None:
    async def go() -> None:
        add(bench, 1, 2, job=job)
        end(bench, job)
        bench.store.events.prune(keep=2)
        async with World(bench) as hub:
            items = [item.type async for item in single(hub, None, job.id)]
            assert items == ["gap", "job-state", "job-state"]

    asyncio.run(go())


def test_events_pruned_before_a_job_was_made_are_no_gap_to_it(bench: Bench) -> None:
    async def go() -> None:
        add(bench, *range(10))
        bench.store.events.prune(keep=1)
        bench.store.programmers.upsert("prog-1", serial=None, info={})
        job = bench.store.jobs.create(NewJob(JobKind.READ, "prog-1"))
        end(bench, job)
        async with World(bench) as hub:
            items = [item.type async for item in single(hub, None, job.id)]
            assert items == ["job-created", "job-state", "job-state"]

    asyncio.run(go())


def test_pruning_what_other_jobs_did_is_no_gap_to_a_quiet_one(bench: Bench, job: JobRecord) -> None:
    async def go() -> None:
        async with World(bench) as hub:
            stream = single(hub, None, job.id)
            await take(stream, 1)
            waiting = asyncio.ensure_future(anext(stream))
            await asyncio.to_thread(add, bench, *range(20))
            await asyncio.sleep(0.05)  # lets the stream see that nothing of this was for it
            bench.store.events.prune(keep=1)
            await asyncio.to_thread(end, bench, job)
            assert (await asyncio.wait_for(waiting, 5)).type == "job-state"

    asyncio.run(go())


def test_an_unknown_job_is_refused_before_the_stream_begins(bench: Bench) -> None:
    with pytest.raises(BenchError) as caught:
        EventHub(bench).require_job("j_nothing")
    assert caught.value.code is Code.NOT_FOUND


def test_streams_are_limited(bench: Bench) -> None:
    hub = EventHub(bench, max_streams=1)
    with hub.slot():
        with pytest.raises(BenchError) as caught, hub.slot():
            pass
        assert caught.value.code is Code.STREAMS_FULL
    with hub.slot():
        assert hub.open_streams == 1


def test_closing_ends_streams_that_wait_and_refuses_new_ones(bench: Bench) -> None:
    async def go() -> None:
        async with World(bench) as hub:
            stream = single(hub, None)
            await take(stream, 1)
            waiting = asyncio.ensure_future(anext(stream, None))
            await asyncio.sleep(0)
            await asyncio.to_thread(hub.close)
            assert await asyncio.wait_for(waiting, 5) is None
            with pytest.raises(BenchError) as caught, hub.slot():
                pass
            assert caught.value.code is Code.BENCH_STOPPING

    asyncio.run(go())


# Over HTTP


def until(condition: Callable[[], bool]) -> None:
    deadline_s = time.monotonic() + 10
    while not condition():
        assert time.monotonic() < deadline_s
        time.sleep(0.005)


def data_of(event: ServerSentEvent) -> dict[str, Any]:
    return dict(json.loads(event.data))


def test_over_http_events_are_numbered_and_typed(live: Any, bench: Bench, job: JobRecord) -> None:
    end(bench, job)
    url = f"{live.url}/v1/jobs/{job.id}/events"
    with (
        httpx.Client(headers=live.headers) as http,
        connect_sse(http, "GET", url) as source,
    ):
        assert source.response.headers["content-type"].startswith("text/event-stream")
        assert source.response.headers["cache-control"] == "no-cache"
        events = list(source.iter_sse())
    assert [event.event for event in events] == ["job-created", "job-state", "job-state"]
    first = data_of(events[0])
    assert first["id"] == int(events[0].id)
    assert first["job_id"] == job.id
    assert first["data"] == {"kind": "blank-check", "state": "queued"}
    resumed = {**live.headers, "Last-Event-ID": events[1].id}
    with httpx.Client(headers=resumed) as http, connect_sse(http, "GET", f"{url}?after=0") as source:
        assert [event.id for event in source.iter_sse()] == [events[2].id]
    with httpx.Client(headers=live.headers) as http, connect_sse(http, "GET", f"{url}?after=1") as source:
        assert len(list(source.iter_sse())) == 3 - 1


@pytest.mark.parametrize("position", ["x", "-1", "1.5", "99999999999999999999", "１"])
def test_a_position_that_is_no_number_is_refused(client: Any, position: str) -> None:
    answer = client.get("/v1/events", headers={"Last-Event-ID": position.encode()})
    assert (answer.status_code, answer.json()["field"]) == (422, "Last-Event-ID")
    assert client.get("/v1/events", params={"after": position}).status_code == 422


def test_over_http_an_unknown_job_is_a_problem_and_no_stream(client: Any) -> None:
    answer = client.get("/v1/jobs/j_nothing/events")
    assert (answer.status_code, answer.json()["code"]) == (404, "not-found")


def test_an_idle_stream_is_pinged(live: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    # Shortened so that the test need not wait 15 s.
    monkeypatch.setattr("api.events.PING_S", 0.05)
    with (
        httpx.Client(headers=live.headers) as http,
        http.stream("GET", f"{live.url}/v1/events") as answer,
    ):
        lines = answer.iter_lines()
        assert next(line for line in lines if line.startswith(":")) == ": ping"


def test_the_interval_of_the_ping_is_15_s() -> None:
    assert PING_S == 15.0


def test_the_server_stops_soon_with_streams_open(live: Any, bench: Bench) -> None:
    with httpx.Client(headers=live.headers) as http, connect_sse(http, "GET", f"{live.url}/v1/events") as one:
        events = one.iter_sse()
        assert next(events).event == "start"
        began_s = time.monotonic()
        live.server.ask_to_stop()
        assert list(events) == []  # the stream was ended properly, not cut off
        live.thread.join(5)
        assert time.monotonic() - began_s < 4  # half a second of grace; room for a busy machine
        assert not live.thread.is_alive()


def test_the_server_stops_soon_with_a_client_that_does_not_read(live: Any, bench: Bench) -> None:
    host, port = live.url.removeprefix("http://").split(":")
    for _ in range(40):
        bench.store.events.append(*[NewEvent("note", {"text": "x" * 2000}) for _ in range(50)])
    with socket.create_connection((host, int(port))) as stalled:
        stalled.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        stalled.sendall(
            f"GET /v1/events?after=0 HTTP/1.1\r\nHost: {host}:{port}\r\n"
            f"Authorization: {live.headers['Authorization']}\r\n\r\n".encode()
        )
        assert stalled.recv(12) == b"HTTP/1.1 200"
        until(lambda: any(each.flow.write_paused for each in live.server.server_state.connections))
        began_s = time.monotonic()
        live.server.ask_to_stop()
        live.thread.join(5)
        assert time.monotonic() - began_s < 4  # half a second of grace; room for a busy machine
        assert not live.thread.is_alive()
