"""Scripts for the host build in its own time, and frames by libraries that the firmware does not know."""

import json
import subprocess
import zlib
from pathlib import Path
from typing import Any

from cobs import cobs

ROOT = Path(__file__).parents[2]
SHARED: dict[str, Any] = json.loads((ROOT / "protocol" / "scenarios.json").read_text())
HELLO = "0001010107010d0c0b0a01058bae1eff00"


def play(device: Path, lines: list[str], *options: str) -> tuple[list[str], int]:
    """Play a script to the trivial device; return its frames, each after its time, and the pulses."""
    told = SHARED["device"]
    limits = {"payload": "max_payload", "window": "window", "rx-bytes": "rx_bytes", "boot-id": "boot_id"}
    limits |= {"watchdog-ms": "watchdog_ms", "records": "records"}
    out = subprocess.run(
        [
            str(device),
            "--script",
            "--chip=trivial",
            *(f"--{name}={told[key]}" for name, key in limits.items()),
            *options,
        ],
        input="\n".join(lines),
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )
    assert out.returncode == 0, out.stderr
    heard = out.stdout.splitlines()
    return heard[:-1], int(heard[-1].split()[1])


def frame(kind: int, number: int, session: int, content: bytes) -> bytes:
    """Return a frame as section 2 of SPEC.md has it."""
    body = bytes([kind << 5 | number]) + session.to_bytes(2, "little") + content
    return cobs.encode(body + zlib.crc32(body).to_bytes(4, "little")) + b"\0"


def parsed(heard: str) -> tuple[int, int, bytes]:
    """Return kind, number and content of a line that `play` returned; its CRC must be right."""
    wire = bytes.fromhex(heard.split()[1])
    assert wire.endswith(b"\0")
    body = cobs.decode(wire[:-1])
    assert zlib.crc32(body[:-4]).to_bytes(4, "little") == body[-4:]
    return body[0] >> 5, body[0] & 31, body[3:-4]


def set_up_steps() -> list[str]:
    """Return the script of the scenario `setup`: afterwards requests begin with number 2 at 12 ms."""
    scenario = next(each for each in SHARED["scenarios"] if each["name"] == "setup")
    return [f"{step['at_ms']} {step['hex']}" for step in scenario["steps"] if step["from"] == "host"]
