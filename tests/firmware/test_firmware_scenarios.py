"""The timed exchanges of scenarios.json, played to the reference firmware in its own time."""

from pathlib import Path
from typing import Any

import pytest

from tests.firmware.scripts import SHARED, play

FOR_DEVICES = [each for each in SHARED["scenarios"] if each["for"] != "host"]


@pytest.mark.parametrize("scenario", FOR_DEVICES, ids=lambda each: each["name"])
def test_the_device_answers_to_the_byte_and_the_millisecond(device: Path, scenario: dict[str, Any]) -> None:
    steps = [step for step in scenario["steps"] if step["from"] != "user"]
    end = steps[-1]["at_ms"] + 1  # and nothing else in the millisecond after
    asked = [
        f"{each['at_ms']} {each['arrives']}" for each in steps if each["from"] == "host" and each["arrives"]
    ]
    heard, pulses = play(device, [*asked, f"{end}"])
    assert heard == [f"{each['at_ms']} {each['hex']}" for each in steps if each["from"] == "device"]
    assert pulses == scenario["pulses"]
