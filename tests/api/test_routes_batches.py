"""Batches over HTTP: set going, followed, acted on, reported."""

import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import junitparser
import pytest

from api.app import create_app
from tests.api.conftest import TOKEN, MemoryClient
from tests.support.batch_bench import FILE, Person, person_at_bench
from tests.support.ports import until

PATH = "/v1/batches"


@pytest.fixture
def person(tmp_path: Path) -> Iterator[Person]:
    with person_at_bench(tmp_path) as made:
        yield made


@pytest.fixture
def http(person: Person) -> MemoryClient:
    bench = person.one.bench
    return MemoryClient(create_app(bench, TOKEN, bench.settings), Authorization=f"Bearer {TOKEN}")


def started(http: MemoryClient, person: Person, key: str | None = None, **more: Any) -> dict[str, Any]:
    body = {"board": "tern-4", "sets": 1, "sources": {"rom": person.digest}, **more}
    answer = http.post(PATH, json=body, headers={"Idempotency-Key": key} if key else {})
    assert answer.status_code == 202, answer.text
    person.batch_id = answer.json()["id"]
    assert answer.headers["location"] == f"{PATH}/{person.batch_id}"
    return dict(answer.json())


def test_a_batch_from_beginning_to_report(http: MemoryClient, person: Person) -> None:
    begun = started(http, person)
    until(lambda: http.get(f"{PATH}/{begun['id']}").json()["phase"] == "put-in")
    assert http.get(f"{PATH}/{begun['id']}").json()["instruction"]["words"] == (
        "Put a chip for U1 (lower half), set 1 of 1, in the socket: M27C64A, notch up."
    )
    assert (begun["made"], begun["total"], begun["state"]) == (0, 2, "active")
    person.make_one()
    seen = http.get(f"{PATH}/{begun['number']}").json()
    assert seen["last"]["verdict"] == "good"
    assert seen["last"]["crc32"] == f"{zlib.crc32(FILE[:0x2000]):08X}"
    person.make_one()
    done = http.get(f"{PATH}/{begun['id']}").json()
    assert (done["state"], done["made"], done["results"]["yield_share"]) == ("finished", 2, 1.0)
    assert "switched off" in done["instruction"]["detail"]
    report = http.get(f"{PATH}/{begun['id']}/report").json()
    assert [(item["position"], item["made"]) for item in report["items"]] == [("U1", True), ("U2", True)]
    assert [chip["good"] for chip in report["chips"]] == [True, True]
    junit = http.get(f"{PATH}/{begun['id']}/report", params={"form": "junit"})
    assert junit.headers["content-type"] == "application/xml"
    read = junitparser.JUnitXml.fromstring(junit.content)
    assert (read.tests, read.failures) == (2, 0)
    listed = http.get(PATH).json()["batches"]
    assert [each["id"] for each in listed] == [begun["id"]]


def test_a_repeated_request_starts_one_batch(http: MemoryClient, person: Person) -> None:
    first = started(http, person, key="once")
    again = started(http, person, key="once")
    assert again["id"] == first["id"]
    assert len(http.get(PATH).json()["batches"]) == 1


def test_it_is_paused_resumed_and_ended(http: MemoryClient, person: Person) -> None:
    begun = started(http, person)
    acts = f"{PATH}/{begun['id']}/acts"
    paused = http.post(acts, json={"act": "pause"}).json()
    assert (paused["state"], paused["why"]) == ("paused", "person")
    assert http.post(acts, json={"act": "resume"}).json()["state"] == "active"
    until(lambda: http.get(f"{PATH}/{begun['id']}").json()["phase"] == "put-in")
    assert http.post(acts, json={"act": "count"}).json()["code"] == "batch-state"
    assert http.post(acts, json={"act": "yes"}).json()["code"] == "no-question"
    rejected = http.post(acts, json={"act": "reject", "words": "a leg is off"}).json()
    assert rejected["last"]["words"] == "a leg is off"
    assert http.post(acts, json={"act": "end"}).json()["state"] == "ended"
    refused = http.post(acts, json={"act": "resume"})
    assert (refused.status_code, refused.json()["code"]) == (409, "batch-state")


def test_what_cannot_be_is_refused_before_anything_is_recorded(http: MemoryClient, person: Person) -> None:
    body: dict[str, Any] = {"board": "tern-4", "sets": 1, "sources": {"rom": person.digest}}
    for change, code in (
        ({"board": "nothing"}, "not-found"),
        ({"positions": ["U9"]}, "board-parts"),
        ({"programmer": "nobody"}, "not-found"),
        ({"sets": 0}, "request-invalid"),
        ({"policy": {"retrys": 1}}, "request-invalid"),
    ):
        assert http.post(PATH, json=body | change).json()["code"] == code
    assert http.get(PATH).json()["batches"] == []
    assert http.get(f"{PATH}/bt_nothing").status_code == 404


def test_a_job_is_reported_too(http: MemoryClient, person: Person) -> None:
    started(http, person, positions=["U1"])
    person.make_one()
    job_id = http.get(f"{PATH}/{person.batch_id}").json()["last"]["jobs"][0]
    read = junitparser.JUnitXml.fromstring(
        http.get(f"/v1/jobs/{job_id}/report", params={"form": "junit"}).content
    )
    assert read.failures == 0
    assert read.tests > 3
    assert http.get(f"/v1/jobs/{job_id}/report").json()["id"] == job_id
