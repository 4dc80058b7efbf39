"""The daemon works with the host build of the reference firmware as with any programmer."""

import random
import subprocess
from pathlib import Path

import pytest

from tests.firmware.chip_work import blank_program_and_read
from tests.support.daemon_process import daemon_process
from tests.support.firmware_build import running

#: Part -> the modelled chip. Verify each pulse with /PGM, with /CE, with VPP on /OE; a 32-pin one; written by the byte.
CHIPS = {"amd-am27c64": "27c64", "amd-am27c256": "27c256"}


def faults(process: "subprocess.Popen[str]") -> dict[str, int]:
    """End the device and return what the modelled chip counted."""
    process.terminate()
    assert process.stdout is not None
    words = process.stdout.read().split()
    return {name: int(count) for name, count in zip(words[::2], words[1::2], strict=True)}


@pytest.mark.slow
@pytest.mark.parametrize("part", CHIPS)
def test_the_daemon_programs_and_reads(device: Path, tmp_path: Path, part: str) -> None:
    dump = tmp_path / "chip.bin"
    size = {"amd-am27c64": 8192, "amd-am27c256": 32768}[part]
    content = random.Random(part).randbytes(size)
    with running(device, f"--chip={CHIPS[part]}", "--weak=8", f"--dump={dump}") as (port, process):
        with daemon_process(tmp_path, port) as daemon:
            daemon.start()
            blank_program_and_read(daemon, part, content)
        counted = faults(process)
    assert dump.read_bytes() == content
    assert counted.pop("pulses") > size
    assert set(counted.values()) == {0}, counted
