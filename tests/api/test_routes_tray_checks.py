"""Checks of trays and histories through the API: a whole bench with a simulated programmer."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from api.app import create_app
from daemon.exposures.request import NewChip, NewLot
from tests.api.conftest import TOKEN, MemoryClient
from tests.support.tray_story import PART, TrayStory, tray_story

BITS = PART.words * 8


@pytest.fixture
def story(tmp_path: Path) -> Iterator[TrayStory]:
    with tray_story(tmp_path, lot=NewLot(name="spares", part=PART.id, chips=4), numbers=("17",)) as told:
        yield told


def client_of(story: TrayStory) -> MemoryClient:
    bench = story.one.bench
    return MemoryClient(create_app(bench, TOKEN, bench.settings), Authorization=f"Bearer {TOKEN}")


def test_a_check_from_its_beginning_to_its_list_and_the_history_after_it(story: TrayStory) -> None:
    http, path = client_of(story), f"/v1/exposures/{story.exposure}"
    missing = http.get(f"{path}/check")
    assert (missing.status_code, missing.json()["code"]) == (404, "not-found")
    begun = http.post(f"{path}/check", json={})
    assert begun.status_code == 202
    assert begun.json()["state"] == "checking"
    again = http.post(f"{path}/check", json={})
    assert (again.status_code, again.json()["code"]) == (409, "exposure-state")
    story.serve()
    counted: dict[str, Any] = http.get(f"{path}/check").json()
    assert counted["state"] == "done"
    assert {(chip["state"], chip["bits"]) for chip in counted["chips"]} == {("counted", BITS)}
    story.light(600)
    http.post(f"{path}/check", json={})
    paused = story.serve()
    assert paused.record.state == "paused"
    assert http.post(f"{path}/check/continue", json={"skip": [99]}).json()["code"] == "not-found"
    assert http.post(f"{path}/check/continue", json={}).status_code == 202
    story.serve()
    done: dict[str, Any] = http.get(f"{path}/check").json()
    assert sorted(done["not_erased"]) == [1, 2, 3, 4]
    assert all(each["lit_s"] > 60 for each in done["back"])
    assert any("eyes" in each["text"] for each in done["cautions"])
    assert counted["cautions"] == []
    assert http.post(f"{path}/check/pause").json()["code"] == "exposure-state"
    assert http.post(f"{path}/check/cancel").json()["code"] == "exposure-state"
    _look_at_histories(http)


def _look_at_histories(http: MemoryClient) -> None:
    chip = http.get("/v1/chips/17/history").json()
    assert [entry["kind"] for entry in chip["entries"]].count("exposure") == 1
    assert chip["exposures"] == 1
    # 600 s and the cold start's 18 s (UV notes, section 2).
    assert chip["light_s"] == pytest.approx(582, abs=0.1)
    (light,) = (entry for entry in chip["entries"] if entry["kind"] == "exposure")
    dose = light["dose_j_per_cm2"]
    assert dose["low"] < dose["nominal"] < dose["high"]
    counts = [entry for entry in chip["entries"] if entry["kind"] == "count"]
    assert counts[0]["bits_left"] > 0
    assert [entry["words"] for entry in counts[1:]] in (
        [],
        ["65,536 bits to erase, counted before any light"],
    )
    assert not any(entry["failed"] for entry in chip["entries"])
    lot = http.get("/v1/lots/spares/history").json()
    assert lot["light_s"] == pytest.approx(4 * 582, abs=1)
    # One for each of four chips, and those of the three sentinels before any light.
    assert [entry["kind"] for entry in lot["entries"]].count("count") == 7
    assert [entry["light_s"] for entry in lot["entries"]].count(0) == 3
    assert http.get("/v1/lots/nothing/history").status_code == 404


def test_a_job_that_names_a_chip_stands_in_its_history(story: TrayStory) -> None:
    http = client_of(story)
    story.hands.now(lambda board, now_s: board.insert(story.tray.chips[0].chip, now_s))
    job = http.post("/v1/jobs", json={"kind": "blank-check", "part": PART.id, "chip": "17"}).json()
    story.one.ended(story.one.bench.job(job["id"]))
    shown = http.get(f"/v1/jobs/{job['id']}").json()
    assert (shown["chip_id"], shown["lot_id"]) == (story.chip_ids[0], story.lot_id)
    entries = http.get("/v1/chips/17/history").json()["entries"]
    (entry,) = (each for each in entries if each["kind"] == "job")
    assert (entry["code"], entry["failed"]) == ("not-blank", True)
    wrong = http.post("/v1/jobs", json={"kind": "blank-check", "part": "M27C512", "chip": "17"})
    assert wrong.json()["code"] == "job-request"
    for who in ({"chip": "18"}, {"lot": "no such"}):
        answer = http.post("/v1/jobs", json={"kind": "blank-check", "part": PART.id, **who})
        assert answer.json()["code"] == "not-found"
    # A chip that lies in an exposure is found there by its number alone.
    light = {"exposure": story.exposure}
    job = http.post(
        "/v1/jobs", json={"kind": "erase-check", "part": PART.id, "chip": "17", "light": light}
    ).json()
    assert job["params"]["light"]["place"] >= 1
    story.one.ended(story.one.bench.job(job["id"]))
    exposure = http.get(f"/v1/exposures/{story.exposure}").json()
    place = job["params"]["light"]["place"]
    assert exposure["chips"][place - 1]["bits_at_start"] == BITS


def test_numbers_and_lots_are_made_here(story: TrayStory) -> None:
    story.erasing.add_chip(NewChip(number="99", part=PART.id))
    empty = client_of(story).get("/v1/chips/99/history").json()
    assert (empty["entries"], empty["light_s"]) == ([], 0)
