"""Routes that come after the start are there for whoever asks."""

from importlib import import_module

import pytest

from api.app import _EARLY
from api.late import ROOMS


@pytest.mark.parametrize("path", ["/v1/boards", "/v1/lamps", "/v1/adapters", "/v1/lots"])
def test_the_first_request_finds_its_route(client, path):
    assert client.get(path).status_code == 200


def test_what_is_wanted_at_once_does_not_wait_for_the_rest(app, client):
    for path in ("/healthz", "/v1/programmers", "/v1/jobs", "/"):
        assert client.get(path).status_code == 200
    assert not app.late.loaded


def test_the_rest_is_added_once(app):
    app.late.load()
    routes = len(app.routes)
    app.late.load()
    assert len(app.routes) == routes
    assert app.late.loaded


def test_no_late_route_hides_under_an_early_path():
    # A path below one that is served at once would be answered 404 until the rest is there.
    for name in ROOMS:
        for route in import_module(f"api.routes.{name}").router.routes:
            assert not route.path.startswith(_EARLY), route.path


def test_the_description_has_all_routes(app):
    assert {"/v1/jobs", "/v1/boards", "/v1/lamps", "/v1/exposures"} <= app.openapi()["paths"].keys()
