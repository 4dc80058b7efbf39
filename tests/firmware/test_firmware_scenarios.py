"""The timed exchanges of scenarios.json, played to the reference firmware in its own time."""

import json
import subprocess
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
SHARED: dict[str, Any] = json.loads((ROOT / "protocol" / "scenarios.json").read_text())
FOR_DEVICES = [each for each in SHARED["scenarios"] if each["for"] != "host"]


def play(device: Path, lines: list[str]) -> tuple[list[str], int]:
    """Play a script to the trivial device; return its frames, each after its time, and the pulses."""
    told = SHARED["device"]
    out = subprocess.run(
        [
            str(device),
            "--script",
            "--chip=trivial",
            *(
                f"--{name}={told[name.replace('-', '_').replace('payload', 'max_payload')]}"
                for name in ("records", "payload", "window", "rx-bytes", "watchdog-ms", "boot-id")
            ),
        ],
        input="\n".join(lines),
        capture_output=True,
        text=True,
        timeout=20,
        check=True,
    ).stdout.splitlines()
    return out[:-1], int(out[-1].split()[1])


@pytest.mark.parametrize("scenario", FOR_DEVICES, ids=lambda each: each["name"])
def test_the_device_answers_to_the_byte_and_the_millisecond(device: Path, scenario: dict[str, Any]) -> None:
    steps = [step for step in scenario["steps"] if step["from"] != "user"]
    end = steps[-1]["at_ms"] + 1  # and nothing else in the millisecond after
    heard, pulses = play(
        device,
        [f"{step['at_ms']} {step['arrives']}" for step in steps if step["from"] == "host" and step["arrives"]]
        + [f"{end}"],
    )
    assert heard == [f"{step['at_ms']} {step['hex']}" for step in steps if step["from"] == "device"]
    assert pulses == scenario["pulses"]
