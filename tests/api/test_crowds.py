"""Clients that stall, crawl or leave: what they cost is bounded, and the others are answered meanwhile."""

import contextlib
import socket
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from api.events import BATCH_EVENTS
from daemon.bench import Bench
from daemon.store.model import NewEvent
from tests.support.ports import until

#: So much may lie between the store and a client that does not read: what the two ends of a connection of
#: this machine buffer, and what uvicorn lets pile up before it waits (from memory: 64 KiB and twice 4 MiB).
BETWEEN_BYTES = 10 << 20
EVENT_BYTES = 2_000
EVENTS = 12_000


@contextlib.contextmanager
def raw(live: Any, request: str) -> Iterator[socket.socket]:
    """A connection that has sent so much and waits."""
    host, port = live.url.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port))) as connection:
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        connection.sendall(request.replace("HOST", f"{host}:{port}").encode())
        yield connection


def asks_for_events(live: Any) -> str:
    return (
        "GET /v1/events?after=0 HTTP/1.1\r\nHost: HOST\r\n"
        f"Authorization: {live.headers['Authorization']}\r\n\r\n"
    )


def answered(live: Any) -> None:
    """Another client gets its answer. (How soon is a matter of the machine: here only that it does.)"""
    assert httpx.get(f"{live.url}/healthz", timeout=30).is_success
    assert httpx.get(f"{live.url}/v1/jobs", headers=live.headers, timeout=30).is_success


def test_a_stream_that_nobody_reads_takes_no_more_than_its_buffers(
    live: Any, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """24 MB of events wait for it in the store, and the others are answered."""
    for _ in range(EVENTS // 400):
        bench.store.events.append(*[NewEvent("note", {"text": "x" * EVENT_BYTES}) for _ in range(400)])
    taken: list[int] = []
    events_after = bench.events_after

    def counted(*asked: Any, **options: Any) -> Any:
        events, lost = events_after(*asked, **options)
        taken.append(len(events))
        return events, lost

    monkeypatch.setattr(bench, "events_after", counted)
    hub = live.server._hub
    with raw(live, asks_for_events(live)) as stalled:
        assert stalled.recv(12) == b"HTTP/1.1 200"
        until(lambda: any(each.flow.write_paused for each in live.server.server_state.connections))
        before = sum(taken)
        bench.store.events.append(NewEvent("note", {}))
        answered(live)
        assert sum(taken) - before <= BATCH_EVENTS, "it goes on taking though nobody reads"
        assert sum(taken) * EVENT_BYTES < BETWEEN_BYTES + BATCH_EVENTS * EVENT_BYTES
        assert sum(taken) < EVENTS
        assert hub.open_streams == 1
    # It has gone: so has its place, as soon as the server tries to send to it.
    bench.store.events.append(NewEvent("note", {}))
    until(lambda: hub.open_streams == 0)


def test_streams_that_vanish_give_their_places_back(live: Any, bench: Bench) -> None:
    hub = live.server._hub
    for _ in range(3):
        with contextlib.ExitStack() as open_:
            for _ in range(20):
                stream = open_.enter_context(raw(live, asks_for_events(live)))
                assert stream.recv(12) == b"HTTP/1.1 200"
            until(lambda: hub.open_streams == 20)
            answered(live)
        until(lambda: hub.open_streams == 0)


def test_clients_that_never_finish_their_request_hold_nobody_up(live: Any) -> None:
    """A hundred with half a header, and twenty whose body does not come."""
    half = "GET /v1/jobs HTTP/1.1\r\nHost: HOST\r\nX-Half: "
    no_body = (
        "POST /v1/images HTTP/1.1\r\nHost: HOST\r\nContent-Length: 1000\r\n"
        f"Authorization: {live.headers['Authorization']}\r\n"
        "Content-Type: application/octet-stream\r\n\r\nhalf"
    )
    with contextlib.ExitStack() as open_:
        for _ in range(100):
            open_.enter_context(raw(live, half))
        for _ in range(20):
            open_.enter_context(raw(live, no_body))
        until(lambda: len(live.server.server_state.connections) >= 120)
        answered(live)
    answered(live)
    until(lambda: len(live.server.server_state.connections) < 10)
