"""The demonstration: its image, and the whole of it as a user runs it."""

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from cli.demo.firmware import SIZE_BYTES, tern8_image

COMMAND = [sys.executable, "-m", "cli.main", "demo", "--speed", "20", "--pause", "0"]


def kept_in(folder: Path) -> dict[str, str]:
    """Return an environment in which temporary files are made in `folder`, where they are seen."""
    return {**os.environ, "TMPDIR": str(folder), "TEMP": str(folder), "TMP": str(folder)}


def test_the_image_is_64_kib_of_many_kinds_and_always_the_same() -> None:
    image = tern8_image()
    assert len(image) == SIZE_BYTES == 65536
    assert image == tern8_image()
    assert b"SKERRY COMPUTER CLUB" in image
    assert image.count(b"HIGH WATER") == 365
    assert image[0xD000:0xE000] == b"\xff" * 0x1000
    stored = int.from_bytes(image[0xFFF2:0xFFF4], "little")
    assert stored == sum(image[:0xFFF0]) & 0xFFFF


@pytest.mark.slow
def test_the_demonstration_keeps_its_promises(tmp_path: Path) -> None:
    done = subprocess.run(
        COMMAND, env=kept_in(tmp_path), capture_output=True, text=True, check=False, timeout=110
    )
    assert done.returncode == 0, done.stdout + done.stderr
    shown = done.stdout
    for step in ("Connect", "Pin check", "Signature", "Blank check", "Program", "Verify", "Checksum"):
        assert step in shown
    assert "VPP          12.75 V on pin 22 (/OE|VPP)" in shown
    assert re.search(r"Took .+; estimated .+\.", shown)
    assert "the chip is in backwards; it was not powered" in shown
    assert "pin 25 (A8)" in shown
    assert re.search(r"[\d,]+ bits of 524,288 read 0 at 4\.[0-9]+ V", shown)
    assert re.search(r"it wants about .+ min", shown)
    assert "Even and odd are exchanged: this is the even bytes of tern16.bin" in shown
    assert "Their labels are a sheet" in shown
    assert "All of it went as promised" in shown
    assert not list(tmp_path.iterdir())


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C cannot be sent to one process there")
def test_ctrl_c_leaves_nothing_behind(tmp_path: Path) -> None:
    # At the true speed, so that it is in the middle of programming.
    command = [*COMMAND[:-4], "--speed", "1", "--pause", "0"]
    with subprocess.Popen(
        command, env=kept_in(tmp_path), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as process:
        assert process.stdout is not None
        for line in process.stdout:
            if line.startswith("✓ Blank check"):
                break
        assert list(tmp_path.iterdir())
        time.sleep(0.2)
        os.kill(process.pid, signal.SIGINT)
        rest = process.stdout.read()
        assert process.wait(timeout=30) == 130, rest
    assert not list(tmp_path.iterdir())
    assert "Traceback" not in rest
