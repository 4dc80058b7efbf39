"""Boards and recipes over HTTP: what a front end sees, and how refusals read."""

from typing import Any

import pytest

from daemon.boards.demo_images import tern8_rom, tern16_bin
from tests.api.conftest import MemoryClient

RECIPE = """name = "Mine"
[sources.rom]
file = "rom.bin"
[[positions]]
label = "U1"
made_for = "M27C64A"
access_ns = 300
source = "rom"
"""


def upload(client: MemoryClient, data: bytes, name: str = "file.bin") -> str:
    headers = {"Content-Type": "application/octet-stream"}
    answer = client.post("/v1/images", content=data, params={"name": name}, headers=headers)
    assert answer.status_code == 201
    return str(answer.json()["sha256"])


def downloaded(client: MemoryClient, digest: str) -> bytes:
    return client.get(f"/v1/images/{digest}/content").content


def test_boards_are_listed_shown_added_and_deleted(client: MemoryClient) -> None:
    listed = client.get("/v1/boards").json()["boards"]
    assert [board["id"] for board in listed] == ["tern-16", "tern-16-wide", "tern-8"]
    assert listed[2]["positions"][1]["made_for"] == "2716"
    assert listed[2]["sources"] == [{"name": "release", "file": "tern8.rom", "size_bytes": 0x8880}]

    added = client.post("/v1/boards", json={"id": "mine", "text": RECIPE})
    assert added.status_code == 201
    assert added.headers["Location"] == "/v1/boards/mine"
    assert client.get("/v1/boards/mine").json()["text"] == RECIPE
    assert client.post("/v1/boards", json={"id": "mine", "text": RECIPE}).status_code == 409
    again = client.post("/v1/boards", json={"id": "mine", "text": RECIPE, "replace": True})
    assert again.status_code == 201
    assert client.delete("/v1/boards/mine").status_code == 204
    assert client.get("/v1/boards/mine").status_code == 404


def test_a_wrong_recipe_is_refused_with_its_lines(client: MemoryClient) -> None:
    text = RECIPE.replace("access_ns", "acces_ns").replace("label", "lable")
    problem = client.post("/v1/boards", json={"id": "mine", "text": text})
    assert problem.status_code == 422
    found = problem.json()
    assert found["code"] == "recipe-invalid"
    assert any("line 5, positions[0].lable: is no key here" in each for each in found["details"]["problems"])


def test_a_demo_board_is_planned_with_its_own_files(client: MemoryClient) -> None:
    plan = client.post("/v1/boards/tern-16/plan", json={}, params={"keep": "true"}).json()
    assert plan["kept"]
    assert [position["label"] for position in plan["positions"]] == ["U10", "U11"]
    chip = plan["positions"][1]["chips"][0]
    assert chip["job"]["kind"] == "program"
    assert chip["job"]["image"] == chip["content"]["sha256"]
    assert downloaded(client, chip["job"]["image"]) == tern16_bin()[1::2]
    assert plan["to_buy"][0]["count"] == 2
    assert plan["positions"][0]["map"]["rows"][0]["words"].endswith("one byte every 2")


def test_chips_on_hand_are_taken(client: MemoryClient) -> None:
    on_hand = [{"part": "M27C512", "count": 2, "state": "used", "access_ns": 100, "label": "bag"}]
    plan = client.post("/v1/boards/tern-16/plan", json={"on_hand": on_hand}).json()
    assert plan["to_buy"] == []
    assert plan["to_erase"][0]["label"] == "bag"
    assert plan["positions"][0]["chips"][0]["on_hand"] == 0


@pytest.mark.parametrize(
    ("path", "body", "status", "code"),
    [
        ("/v1/boards/nothing/plan", {}, 404, "not-found"),
        ("/v1/boards/tern-8/plan", {"copies": 0}, 422, "request-invalid"),
        ("/v1/boards/tern-8/plan", {"sources": {"rom": "0" * 64}}, 404, "not-found"),
        ("/v1/boards/tern-8/plan", {"on_hand": [{"part": "27C9999"}]}, 404, "part-unknown"),
        ("/v1/boards/tern-8/reassemble", {"chips": {"U4": {"image": "0" * 64}}}, 404, "not-found"),
        ("/v1/line-orders", {"known": "0" * 64, "chip": "0" * 64}, 404, "not-found"),
        (
            "/v1/test-contents",
            {"pattern": "address", "size_bytes": 3, "word_bytes": 2},
            422,
            "image-placement",
        ),
    ],
)
def test_refusals(client: MemoryClient, path: str, body: Any, status: int, code: str) -> None:
    answer = client.post(path, json=body)
    assert answer.status_code == status
    assert answer.json()["code"] == code


def test_files_come_back_from_chips(client: MemoryClient) -> None:
    plan = client.post("/v1/boards/tern-8/plan", json={}, params={"keep": "true"}).json()
    chips = {
        position["label"]: {"image": position["chips"][0]["job"]["image"]} for position in plan["positions"]
    }
    body = {"chips": chips, "known": {"release": upload(client, tern8_rom())}}
    (file,) = client.post("/v1/boards/tern-8/reassemble", json=body).json()["files"]
    assert file["missing"] == []
    assert downloaded(client, file["image"]) == tern8_rom()


# Recipes on single images


def test_a_recipe_runs_and_is_undone(client: MemoryClient) -> None:
    digest = upload(client, tern8_rom(), "tern8.rom")
    steps = [{"do": "skip-header", "length_bytes": "0x80"}, {"do": "split", "lane": "odd"}]
    made = client.post(f"/v1/images/{digest}/recipe", json={"steps": steps, "name": "odd bytes"}).json()
    assert made["image"]["name"] == "odd bytes"
    assert made["steps"][0]["words"] == "Skip a header of 128 bytes."
    assert made["map"]["rows"][0]["source"] == "tern8.rom"
    assert downloaded(client, made["image"]["sha256"]) == tern8_rom()[129::2]
    body = {"steps": steps, "size_bytes": len(tern8_rom())}
    back = client.post(f"/v1/images/{made['image']['sha256']}/restore", json=body).json()
    restored = downloaded(client, back["image"]["sha256"])
    assert restored[129::2] == tern8_rom()[129::2]
    assert back["missing"][0] == {"start_bytes": 0, "end_bytes": 129}


def test_a_wrong_step_names_itself(client: MemoryClient) -> None:
    digest = upload(client, b"odd")
    answer = client.post(f"/v1/images/{digest}/recipe", json={"steps": [{"do": "split", "lane": 0}]})
    assert answer.status_code == 422
    assert answer.json()["code"] == "recipe-step"
    assert answer.json()["field"] == "steps[0].do"
    unknown = client.post(f"/v1/images/{digest}/recipe", json={"steps": [{"do": "spilt"}]})
    assert unknown.status_code == 422
    assert unknown.json()["code"] == "recipe-invalid"
    assert "did you mean split?" in unknown.json()["detail"]


def test_content_is_shown_as_hex_with_text(client: MemoryClient) -> None:
    digest = upload(client, tern8_rom())
    shown = client.get(f"/v1/images/{digest}/hex", params={"length_bytes": 16}).json()
    assert shown["lines"] == [
        "00000000  53 4B 45 52 52 59 20 54  45 52 4E 2D 38 00 00 00  |SKERRY TERN-8...|"
    ]
    outside = client.get(f"/v1/images/{digest}/hex", params={"start_bytes": 1 << 20})
    assert outside.status_code == 422
    assert "accepted" in outside.json()["hint"]


def test_repeats_are_told(client: MemoryClient) -> None:
    digest = upload(client, tern8_rom()[128:0x8080] * 2)
    assert "27C256" in client.get(f"/v1/images/{digest}/repeats").json()["words"]
    plain = upload(client, tern8_rom())
    assert client.get(f"/v1/images/{plain}/repeats").json()["words"] == ""


def test_line_orders_are_found(client: MemoryClient) -> None:
    known = tern8_rom()[128 : 128 + 4096]
    chip = bytes(known[at & ~3 | (at & 1) << 1 | (at & 2) >> 1] for at in range(4096))
    body = {"known": upload(client, known), "chip": upload(client, chip)}
    found = client.post("/v1/line-orders", json=body).json()
    assert found["count"] == "1"
    assert found["orders"][0]["address"][:3] == [1, 0, 2]
    assert found["orders"][0]["data"] == [*range(8)]


def test_contents_for_testing_boards_are_made(client: MemoryClient) -> None:
    answer = client.post("/v1/test-contents", json={"pattern": "walking-ones", "size_bytes": 8})
    assert answer.status_code == 201
    assert downloaded(client, answer.json()["sha256"]) == bytes([1, 2, 4, 8, 16, 32, 64, 128])


def test_a_shopping_list_names_what_is_ready_under_the_lamp_and_missing(client: MemoryClient) -> None:
    lamp = {"name": "box", "tubes": [{"preset": "8w-t5"}]}
    made = client.post("/v1/lamps", json=lamp)
    assert made.status_code == 201, made.text
    used = {"part": "M27C512", "count": 3, "state": "used"}
    body = {"plan": {"copies": 2, "on_hand": [used]}, "lamp": "box"}
    needed = client.post("/v1/boards/tern-16/shopping-list", json=body).json()
    (light,), (buy,) = needed["under_light"], needed["to_buy"]
    assert (light["count"], light["in_time"], light["late"], buy["count"]) == (3, 3, 0, 1)
    assert light["all_s"] > 60
    hurry = client.post("/v1/boards/tern-16/shopping-list", json={**body, "hours": 0.01}).json()
    assert hurry["under_light"][0]["late"] == 3
    unknown = client.post("/v1/boards/tern-16/shopping-list", json={**body, "lamp": "none"})
    assert (unknown.status_code, unknown.json()["code"]) == (404, "not-found")
