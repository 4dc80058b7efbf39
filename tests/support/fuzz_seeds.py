"""Something sound to begin from, for each target of `fuzzing`: what is broken should once have been whole."""

import io
import json
import zipfile
from functools import cache
from pathlib import Path
from typing import Any

from daemon.images import Image
from daemon.images.model import ImageFormat
from daemon.images.save import dump
from protocol import fields
from protocol.descriptor import encode_descriptor
from protocol.messages import Program, Range, Read, Setup, Supply
from protocol.wire import Kind, Mode, Opcode, Pass, SupplyAction
from tests.support.device_rig import WORK, make_part

ROOT = Path(__file__).parents[2]
_CONTENT = bytes(range(64)) + b"\xff" * 64 + b"TERN-8" * 10


def seeds_of(name: str) -> list[bytes]:
    """Return the seeds of a target; some have none and begin from nothing."""
    match name:
        case "device":
            return [b"\x00" + script(*_set_up(), *_work()), b"\xff" + script(*_work())]
        case "host-link":
            result = bytes((Opcode.PROGRAM, 0, 0, 0)) + bytes(20)
            return [script((Kind.ACCEPT, 1, b"\0\0"), (Kind.RESULT, 0, result))]
        case "framing":
            return [bytes.fromhex(each["wire"]) for each in _vectors()["frames"]]
        case "descriptor":
            return [encode_descriptor(make_part()), bytes.fromhex(_vectors()["descriptor"]["records"])]
        case "identity":
            return [bytes.fromhex(_vectors()["identity"]["records"])]
        case "image" | "intel-hex":
            return [dump(Image.raw(_CONTENT), ImageFormat.INTEL_HEX)]
        case "s-record":
            return [dump(Image.raw(_CONTENT), ImageFormat.S_RECORD)]
        case "board":
            return [path.read_bytes() for path in (ROOT / "daemon/boards/demo").glob("*.toml")]
        case "part":
            return [(ROOT / "daemon/catalogue/parts/st-m27c512.toml").read_bytes()]
        case "adapter":
            return [path.read_bytes() for path in sorted((ROOT / "daemon/adapters").rglob("*.toml"))[:2]]
        case "backup":
            return [_small_zip()]
        case _:
            return []


def script(*frames: tuple[Kind, int, bytes]) -> bytes:
    """Write frames of session 1 as the script that `fuzzing.frames_of` reads."""
    return b"".join(
        bytes((kind << 5 | number, 1, len(content))) + content for kind, number, content in frames
    )


def _request(number: int, opcode: Opcode, message: object) -> tuple[Kind, int, bytes]:
    return Kind.REQUEST, number, bytes((opcode,)) + fields.encode(message)


def _set_up() -> list[tuple[Kind, int, bytes]]:
    data = encode_descriptor(make_part())
    pieces = [Setup(WORK, len(data), at, data[at : at + 64]) for at in range(0, len(data), 64)]
    return [_request(number, Opcode.SETUP, piece) for number, piece in enumerate(pieces)]


def _work() -> list[tuple[Kind, int, bytes]]:
    first = len(_set_up())
    asked = [
        (Opcode.SUPPLY, Supply(SupplyAction.APPLY, 6250, 12750)),
        (Opcode.PROGRAM, Program(1, 0, Pass.FULL, b"\x12\x34")),
        (Opcode.BLANK, Range(0, 64, Mode.VERIFY, 6250)),
        (Opcode.READ, Read(0, 64, Mode.READ, 6250, 64)),
    ]
    requests = [_request(first + at, opcode, message) for at, (opcode, message) in enumerate(asked)]
    return [
        *requests,
        (Kind.CONTROL, 3, bytes((Opcode.KEEPALIVE,))),
        (Kind.CONTROL, 4, bytes((Opcode.ABORT,))),
    ]


@cache
def _vectors() -> dict[str, Any]:
    found: dict[str, Any] = json.loads((ROOT / "protocol" / "vectors.json").read_text(encoding="utf-8"))
    return found


def _small_zip() -> bytes:
    into = io.BytesIO()
    with zipfile.ZipFile(into, "w") as archive:
        archive.writestr("manifest.json", '{"format": "romwright backup", "version": 1, "entries": {}}')
    return into.getvalue()
