"""Frames of any content, sound and damaged, in and out; vectors.json and the `cobs` package judge."""

import json
import random
import zlib
from pathlib import Path
from typing import Any

import pytest

from tests.firmware.scripts import HELLO, ROOT, frame, parsed, play, set_up_steps

VECTORS: dict[str, Any] = json.loads((ROOT / "protocol" / "vectors.json").read_text())
REQUEST, RESULT, DATA = 1, 4, 5
MEASURE, STATS, READ, SUPPLY = 0x17, 0x18, 0x14, 0x11


def counts_after(device: Path, wires: list[str]) -> tuple[int, int]:
    """Return how many sound and damaged frames STATS counts of what follows HELLO."""
    script = [
        f"0 {HELLO}",
        *(f"1 {wire}" for wire in wires),
        f"2 {frame(REQUEST, 0, 1, bytes([STATS])).hex()}",
        "3",
    ]
    heard, _ = play(device, script)
    kind, number, content = parsed(heard[-1])
    assert (kind, number, content[0], content[1]) == (RESULT, 0, STATS, 0)
    sound, damaged = (int.from_bytes(content[at : at + 4], "little") for at in (4, 8))
    return sound - 2, damaged  # HELLO and STATS are sound, too


FOR_DEVICES = [each for each in VECTORS["damaged"] if each["name"] != "content of 1056 bytes"]  # that is H1


@pytest.mark.parametrize("vector", FOR_DEVICES, ids=lambda each: each["name"])
def test_damaged_frames_are_dropped_and_counted(device: Path, vector: dict[str, Any]) -> None:
    """What is sound in these vectors comes from a device: from a host it is damaged, too (D1)."""
    assert counts_after(device, [vector["wire"]]) == (0, vector["sound"] + vector["damaged"])


def sent_by_hosts(vector: dict[str, Any]) -> bool:
    return vector["kind"] in ("CONTROL", "REQUEST") and vector["opcode"] != "HELLO"


@pytest.mark.parametrize(
    "vector", [each for each in VECTORS["frames"] if sent_by_hosts(each)], ids=lambda each: each["name"]
)
def test_frames_of_hosts_are_sound(device: Path, vector: dict[str, Any]) -> None:
    assert counts_after(device, [vector["wire"]]) == (1, 0)


@pytest.mark.parametrize("vector", VECTORS["crc"], ids=lambda each: each["data"])
def test_the_crc_is_the_catalogue_s(device: Path, vector: dict[str, Any], tmp_path: Path) -> None:
    """DIGEST has no place here, but READ tells the CRC of what it read."""
    content = bytes.fromhex(vector["data"])
    if content:
        assert read_back(device, tmp_path, content)[1] == int(vector["crc"], 16)


def read_back(device: Path, folder: Path, content: bytes, block: int = 64) -> tuple[bytes, int]:
    """Let the device read a chip with this content; return what came and the CRC it told."""
    held = folder / "held.bin"
    held.write_bytes(content.ljust(1024, b"\xff"))
    supply = bytes([SUPPLY, 1]) + (5000).to_bytes(2, "little") + bytes(2)
    read = (
        bytes([READ]) + bytes(4) + len(content).to_bytes(4, "little") + b"\1" + (5000).to_bytes(2, "little")
    )
    read += block.to_bytes(2, "little")
    asked = [f"12 {frame(REQUEST, 2, 1, supply).hex()}", f"13 {frame(REQUEST, 3, 1, read).hex()}"]
    options = (f"--content={held}", f"--payload={block}", f"--rx-bytes={2 * block + 64}")
    heard = [parsed(each) for each in play(device, [*set_up_steps(), *asked, "20"], *options)[0]]
    data = [each for each in heard if each[0] == DATA]
    assert [int.from_bytes(each[2][:2], "little") for each in data] == list(range(len(data)))
    assert all(len(each[2]) == block + 2 for each in data[:-1])
    kind, number, result = heard[-1]
    assert (kind, number, result[:2]) == (RESULT, 3, bytes([READ, 0]))
    assert int.from_bytes(result[4:8], "little") == len(content)
    return b"".join(each[2][2:] for each in data), int.from_bytes(result[8:12], "little")


@pytest.mark.parametrize("payload", [64, 256, 512])
@pytest.mark.parametrize("zeros", ["none", "all", "some"])
def test_what_is_sent_is_stuffed_right(device: Path, tmp_path: Path, payload: int, zeros: str) -> None:
    """Runs of 254 bytes and more without a zero, and of nothing but zeros."""
    rng = random.Random(payload)
    least, greatest = {"none": (1, 255), "all": (0, 0), "some": (0, 3)}[zeros]
    content = bytes(rng.randint(least, greatest) for _ in range(1000))
    got, crc = read_back(device, tmp_path, content, payload)
    assert got == content
    assert crc == zlib.crc32(content)


def test_frames_cut_and_merged_anywhere_are_taken(device: Path) -> None:
    """D3, D4: both forms of COBS at 254 bytes without a zero, in pieces of any length."""
    rng = random.Random(3)
    wire, full_runs = b"", 0
    for number in range(60):
        size = rng.choice((0, 1, 20, 240, 248, 249, 249, 250, 260))
        content = bytes([0x7E, *(rng.randint(1, 255) for _ in range(size))])
        made = frame(REQUEST, number % 32, 1, content)
        ends_with_full_run = made[3] == 0xFF and len(made) == 3 + 255 + 1
        full_runs += ends_with_full_run
        wire += made[:-1] + b"\1\0" if ends_with_full_run and number % 2 else made
    script, at_ms = [f"0 {HELLO}"], 1
    while wire:
        size = rng.randint(1, 90)
        script.append(f"{at_ms} {wire[:size].hex()}")
        wire, at_ms = wire[size:], at_ms + 1
    heard, _ = play(device, [*script, f"{at_ms + 1}"], "--window=16", "--payload=512", "--rx-bytes=1200")
    assert full_runs > 4
    results = [parsed(each) for each in heard if parsed(each)[0] == RESULT]
    assert [each[1] for each in results] == [number % 32 for number in range(60)]
    assert {each[2][:2] for each in results} == {bytes([0x7E, 1])}
