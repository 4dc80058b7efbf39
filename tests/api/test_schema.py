"""The description of the API: complete, true to what is answered, and proof against any input."""

from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis.checks import not_a_server_error
from schemathesis.generation import GenerationMode
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from daemon.bench import Bench
from daemon.errors import Code
from tests.api.conftest import TOKEN

VERBS = {"get", "head", "post", "put", "patch", "delete"}


@pytest.fixture
def described(app: Any) -> dict[str, Any]:
    return dict(app.openapi())


def operations(described: dict[str, Any]) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, methods in described["paths"].items():
        for verb in VERBS & set(methods):
            yield verb, path, methods[verb]


def test_it_is_openapi_3_1_and_needs_no_token(memory_client: Any, app: Any) -> None:
    answer = memory_client(app).get("/openapi.json")
    assert answer.status_code == 200
    assert answer.json()["openapi"].startswith("3.1")


def test_every_route_of_the_design_is_there(described: dict[str, Any]) -> None:
    routes = {f"{verb.upper()} {path}" for verb, path, _ in operations(described)}
    wanted = """
        GET /healthz|GET /readyz|GET /version|GET /metrics
        GET /v1/programmers|GET /v1/programmers/{programmer_id}|PATCH /v1/programmers/{programmer_id}
        POST /v1/programmers/{programmer_id}/lease|DELETE /v1/programmers/{programmer_id}/lease
        GET /v1/programmers/{programmer_id}/link|GET /v1/parts|GET /v1/parts/{part_id}
        POST /v1/parts/{part_id}/stand-ins|GET /v1/parts/problems
        GET /v1/adapters|GET /v1/adapters/{adapter_id}
        POST /v1/images|GET /v1/images|GET /v1/images/{sha256}|HEAD /v1/images/{sha256}
        DELETE /v1/images/{sha256}|GET /v1/images/{sha256}/content
        POST /v1/jobs|GET /v1/jobs|GET /v1/jobs/{job_id}|GET /v1/jobs/{job_id}/events
        POST /v1/jobs/{job_id}/cancel|POST /v1/jobs/{job_id}/continue|POST /v1/jobs/{job_id}/answer
        GET /v1/jobs/{job_id}/content|POST /v1/jobs/preview|POST /v1/erase-estimates|GET /v1/events
    """
    assert {each.strip() for line in wanted.strip().splitlines() for each in line.split("|")} <= routes


def test_every_operation_parameter_and_field_is_described(described: dict[str, Any]) -> None:
    missing = []
    for verb, path, operation in operations(described):
        if not operation.get("description") or not operation.get("tags"):
            missing.append(f"{verb} {path}")
        missing += [
            f"{verb} {path} {each['name']}"
            for each in operation.get("parameters", [])
            if not each.get("description")
        ]
        assert "application/problem+json" in operation["responses"]["default"]["content"]
    for name, schema in described["components"]["schemas"].items():
        if not schema.get("description") and "enum" not in schema:
            missing.append(name)
        missing += [
            f"{name}.{field}"
            for field, inner in schema.get("properties", {}).items()
            if not inner.get("description")
        ]
    assert missing == []


def test_ids_of_operations_are_unique(described: dict[str, Any]) -> None:
    ids = [operation["operationId"] for _, _, operation in operations(described)]
    assert len(ids) == len(set(ids))


def test_every_code_is_listed(described: dict[str, Any]) -> None:
    assert set(described["x-problems"]) == {str(code) for code in Code}


def test_only_the_health_route_needs_no_token(
    memory_client: Any, app: Any, described: dict[str, Any]
) -> None:
    stranger = memory_client(app)
    for verb, path, operation in operations(described):
        open_route = operation.get("security") == []
        assert open_route is (path == "/healthz")
        answer = stranger.request(verb.upper(), path.replace("{", "").replace("}", ""))
        assert (answer.status_code == 401) is not open_route, path


# Any input. Streams are left out (they have tests of their own): an endless answer cannot be waited for.

EXAMPLES = 12
HEADERS = {"Authorization": f"Bearer {TOKEN}", "Host": "127.0.0.1:7627"}
CHECKS = [
    not_a_server_error,
    status_code_conformance,
    content_type_conformance,
    response_schema_conformance,
]


@pytest.mark.no_cover
@pytest.mark.parametrize("mode", list(GenerationMode))
def test_no_input_makes_it_fail_or_answer_what_is_not_described(
    app: Any, bench: Bench, mode: GenerationMode
) -> None:
    bench.store.programmers.upsert("prog-1", serial=None, info={})
    schema = schemathesis.openapi.from_asgi("/openapi.json", app, headers=HEADERS)
    tried = 0
    for found in schema.exclude(path_regex="/events$").get_all_operations():
        operation = found.ok()  # type: ignore[union-attr]

        @settings(
            max_examples=EXAMPLES,
            phases=[Phase.explicit, Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=operation.as_strategy(generation_mode=mode))
        def try_it(case: Any) -> None:
            case.call_and_validate(headers=HEADERS, checks=CHECKS)

        try:
            try_it()
        except Unsatisfiable:
            continue  # nothing can be sent to this route that its description forbids
        tried += 1
    assert tried > 15
