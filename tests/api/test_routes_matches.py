"""An unmarked chip over the API, and what is in an image."""

import random
from typing import Any

import pytest

from api.app import create_app
from daemon.bench import Bench
from daemon.settings import Settings
from simulator.stock import Stock
from tests.api.conftest import TOKEN, MemoryClient
from tests.api.simulated import PORT, ended, simulated_bench

BYTES = {"Content-Type": "application/octet-stream"}
HALF = random.Random(1).randbytes(16384)


def client_of(bench: Bench) -> MemoryClient:
    return MemoryClient(create_app(bench, TOKEN, bench.settings), Authorization=f"Bearer {TOKEN}")


def upload(client: Any, name: str, content: bytes) -> str:
    return str(client.post(f"/v1/images?name={name}", content=content, headers=BYTES).json()["sha256"])


def test_images_in_an_image(client: Any) -> None:
    whole = upload(client, "tern8.bin", random.Random(2).randbytes(16384) + HALF)
    half = upload(client, "dump.bin", HALF)
    (match,) = client.get(f"/v1/images/{half[:12]}/matches").json()["matches"]
    assert match["sha256"] == whole
    assert match["words"] == "this is tern8.bin, upper half"
    assert match["relation"] == "upper-half"
    assert client.get(f"/v1/images/{'0' * 64}/matches").status_code == 404


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"kind": "examine"}, "package_pins"),
        ({"kind": "examine", "package_pins": 28, "part": "M27C512"}, "part"),
        ({"kind": "read"}, "part"),
        ({"kind": "read", "part": "M27C512", "window": True}, "window"),
        ({"kind": "examine", "package_pins": 27}, "package_pins"),
    ],
)
def test_what_is_needed_is_said(client: Any, body: dict[str, Any], field: str) -> None:
    answer = client.post("/v1/jobs", json=body)
    assert answer.status_code == 422
    assert answer.json()["field"] == field


def test_an_unmarked_chip_is_examined(settings: Settings) -> None:
    with simulated_bench(settings.model_copy(update={"ports": (PORT,)}), Stock.USED) as bench:
        client = client_of(bench)
        request = {"kind": "examine", "package_pins": 28, "window": True, "allow_id_voltage": False}
        preview = client.post("/v1/jobs/preview", json=request).json()
        assert (preview["vpp_program_v"], preview["id_v"]) == (0, 0)
        job = client.post("/v1/jobs", json=request).json()
        assert job["part_id"] is None
        ended(bench, job["id"])
        job = client.get(f"/v1/jobs/{job['id']}").json()
        assert job["state"] == "succeeded", job["outcome"]
        numbers = job["outcome"]["numbers"]
        # The simulated bench holds an M27C64A, which asks for 30 W-sec/cm2.
        assert numbers["pile"] == "erase-30"
        assert client.get(f"/v1/jobs/{job['id']}/content").content[:6] == b"SKERRY"
        # What was read is on the shelf; a second look finds it there.
        job = client.post("/v1/jobs", json=request).json()
        ended(bench, job["id"])
        numbers = client.get(f"/v1/jobs/{job['id']}").json()["outcome"]["numbers"]
        assert numbers["pile"] == "keep"
        assert numbers["matches"][0]["words"].startswith("this is read from")


def test_no_part_with_such_a_package(http: Any) -> None:
    answer = http.post("/v1/jobs", json={"kind": "examine", "package_pins": 18})
    assert answer.json()["code"] == "part-unknown"
    assert answer.json()["field"] == "package_pins"
