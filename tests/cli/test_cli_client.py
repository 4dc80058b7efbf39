"""The client: problems become failures with their hints, and nothing else is taken for an answer."""

import json

import httpx
import pytest

from cli.client import BenchClient, Event
from cli.exit_codes import Exit
from cli.failure import Failure

URL = "http://127.0.0.1:1"


def answering(answer: httpx.Response | Exception) -> tuple[BenchClient, list[httpx.Request]]:
    asked: list[httpx.Request] = []

    def handle(request: httpx.Request) -> httpx.Response:
        asked.append(request)
        if isinstance(answer, Exception):
            raise answer
        return answer

    return BenchClient(URL, "secret", transport=httpx.MockTransport(handle)), asked


def test_the_token_goes_with_every_request() -> None:
    client, asked = answering(httpx.Response(200, json={"parts": []}))
    with client:
        assert client.get("/v1/parts", q="27c512", other=None) == {"parts": []}
    assert asked[0].headers["Authorization"] == "Bearer secret"
    assert str(asked[0].url) == f"{URL}/v1/parts?q=27c512"


def test_a_problem_becomes_a_failure_with_its_hint() -> None:
    problem = {
        "type": "/docs#problem-part-unknown", "title": "Part unknown", "status": 404, "code": "part-unknown",
        "detail": 'there is no part "x"', "hint": "Search.", "field": "part", "details": {"n": 1},
    }  # fmt: skip
    answer = httpx.Response(
        404, content=json.dumps(problem), headers={"Content-Type": "application/problem+json"}
    )
    client, _ = answering(answer)
    with client, pytest.raises(Failure) as caught:
        client.get("/v1/parts/x")
    failure = caught.value
    assert (failure.status, failure.code, failure.field) == (Exit.REFUSED, "part-unknown", "part")
    assert (failure.message, failure.hint) == ('there is no part "x"', "Search.")
    assert failure.details == {"n": 1}


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (httpx.ConnectError("refused"), "cannot be reached"),
        (httpx.ReadTimeout("slow"), "does not answer in time"),
        (httpx.Response(200, text="<html>hello</html>"), "not as a bench daemon"),
        (httpx.Response(500, text="oops"), "not as a bench daemon"),
    ],
)
def test_what_is_no_bench_is_unreachable(answer: httpx.Response | Exception, words: str) -> None:
    client, _ = answering(answer)
    with client, pytest.raises(Failure, match=words) as caught:
        client.get("/v1/parts")
    assert caught.value.status is Exit.UNREACHABLE


def test_an_answer_without_content_is_none() -> None:
    client, asked = answering(httpx.Response(204))
    with client:
        client.delete("/v1/images/0123456789abcdef")
    assert asked[0].method == "DELETE"


def test_uploads_are_plain_bytes() -> None:
    client, asked = answering(httpx.Response(201, json={"sha256": "00"}))
    with client:
        client.upload("/v1/images", b"\x00\xff", name="a b.bin", format=None)
    assert asked[0].content == b"\x00\xff"
    assert asked[0].headers["Content-Type"] == "application/octet-stream"
    assert asked[0].url.params["name"] == "a b.bin"


def test_events_are_numbered_and_comments_skipped() -> None:
    text = (
        'id: 7\nevent: job-state\ndata: {"data": {"state": "running"}}\n\n'
        ": ping\n\nid: 9\nevent: gap\ndata: {}\n\n"
    )
    client, asked = answering(httpx.Response(200, text=text, headers={"Content-Type": "text/event-stream"}))
    with client:
        events = list(client.events("/v1/jobs/j/events", 6))
    assert events == [
        Event(7, "job-state", {"data": {"state": "running"}}),
        Event(9, "gap", {}),
    ]
    assert asked[0].headers["Last-Event-ID"] == "6"


def test_proxies_of_the_environment_are_not_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HTTP_PROXY", "http://127.0.0.1:9")
    monkeypatch.setenv("ALL_PROXY", "http://127.0.0.1:9")
    with BenchClient("http://127.0.0.1:1", "t") as client:
        assert client._http._mounts == {}
