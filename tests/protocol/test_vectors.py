"""Our codec against `vectors.json`, which was made without it."""

import json
import zlib
from pathlib import Path
from typing import Any

import pytest
from cobs import cobs
from crccheck.crc import Crc32

from protocol.descriptor import decode_descriptor, encode_descriptor
from protocol.fields import decode, encode
from protocol.framing import Frame, FrameReader, encode_frame
from protocol.identity import decode_identity
from protocol.messages import OPERATIONS, Accept, Data, EventMessage, Nak
from protocol.wire import Fault, Kind, Opcode, Status

BOOK: dict[str, Any] = json.loads(
    (Path(__file__).parents[2] / "protocol" / "vectors.json").read_text(encoding="utf-8")
)
PLAIN = {Kind.ACCEPT: Accept, Kind.NAK: Nak, Kind.DATA: Data, Kind.EVENT: EventMessage}


def named(part: str) -> Any:
    return pytest.mark.parametrize("vector", BOOK[part], ids=lambda vector: vector.get("name", ""))


def as_json(message: Any) -> dict[str, Any]:
    """Return the message's fields as the file has them."""
    values = {name: getattr(message, name) for name in message.__dataclass_fields__}
    return {
        name.rstrip("_"): value.hex() if isinstance(value, bytes) else int(value)
        for name, value in values.items()
    }


@named("crc")
def test_crc(vector: dict[str, Any]) -> None:
    data = bytes.fromhex(vector["data"])
    assert f"{zlib.crc32(data):08x}" == vector["crc"]
    assert f"{Crc32.calc(data):08x}" == vector["crc"]


@named("cobs")
def test_cobs(vector: dict[str, Any]) -> None:
    plain, encoded = bytes.fromhex(vector["plain"]), bytes.fromhex(vector["encoded"])
    assert cobs.decode(encoded) == plain
    if vector["minimal"]:
        assert cobs.encode(plain) == encoded


@named("frames")
def test_frame(vector: dict[str, Any]) -> None:
    wire = bytes.fromhex(vector["wire"])
    frame = Frame(Kind[vector["kind"]], vector["number"], vector["session"], bytes.fromhex(vector["content"]))
    reader = FrameReader()
    assert reader.feed(wire) == [frame]
    assert reader.damaged == 0
    if vector["encode"]:
        assert encode_frame(frame) == wire


@named("frames")
def test_content(vector: dict[str, Any]) -> None:
    kind, content = Kind[vector["kind"]], bytes.fromhex(vector["content"])
    if kind in PLAIN:
        cls, head, body = PLAIN[kind], b"", content
    else:
        operation = OPERATIONS[Opcode[vector["opcode"]]]
        assert content[0] == operation.opcode
        assert operation.control == (kind in (Kind.CONTROL, Kind.REPLY))
        if kind in (Kind.RESULT, Kind.REPLY):
            cls, head, body = operation.result, content[:4], content[4:]
            assert head[1] == vector["status"]
            assert int.from_bytes(head[2:4], "little") == vector["faults"]
            status = Status(vector["status"])
            has_detail = status is Status.OK or status in operation.detail_on
            assert has_detail == (vector["fields"] is not None)
        else:
            cls, head, body = operation.request, content[:1], content[1:]
    if vector["fields"] is None:
        assert body == b""
        return
    message = decode(cls, body)
    assert as_json(message) == vector["fields"]
    if vector["encode"]:
        assert head + encode(message) == content


@named("damaged")
def test_damaged(vector: dict[str, Any]) -> None:
    reader = FrameReader()
    found = reader.feed(bytes.fromhex(vector["wire"]))
    assert sum(frame is not None for frame in found) == vector["sound"]
    assert reader.damaged == vector["damaged"]


def test_identity() -> None:
    vector = BOOK["identity"]
    identity = decode_identity(bytes.fromhex(vector["records"]))
    assert (identity.firmware, identity.hardware, identity.serial) == ("bench 1.2", "", "B-0007")
    assert identity.capabilities == vector["capabilities"]
    assert (identity.socket_pins, identity.descriptor_max_bytes) == (32, 512)
    assert sorted(identity.vcc_pins) == vector["vcc_pins"]
    assert not identity.vpp_pins
    assert as_json(identity.vcc) == vector["vcc"]
    assert as_json(identity.timing) == vector["timing"]


def test_descriptor() -> None:
    vector = BOOK["descriptor"]
    part = decode_descriptor(bytes.fromhex(vector["records"]))
    for name in ("geometry", "supplies", "loop"):
        assert as_json(getattr(part, name)) == vector[name]
    for name in ("address_pins", "data_pins", "control_pins", "vcc_pins", "ground_pins"):
        assert list(getattr(part, name)) == vector[name]
    modes = {str(int(mode)): [int(level) for level in levels] for mode, levels in part.modes.items()}
    assert modes == vector["modes"]
    assert encode_descriptor(part).hex() == vector["records"]


def test_every_kind_and_opcode_has_a_vector() -> None:
    frames = BOOK["frames"]
    assert {frame["kind"] for frame in frames} == {kind.name for kind in Kind}
    for opcode in Opcode:
        kinds = {frame["kind"] for frame in frames if frame["opcode"] == opcode.name}
        assert kinds == ({"CONTROL", "REPLY"} if OPERATIONS[opcode].control else {"REQUEST", "RESULT"})


def test_every_vector_says_where_it_comes_from() -> None:
    for part in ("crc", "cobs", "frames", "damaged"):
        assert all(vector["derived"] for vector in BOOK[part])


def test_faults_in_the_vectors_are_named() -> None:
    known = int(~Fault.NONE) & 0x7F
    assert all((frame["faults"] or 0) & ~known == 0 for frame in BOOK["frames"])
