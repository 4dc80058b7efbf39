"""Labels over HTTP."""

from tests.api.conftest import MemoryClient


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
