"""The firmware of the ATmega328P on the rig: VCC fixed, VPP set by hand, two shift registers."""

import random
from pathlib import Path

import pytest

from tests.firmware.test_rig import is_off, nothing_wrong
from tests.support.firmware_build import ended, running
from tests.support.firmware_socket import socketed, timed_program, timed_read

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("kind", ["27c64", "27c256"])
def test_it_programs_and_reads_with_two_kilobytes(built_rig: Path, tmp_path: Path, kind: str) -> None:
    """Pulses on pin 27, and on pin 20 with an address on pin 27."""
    dump, content = tmp_path / "chip.bin", random.Random(kind).randbytes(300)
    options = ("--controller=atmega328p", f"--chip={kind}", "--weak=20", f"--dump={dump}")
    with running(built_rig / "rig" / "rig", *options, str(built_rig / "m328" / "device.elf")) as (
        port,
        process,
    ):
        with socketed(port, f"amd-am{kind}") as work:
            supplies = work.descriptor.supplies
            work.confirm(supplies.vcc_program_mv, supplies.vpp_program_mv)
            timed_program(work, content)
            assert timed_read(work, len(content))[0] == content
        counted = ended(process)
    assert dump.read_bytes()[: len(content)] == content
    assert nothing_wrong(counted), counted
    assert is_off(counted), counted
    assert 99_400 <= counted["shortest-ns"] <= counted["longest-ns"] <= 100_600
