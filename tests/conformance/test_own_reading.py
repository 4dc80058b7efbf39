"""The kit's own frames and reading of HELLO, against `vectors.json`, which was made without either."""

import json
import struct
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.conformance import frames
from protocol.conformance.identity import Identity, read_identity
from protocol.conformance.link import RawLink
from protocol.conformance.part import from_descriptor, packed, trial_parts, unpacked
from protocol.wire import Kind

BOOK: dict[str, Any] = json.loads(
    (Path(__file__).parents[2] / "protocol" / "vectors.json").read_text(encoding="utf-8")
)
FIXED = struct.pack("<IBBIHBHH", 7, 1, 0, 3, 64, 2, 192, 1000)


class OneShot:
    """A line that holds some bytes and nothing more."""

    def __init__(self, data: bytes, size: int = 4096) -> None:
        self._pieces = [data[at : at + size] for at in range(0, len(data), size)]

    def now_s(self) -> float:
        return 0.0

    def send(self, data: bytes) -> None:
        raise AssertionError("nothing is sent here")

    def receive(self, until_s: float) -> bytes:
        return self._pieces.pop(0) if self._pieces else b""


@pytest.mark.parametrize("vector", BOOK["frames"], ids=lambda vector: vector["name"])
def test_frames(vector: dict[str, Any]) -> None:
    wire, content = bytes.fromhex(vector["wire"]), bytes.fromhex(vector["content"])
    kind = Kind[vector["kind"]]
    seen = frames.read_block(wire[:-1], 0.0)
    assert seen is not None
    assert (seen.kind, seen.number, seen.session, seen.content) == (
        kind,
        vector["number"],
        vector["session"],
        content,
    )
    body = frames.body_of(kind, vector["number"], vector["session"], content)
    if "long form" in vector["name"]:
        assert frames.stuffed_long(body) == wire
    else:
        assert frames.stuffed(body) == wire
    assert vector["kind"] in frames.block_words(wire[:-1])


@pytest.mark.parametrize("size", [1, 7, 4096])
@pytest.mark.parametrize("vector", BOOK["damaged"], ids=lambda vector: vector["name"])
def test_damaged_blocks(vector: dict[str, Any], size: int) -> None:
    link = RawLink(OneShot(bytes.fromhex(vector["wire"]), size))
    heard = link.listen(0)
    if vector["name"].startswith("content of 1057"):
        return  # what a device sends is heard, however long: it is to be judged
    assert (len(heard), len(link.damaged) > 0) == (vector["sound"], vector["damaged"] > 0)


@given(st.binary(max_size=300))
def test_no_bytes_of_a_device_bring_the_kit_down(data: bytes) -> None:
    link = RawLink(OneShot(data + b"\0", 3))
    for seen in link.listen(0):
        frames.words_of(seen.kind, seen.number, seen.session, seen.content)
    for passed in link.record:
        assert passed.to_json(0.0)["words"]
    read_identity(data)


def test_the_long_form_is_for_full_runs_only() -> None:
    with pytest.raises(ValueError, match="254"):
        frames.stuffed_long(b"\x01\x02")


def test_an_identity() -> None:
    told = BOOK["identity"]
    found = read_identity(FIXED + bytes.fromhex(told["records"]))
    assert found is not None
    assert (found.nonce, found.boot_id, found.max_payload, found.window, found.rx_bytes) == (7, 3, 64, 2, 192)
    assert found.texts == {"FIRMWARE": told["firmware"], "SERIAL": told["serial"]}
    assert (found.capabilities, found.socket_pins, found.descriptor_max) == (1073, 32, 512)
    assert found.pins_for("VCC") == set(told["vcc_pins"])
    assert (found.vcc.kind, found.vcc.minimum_mv, found.vcc.limit_ma) == (3, 3000, 200)
    assert (found.pulse_min_ns, found.settle_ms) == (1000, 10)
    assert found.problems == ()


def _records(**changed: bytes) -> bytes:
    values = {
        "pins": b"\x05\x01\x20",
        "descriptor": b"\x06\x02\x00\x01",
        "vcc": b"\x20\x0b\x01" + struct.pack("<5H", 5000, 5000, 0, 50, 100),
        "more": b"",
    }
    return b"".join({**values, **changed}.values())


@pytest.mark.parametrize(
    ("fixed", "records", "words"),
    [
        (
            struct.pack("<IBBIHBHH", 7, 1, 0, 3, 32, 2, 192, 1000),
            _records(),
            "max_payload is 32, not 64 to 1024",
        ),
        (struct.pack("<IBBIHBHH", 7, 1, 0, 3, 64, 17, 192, 1000), _records(), "window is 17"),
        (struct.pack("<IBBIHBHH", 7, 1, 0, 3, 64, 2, 95, 1000), _records(), "rx_bytes is 95, not 96"),
        (struct.pack("<IBBIHBHH", 7, 1, 0, 3, 64, 2, 192, 100), _records(), "watchdog_ms is 100"),
        (FIXED, _records(descriptor=b""), "DESCRIPTOR_MAX is 0"),
        (FIXED, _records(more=b"\x10\x03\x01\x02\x03"), "the mask DRIVE has 3 bytes for 32 pins, not 4"),
        (FIXED, _records(pins=b"\x05\x01\x1e", more=b"\x12\x04\0\0\0\x80"), "has pin 32 in a socket of 30"),
        (FIXED, _records(more=b"\x02\x09abc"), "is cut short"),
        (FIXED, _records(more=b"\x04\x02\0\0"), "record 0x04 has 2 bytes, not 4"),
        (FIXED, _records(more=b"\x05\x01\x20"), "record 0x05 is there twice"),
        (FIXED, _records(more=b"\x01\x41" + b"a" * 65), "FIRMWARE is 65 bytes long"),
        (FIXED, _records(more=b"\x01\x02\xff\xfe"), "FIRMWARE is no UTF-8"),
        (
            FIXED,
            _records(more=b"\x21\x0b\x01" + struct.pack("<5H", 12, 13, 0, 0, 0)),
            "VPP is fixed at 12 and",
        ),
        (FIXED, _records(more=b"\x21\x0b\x07" + bytes(10)), "VPP is of kind 7"),
    ],
)
def test_what_breaks_section_5_is_told(fixed: bytes, records: bytes, words: str) -> None:
    found = read_identity(fixed + records)
    assert found is not None
    assert any(words in problem for problem in found.problems), found.problems


def test_a_sound_identity_has_no_problems_and_a_short_one_is_none() -> None:
    found = read_identity(FIXED + _records(more=b"\x30\x18" + bytes(24) + b"\x7f\x01\x00"))
    assert found is not None
    assert found.problems == ()  # longer and unknown records are of a later minor version
    assert read_identity(FIXED[:-1]) is None


def test_a_descriptor_of_the_vectors_is_taken_apart() -> None:
    data = bytes.fromhex(BOOK["descriptor"]["records"])
    told = BOOK["descriptor"]
    part = from_descriptor(data, Identity(0, 1, 0, 0, 64, 1, 96, 1000, pulse_max_ns=1_000_000))
    assert (part.words, part.width_bits, part.blank) == (1024, 8, 255)
    assert (part.vcc_read_mv, part.vcc_program_mv, part.vpp_mv) == (5000, 6250, 12750)
    assert (part.pulse_ns, part.most_pulses) == (
        1_000_000,
        255,
    )  # as long as the device can, for half a second
    assert packed(unpacked(data)) == data
    assert told["loop"]["pulse_ns"] == 10_000_000
    with pytest.raises(ValueError, match="lacks"):
        from_descriptor(b"", Identity(0, 1, 0, 0, 64, 1, 96, 1000))
    with pytest.raises(ValueError, match="cut short"):
        list(unpacked(data[:-1]))


def test_trial_parts_fit_the_socket() -> None:
    small = Identity(0, 1, 0, 0, 64, 1, 96, 1000, socket_pins=28)
    assert len(trial_parts(small)) == 3  # not the one of 32 pins
    assert trial_parts(Identity(0, 1, 0, 0, 64, 1, 96, 1000, socket_pins=8)) == []
