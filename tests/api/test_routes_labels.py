"""Labels over HTTP."""

import json
from xml.etree import ElementTree as ET

from tests.api.conftest import MemoryClient
from tests.api.test_routes_boards import RECIPE, upload


def test_sheets_come_as_pdf_and_svg(client: MemoryClient) -> None:
    asked = {"board": "tern-16", "plan": {"copies": 60}, "version": "1.2"}
    answer = client.post("/v1/labels", json=asked)
    assert (answer.status_code, answer.headers["Content-Type"]) == (200, "application/pdf")
    assert (answer.content[:5], answer.headers["Sheets"]) == (b"%PDF-", "2")
    svg = client.post("/v1/labels", json=asked, params={"format": "svg", "sheet": 2})
    assert svg.headers["Content-Type"].startswith("image/svg+xml")
    assert "set 60 of 60" in svg.text
    missing = client.post("/v1/labels", json=asked, params={"format": "svg", "sheet": 3})
    assert (missing.status_code, missing.json()["code"], missing.json()["field"]) == (
        404,
        "not-found",
        "sheet",
    )


def test_a_stock_that_does_not_fit_names_its_field(client: MemoryClient) -> None:
    wrong = client.post("/v1/labels", json={"board": "tern-16", "stock": {"columns": 9}})
    assert wrong.status_code == 422
    assert "need" in wrong.text
    both = client.post("/v1/labels", json={"board": "tern-16", "jobs": ["x"]})
    assert both.status_code == 422
    assert "board and jobs" in both.text


def test_a_board_may_be_called_what_no_label_can_say(client: MemoryClient) -> None:
    name = "Mine\t\uffff" + "x" * 290
    text = RECIPE.replace('"Mine"', json.dumps(name))
    assert client.post("/v1/boards", json={"id": "mine", "text": text}).status_code == 201
    digest = upload(client, bytes(8192), "rom.bin")
    asked = {"board": "mine", "plan": {"sources": {"rom": digest}}}
    assert client.post("/v1/labels", json=asked).status_code == 200
    answer = client.post("/v1/labels", json=asked, params={"format": "svg"})
    assert "Mine xxx" in ET.tostring(ET.fromstring(answer.content), encoding="unicode")
    own = client.post("/v1/labels", json={"labels": [{"title": "a\uffffb"}]}, params={"format": "svg"})
    assert own.status_code == 422


def test_names_with_control_letters_are_refused(client: MemoryClient) -> None:
    # PostgreSQL takes no U+0000 in a text (manual, 8.3), so such a name must not get that far.
    for asked in ({"batch": "x\0"}, {"jobs": ["x\0"]}, {"board": "x\0"}):
        assert client.post("/v1/labels", json=asked).status_code == 422
    start = {"board": "tern-16", "sets": 1, "programmer": "x\0"}
    key = {"Idempotency-Key": "k"}
    assert client.post("/v1/batches", json=start, headers=key).status_code == 422
    act = {"act": "reject", "words": "bent\0"}
    assert client.post("/v1/batches/1/acts", json=act).status_code == 422
