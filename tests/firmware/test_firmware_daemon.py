"""The daemon works with the host build of the reference firmware as with any programmer."""

import random
from pathlib import Path

import pytest

from tests.firmware.chip_work import blank_program_and_read
from tests.support.daemon_process import daemon_process
from tests.support.firmware_build import ended, running

#: Part -> the modelled chip and its size. Pulses on /PGM, and on /CE.
CHIPS = {"amd-am27c64": ("27c64", 8192), "amd-am27c256": ("27c256", 32768)}


@pytest.mark.slow
@pytest.mark.parametrize("part", CHIPS)
def test_the_daemon_programs_and_reads(device: Path, tmp_path: Path, part: str) -> None:
    kind, size = CHIPS[part]
    dump, content = tmp_path / "chip.bin", random.Random(part).randbytes(size)
    with running(device, f"--chip={kind}", "--weak=8", f"--dump={dump}") as (port, process):
        with daemon_process(tmp_path, port) as daemon:
            daemon.start()
            blank_program_and_read(daemon, part, content)
        counted = ended(process)
    assert dump.read_bytes() == content
    assert counted.pop("pulses") > 0.99 * size  # what is erased already needs none
    assert set(counted.values()) == {0}, counted
