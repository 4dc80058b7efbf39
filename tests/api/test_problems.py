import json
from collections.abc import AsyncIterator, Callable
from enum import StrEnum
from typing import Annotated, Any

import pytest
from fastapi import FastAPI, Query, Request
from pydantic import BaseModel, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError
from starlette.middleware import Middleware

from api.problems import MEDIA_TYPE, STATUS, CatchAll, install, problem_of
from daemon.errors import BenchError, Code


class Colour(StrEnum):
    RED = "red"
    GREEN = "green"


class Order(BaseModel):
    model_config = ConfigDict(extra="forbid")

    count: int = Field(ge=1)
    colour: Colour = Colour.RED
    image: str | None = None

    @model_validator(mode="after")
    def _agrees(self) -> "Order":
        if self.count == 13 and self.image is None:
            raise PydanticCustomError("order_image", "image: thirteen need an image")
        return self


def make_app() -> FastAPI:
    app = FastAPI(middleware=[Middleware(CatchAll)], max_body_size=1000)
    install(app)

    @app.post("/orders")
    def order(body: Order) -> dict[str, int]:
        return {"count": body.count}

    @app.get("/orders")
    def orders(limit: Annotated[int, Query(ge=1, le=10)] = 5) -> dict[str, int]:
        return {"limit": limit}

    @app.post("/raw")
    async def raw(request: Request) -> dict[str, int]:
        return {"size": len(await request.body())}

    @app.get("/full")
    def full() -> None:
        raise BenchError(
            Code.DISK_FULL,
            "12 bytes are free.",
            hint="Delete.",
            field="image",
            details={"free_bytes": 12},
        )

    @app.get("/bare")
    def bare() -> None:
        raise BenchError(Code.JOB_STATE, "It has ended.")

    @app.get("/broken")
    def broken() -> None:
        raise RuntimeError("secret inner detail")

    return app


@pytest.fixture
def client(memory_client: Callable[..., Any]) -> Any:
    return memory_client(make_app())


def test_every_code_has_a_status() -> None:
    assert set(Code) == set(STATUS)


def test_every_status_is_an_error() -> None:
    assert {status for status in STATUS.values() if not 400 <= status <= 599} == set()


def test_all_members(client: Any) -> None:
    answer = client.get("/full")
    assert answer.status_code == 507
    assert answer.headers["content-type"] == MEDIA_TYPE
    assert answer.json() == {
        "type": "/docs#problem-disk-full",
        "title": "Disk full",
        "status": 507,
        "detail": "12 bytes are free.",
        "code": "disk-full",
        "hint": "Delete.",
        "field": "image",
        "details": {"free_bytes": 12},
    }


def test_members_without_value_are_left_out(client: Any) -> None:
    assert set(client.get("/bare").json()) == {"type", "title", "status", "detail", "code"}


def test_details_that_json_does_not_know_are_shown_as_text(memory_client: Callable[..., Any]) -> None:
    app = FastAPI()
    install(app)

    @app.get("/odd")
    def odd() -> None:
        raise BenchError(Code.NOT_FOUND, "odd", details={"what": {1, 2}.__class__})

    assert "set" in memory_client(app).get("/odd").json()["details"]["what"]


def post(client: Any, body: object) -> dict[str, Any]:
    answer = client.post("/orders", json=body)
    assert answer.status_code == 422
    assert answer.headers["content-type"] == MEDIA_TYPE
    problem = answer.json()
    assert problem["code"] == "request-invalid"
    return dict(problem)


def test_a_value_out_of_range_names_the_field_and_what_is_accepted(client: Any) -> None:
    problem = post(client, {"count": 0})
    assert problem["field"] == "count"
    assert problem["detail"] == "count cannot be 0."
    assert problem["hint"] == "It must be greater than or equal to 1."


def test_a_word_that_is_not_among_the_accepted_lists_them(client: Any) -> None:
    problem = post(client, {"count": 1, "colour": "blue"})
    assert problem["field"] == "colour"
    assert "'red'" in problem["hint"]
    assert "'green'" in problem["hint"]


def test_a_missing_field(client: Any) -> None:
    problem = post(client, {})
    assert problem["field"] == "count"
    assert "missing" in problem["detail"]


def test_a_misspelt_field_gets_the_right_spelling(client: Any) -> None:
    problem = post(client, {"count": 1, "color": "red"})
    assert problem["field"] == "color"
    assert "Did you mean colour?" in problem["hint"]
    assert "count" in problem["hint"]


def test_fields_that_disagree(client: Any) -> None:
    problem = post(client, {"count": 13})
    assert problem["field"] == "image"
    assert "thirteen need an image" in problem["detail"].lower()


def test_several_faults_are_all_told(client: Any) -> None:
    problem = post(client, {"count": 0, "colour": "blue", "size": 1})
    assert [fault["field"] for fault in problem["details"]["faults"]] == ["count", "colour", "size"]
    assert "2 more fields" in problem["hint"]


@pytest.mark.parametrize("body", [[1], "text", 7, None])
def test_a_body_that_is_no_object(client: Any, body: object) -> None:
    answer = client.post("/orders", content=json.dumps(body), headers={"Content-Type": "application/json"})
    assert (answer.status_code, answer.json()["field"]) == (422, "body")


def test_a_body_that_is_not_json(client: Any) -> None:
    answer = client.post("/orders", content=b'{"count": ', headers={"Content-Type": "application/json"})
    assert (answer.status_code, answer.json()["field"]) == (422, "body")
    assert "not JSON" in answer.json()["detail"]


def test_a_body_with_another_type_or_none_is_not_taken_for_json(client: Any) -> None:
    for headers in ({"Content-Type": "text/plain"}, {}):
        answer = client.post("/orders", content=b'{"count": 1}', headers=headers)
        assert answer.status_code == 422
        assert "application/json" in answer.json()["hint"]


def test_a_query_out_of_range(client: Any) -> None:
    problem = client.get("/orders?limit=11").json()
    assert problem["field"] == "limit"
    assert problem["hint"] == "It must be less than or equal to 10."


def test_a_long_value_is_shown_cut(client: Any) -> None:
    assert len(post(client, {"count": "x" * 900})["detail"]) < 120


def test_an_unknown_path(client: Any) -> None:
    answer = client.get("/nowhere")
    assert (answer.status_code, answer.json()["code"]) == (404, "not-found")
    assert "/nowhere" in answer.json()["detail"]


def test_a_method_that_is_not_taken(client: Any) -> None:
    answer = client.delete("/orders")
    assert (answer.status_code, answer.json()["code"]) == (405, "method-not-allowed")
    assert answer.headers["allow"]
    assert answer.headers["content-type"] == MEDIA_TYPE


def test_a_body_of_unstated_length_that_grows_too_long(client: Any) -> None:
    async def pieces() -> AsyncIterator[bytes]:
        for _ in range(3):
            yield b"x" * 600

    answer = client.post("/raw", content=pieces())
    assert (answer.status_code, answer.json()["code"]) == (413, "body-too-large")
    assert answer.headers["content-type"] == MEDIA_TYPE


def test_an_unforeseen_error_tells_a_reference_and_nothing_else(
    client: Any, caplog: pytest.LogCaptureFixture
) -> None:
    answer = client.get("/broken")
    assert (answer.status_code, answer.json()["code"]) == (500, "internal")
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    (line,) = (record for record in caplog.records if record.name == "api.problems")
    assert line.__dict__["reference"] == answer.json()["details"]["reference"]
    assert line.exc_info is not None
    assert str(line.exc_info[1]) == "secret inner detail"


def test_titles_are_the_codes_in_words() -> None:
    assert problem_of(BenchError(Code.LEASE_HELD, ""))["title"] == "Lease held"
