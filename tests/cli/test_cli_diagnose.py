"""Causes, the walk round a dead board and a rescue read, from the command line."""

import json
from pathlib import Path
from typing import Any

from cli.exit_codes import Exit


def test_causes_are_shown_and_a_failing_chip_is_read(place: Any, simulator: Any, tmp_path: Path) -> None:
    practice = simulator("--part", "M27C64A", "--chip", "used")
    failed = place.run("blank-check", "--part", "M27C64A", "--port", practice.port)
    assert failed.returncode == Exit.NEGATIVE
    assert "The cause:" in failed.stdout
    assert "The chip is programmed" in failed.stdout
    kept, mask = tmp_path / "original.bin", tmp_path / "certain.bin"
    rescued = place.run(
        "rescue-read", str(kept), "--mask", str(mask), "--part", "M27C64A", "--reads", "6",
        "--port", practice.port,
    )  # fmt: skip
    assert rescued.returncode == Exit.DONE, rescued.stderr
    assert kept.read_bytes().startswith(b"SKERRY COMPUTER CLUB")
    assert mask.read_bytes() == b"\xff" * 8192
    assert "Clopper-Pearson" in rescued.stdout
    well = place.run("diagnose", str(kept), "--part", "M27C64A", "--port", practice.port)
    assert well.returncode == Exit.DONE, well.stderr
    assert "nothing wrong" in well.stdout
    turned = tmp_path / "turned.bin"
    turned.write_bytes(bytes(byte ^ 0xFF for byte in kept.read_bytes()))
    told = place.run("diagnose", str(turned), "--part", "M27C64A", "--json", "--port", practice.port)
    causes = json.loads(told.stdout)["outcome"]["causes"]
    assert causes[0]["code"] == "image-inverted"
    walked = place.run("diagnose", "--board-dead", "--part", "M27C64A", "--access", "150", "--grade", "250")
    assert walked.returncode == Exit.DONE, walked.stderr
    assert "Access time: wrong" in walked.stdout
    assert "What a programmer cannot see" in walked.stdout
