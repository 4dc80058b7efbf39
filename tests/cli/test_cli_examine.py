"""An unmarked chip, and what is in a file, from the command line."""

import json
from pathlib import Path
from typing import Any

from cli.exit_codes import Exit


def test_an_unmarked_chip_and_its_content(place: Any, simulator: Any, tmp_path: Path) -> None:
    practice = simulator("--part", "M27C512", "--chip", "used")
    told = place.run("examine", "--pins", "28", "--window", "--port", practice.port)
    assert told.returncode == Exit.DONE, told.stderr
    # STMicroelectronics M27C512: 15 W-sec/cm2.
    assert "erase, 15 J/cm²" in told.stdout
    assert "M27C512" in told.stdout
    shown = place.run(
        "examine", "--pins", "28", "--window", "--marking", "27C256", "--id-voltage", "--json",
        "--port", practice.port,
    )  # fmt: skip
    numbers = json.loads(shown.stdout)["outcome"]["numbers"]
    # M27C512: manufacturer 20h, device 3Dh.
    assert (numbers["signature"]["maker"], numbers["signature"]["device"]) == (0x20, 0x3D)
    assert numbers["remarked"] is True
    half = tmp_path / "half.bin"
    saved = place.run("image", "save", numbers["content_sha256"], str(half))
    assert saved.returncode == Exit.DONE, saved.stderr
    half.write_bytes(half.read_bytes()[32768:])
    found = place.run("image", "match", str(half))
    assert "upper half" in found.stdout


def test_a_wrong_number_of_pins_is_a_usage_error(place: Any, simulator: Any) -> None:
    practice = simulator("--part", "M27C512")
    told = place.run("examine", "--pins", "27", "--port", practice.port)
    assert told.returncode != Exit.DONE
    assert "package_pins" in told.stderr
