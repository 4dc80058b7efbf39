"""Adapters, stand-ins and the user's own files by HTTP, and what a job on an adapter shows beforehand."""

from pathlib import Path
from typing import Any

import pytest

from daemon.settings import Settings

CARRIER = """name = "My carrier"
package = "DIP28"
plug = "DIP28"
orientation = "pin-1-up"
pins = [%s]
switched = [%s]
notes = ["Push it home."]
"""


def code_of(answer: Any) -> tuple[int, str]:
    assert answer.headers["content-type"] == "application/problem+json"
    return answer.status_code, answer.json()["code"]


def write_carrier(settings: Settings, *, switched: int | None = None) -> None:
    """Put an adapter of the user's own into the folder: straight through, but for a switched pin."""
    settings.adapters_dir.mkdir(parents=True, exist_ok=True)
    pins = ", ".join("0" if pin == switched else str(pin) for pin in range(1, 29))
    (settings.adapters_dir / "carrier.toml").write_text(CARRIER % (pins, switched or ""))


@pytest.fixture
def settings(settings: Settings) -> Settings:
    return settings.model_copy(update={"adapters_dir": settings.parts_dir.parent / "adapters"})


# Adapters


def test_adapters_are_listed_with_how_the_chip_goes_in(client: Any) -> None:
    found = {each["id"]: each for each in client.get("/v1/adapters").json()["adapters"]}
    assert len(found) >= 10
    one = found["plcc32-to-dip28"]
    assert (one["package"], one["plug"], one["seat"]) == ("PLCC32", "DIP28", None)
    # JEDEC's byte-wide families: PLCC32 pins 1, 12, 17 and 26 are not connected; pin 2 is the DIP28's pin 1.
    assert [pin for pin, plug in enumerate(one["pins"], 1) if plug == 0] == [1, 12, 17, 26]
    assert one["pins"][1] == 1
    assert one["placing"].startswith("Put the PLCC32 in with its pin 1 ")
    assert client.get("/v1/adapters/plcc32-to-dip28").json() == one
    assert client.get("/v1/adapters/PLCC32 in a DIP28 socket").json() == one


def test_adapters_for_a_part_are_those_it_can_sit_on(client: Any) -> None:
    found = {each["id"]: each["seat"] for each in client.get("/v1/adapters?part=M27C512").json()["adapters"]}
    # The other PLCC32 adapter is for the 32-pin families: a 27C512's pins would meet wrong signals.
    assert "plcc32-to-dip28" in found
    assert "plcc32-to-dip32" not in found
    assert found["plcc32-to-dip28"]["read_only_because"] is None
    switched = client.get("/v1/adapters?part=M27C160").json()["adapters"]
    quarters = next(each["seat"] for each in switched if each["id"] == "dip42-in-dip40")
    assert quarters["banks"] == 4
    assert len(quarters["switched_lines"]) == 2
    flash = client.get("/v1/adapters?part=AT28C256").json()["adapters"]
    tied = next(each["seat"] for each in flash if each["id"] == "28c256-as-27c256")
    assert "/WE" in tied["read_only_because"]


def test_an_unknown_adapter_and_an_unknown_part(client: Any) -> None:
    answer = client.get("/v1/adapters/plcc32-to-dip29")
    assert code_of(answer) == (404, "adapter-unknown")
    assert answer.json()["details"]["near"] in ("plcc32-to-dip28", "plcc32-to-dip32")
    assert code_of(client.get("/v1/adapters?part=27C999")) == (404, "part-unknown")


def test_files_of_the_users_own_that_are_wrong(settings: Settings, request: pytest.FixtureRequest) -> None:
    settings.parts_dir.mkdir()
    settings.adapters_dir.mkdir()
    (settings.parts_dir / "mine.toml").write_text('kind = "uv-eprm"\n')
    (settings.adapters_dir / "odd.toml").write_text('plug = "DIP28"\nnoets = []\n')
    client = request.getfixturevalue("client")
    problems = client.get("/v1/parts/problems").json()["problems"]
    told = {(Path(each["file"]).name, each["key"]): each for each in problems}
    assert told["mine.toml", "kind"]["nearest"] == "uv-eprom"
    assert told["odd.toml", "noets"]["nearest"] == "notes"
    assert told["odd.toml", "pins"]["reason"] == "is missing"
    assert "did you mean uv-eprom?" in told["mine.toml", "kind"]["text"]
    assert any("odd.toml" in text for text in client.get("/v1/adapters").json()["problems"])
    assert code_of(client.get("/v1/adapters/odd")) == (422, "adapter-invalid")


def test_no_files_no_problems(client: Any) -> None:
    assert client.get("/v1/parts/problems").json() == {"problems": []}


# Stand-ins


def ask(client: Any, part: str, **place: Any) -> Any:
    return client.post(f"/v1/parts/{part}/stand-ins", json=place)


def test_what_can_stand_in_for_a_27c256(client: Any) -> None:
    answer = ask(client, "M27C256B", access_ns=120).json()
    assert (answer["made_for"], answer["words"], answer["width_bits"]) == ("st-m27c256b", 32768, 8)
    found = {each["part_id"]: each for each in answer["stand_ins"]}
    assert len(found) == len(client.get("/v1/parts").json()["parts"])
    # Pin 1 is VPP of a 27C256, at VCC while reading, and A15 of a 27C512 (sheets): it reads the upper half.
    larger = found["st-m27c512"]
    assert larger["verdict"] == "ready"
    assert larger["content"]["starts_bytes"] == [0x8000]
    assert [task["work"] for task in larger["tasks"]] == ["content"]
    assert next(pin["board"] for pin in answer["pins"] if pin["signal"] == "VPP") == "VCC"
    # A14 and write enable are exchanged; AT28C256 sheet: 150 ns is its fastest grade.
    slow = found["atmel-at28c256"]
    assert slow["verdict"] == "cannot"
    assert "150 ns" in slow["reasons"][0]
    assert slow["content"] is None
    ranks = [each["verdict"] for each in answer["stand_ins"]]
    assert ranks == sorted(ranks, key=["ready", "check", "rework", "adapter", "cannot"].index)


def test_an_adapter_is_named_where_it_takes_one(client: Any) -> None:
    (found,) = ask(client, "M27C256B", candidates=["AT28C256"]).json()["stand_ins"]
    assert (found["verdict"], found["adapter"]) == ("adapter", "28C256 in the place of a 27C256")
    assert "write enable" in found["reasons"][0]
    assert any("access time was not judged" in caution for caution in found["cautions"])


def test_what_is_known_of_the_board_changes_the_answer(client: Any) -> None:
    # A 27C512 where pin 1 is at ground: the lower half is read.
    (found,) = ask(client, "M27C256B", nets={"1": "low"}, candidates=["M27C512"]).json()["stand_ins"]
    assert found["content"]["starts_bytes"] == [0]
    (found,) = ask(client, "M27C256B", nets={"1": "either"}, candidates=["M27C512"]).json()["stand_ins"]
    assert found["content"]["starts_bytes"] == [0, 0x8000]
    # A board that reads only 8 KiB of a 27C256 can have a 2764's size, if the pins agree.
    answer = ask(client, "M27C256B", words=8192, candidates=["M27C64A"]).json()
    assert answer["words"] == 8192
    assert "holds" not in " ".join(answer["stand_ins"][0]["reasons"])
    (found,) = ask(client, "M27C512", vcc_v=3.3, candidates=["M27C512"]).json()["stand_ins"]
    assert found["verdict"] == "cannot"
    # M27C322 sheet: 16 bits only.
    (found,) = ask(client, "M27C160", byte_mode=True, candidates=["M27C322"]).json()["stand_ins"]
    assert "no byte mode" in found["reasons"][0]


def test_a_family_will_do_where_its_members_agree(client: Any) -> None:
    assert ask(client, "27C512", candidates=["27C512"]).json()["stand_ins"][0]["verdict"] == "ready"


@pytest.mark.parametrize(
    ("part", "place", "status", "code", "field"),
    [
        ("27C999", {}, 404, "part-unknown", "part"),
        ("M27C512", {"candidates": ["27C999"]}, 404, "part-unknown", "part"),
        ("M27C512", {"nets": {"29": "low"}}, 422, "request-invalid", "nets.29"),
        ("M27C512", {"nets": {"1": "A14x"}}, 422, "request-invalid", "nets.1"),
        ("M27C512", {"nets": {"1": "D8"}}, 422, "request-invalid", "nets.1"),
        ("M27C512", {"byte_mode": True}, 422, "request-invalid", "byte_mode"),
        ("M27C512", {"words": 65537}, 422, "request-invalid", "words"),
        ("M27C512", {"words": 2}, 422, "request-invalid", "words"),
        ("M27C512", {"access_ns": 0}, 422, "request-invalid", "access_ns"),
        ("M27C512", {"acces_ns": 100}, 422, "request-invalid", "acces_ns"),
    ],
)
def test_a_bad_question(
    client: Any, part: str, place: dict[str, Any], status: int, code: str, field: str
) -> None:
    answer = ask(client, part, **place)
    assert code_of(answer) == (status, code)
    assert answer.json()["field"] == field
    assert answer.json()["hint"]


# A job on an adapter


@pytest.fixture
def on_carrier(settings: Settings, request: pytest.FixtureRequest) -> Any:
    write_carrier(settings, switched=2)  # pin 2 of a 2764 is A12, its highest address line
    return request.getfixturevalue("http")


def test_the_preview_tells_what_a_hand_must_do(on_carrier: Any) -> None:
    job = {"kind": "read", "part": "M27C64A", "adapter": "carrier", "bank": 1}
    shown = on_carrier.post("/v1/jobs/preview", json=job).json()
    assert (shown["adapter"], shown["adapter_name"]) == ("carrier", "My carrier")
    assert (shown["bank"], shown["banks"], shown["switches"]) == (1, 2, {"A12": 1})
    assert shown["adapter_words"] == [
        "Put the DIP28 in with its pin 1 at the end where pin 1 of the plug is.",
        "Set its switches: A12 high. That is bank 1 of 0 to 1, 0x1000 to 0x1fff of the chip.",
        "Push it home.",
    ]
    assert code_of(on_carrier.post("/v1/jobs/preview", json={**job, "bank": 2})) == (
        422,
        "adapter-does-not-fit",
    )


def test_the_preview_of_a_chip_directly_in_the_socket(http: Any) -> None:
    shown = http.post("/v1/jobs/preview", json={"kind": "read", "part": "M27C64A"}).json()
    assert (shown["adapter"], shown["adapter_name"], shown["adapter_words"]) == ("direct", None, [])
    assert (shown["switches"], shown["banks"]) == ({}, 1)
