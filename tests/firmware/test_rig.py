"""The firmware of the ATmega2560 on an emulated core, wired to a modelled chip: what its pins did.

The model counts what a data sheet of a 27C-series EPROM would not allow (from memory: pulses within 5 % of
the maker's, address and data steady 2 us before and after): see firmware/model/eprom.h.
"""

import random
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from daemon.operations.refusals import require_ok
from daemon.operations.socketed import Socketed
from protocol.host.events import Completed
from protocol.messages import Program
from protocol.wire import Opcode, Pass
from tests.firmware.chip_work import blank_program_and_read
from tests.support.daemon_process import daemon_process
from tests.support.firmware_build import ask_rig, ended, running
from tests.support.firmware_socket import socketed, timed_program, timed_read

pytestmark = pytest.mark.slow


class HostDies(BaseException):
    """Ends a stream of requests as a killed process does: nothing is sent any more."""


def die_while_programming(work: Socketed) -> None:
    """Send PROGRAM requests until one is complete, and then nothing more, with others under way."""

    def dies(done: Completed) -> None:
        require_ok(done, "program")
        raise HostDies

    supplies = work.descriptor.supplies
    work.power(supplies.vcc_program_mv, supplies.vpp_program_mv)
    blocks = (
        (Opcode.PROGRAM, Program(work.session.next_op(), at, Pass.FULL, bytes(64)))
        for at in range(0, 2048, 64)
    )
    with pytest.raises(HostDies):
        work.session.stream(blocks, dies, timeout_s=10)


Rig = tuple[Path, Path]
SOME = 700
WRONG = (
    "width",
    "moved",
    "setup",
    "hold",
    "contention",
    "vpp-alone",
    "wrong-pin",
    "early",
    "two-drivers",
    "overruns",
)


def nothing_wrong(counted: dict[str, int]) -> bool:
    return not any(counted[name] for name in WRONG)


def is_off(counted: dict[str, int]) -> bool:
    """Below half a volt, as SPEC.md D27 has it, no supply switched on, and no pin of the socket driven."""
    low = counted["vcc-mv"] < 500 and counted["vpp-mv"] < 500
    return low and not any(counted[name] for name in ("vcc-on", "vpp-on", "id-on", "pins"))


def until(what: Callable[[], bool], limit_s: float) -> None:
    deadline_s = time.monotonic() + limit_s
    while not what():
        assert time.monotonic() < deadline_s, "it did not come about"
        time.sleep(0.02)


def test_the_daemon_programs_and_reads(rig: Rig, tmp_path: Path) -> None:
    dump, content = tmp_path / "chip.bin", random.Random(2).randbytes(8192)
    with running(rig[0], "--chip=27c64", "--weak=8", f"--dump={dump}", str(rig[1])) as (port, process):
        with daemon_process(tmp_path, port) as daemon:
            daemon.start()
            blank_program_and_read(daemon, "amd-am27c64", content)
        counted = ended(process)
    assert dump.read_bytes() == content
    assert nothing_wrong(counted), counted
    assert is_off(counted), counted
    # Every pulse within 0.6 % of 100 us; some cells take two.
    assert 99_400 <= counted["shortest-ns"] <= counted["longest-ns"] <= 100_600
    assert 8192 < counted["pulses"] < 8192 * 1.02


@pytest.mark.parametrize("part", ["amd-am27c256", "amd-am27c512", "amd-am27c010", "atmel-at28c64"])
def test_pulses_come_where_the_part_wants_them(rig: Rig, tmp_path: Path, part: str) -> None:
    """On /CE, with VPP on /OE, on /PGM of a 32-pin part; and a write enable, without VPP."""
    kind = part.removeprefix("amd-am").removeprefix("atmel-at")
    dump, content = tmp_path / "chip.bin", random.Random(kind).randbytes(SOME)
    with running(rig[0], f"--chip={kind}", "--weak=20", f"--dump={dump}", str(rig[1])) as (port, process):
        with socketed(port, part) as work:
            timed_program(work, content)
            assert timed_read(work, SOME)[0] == content
        counted = ended(process)
    assert dump.read_bytes()[:SOME] == content
    assert nothing_wrong(counted), counted
    assert is_off(counted), counted


def test_silence_takes_everything_off(rig: Rig) -> None:
    """D19: the host dies in the middle of a PROGRAM."""
    with running(rig[0], "--chip=27c64", str(rig[1])) as (port, process):
        with socketed(port, "amd-am27c64", leave=True) as work:
            die_while_programming(work)
            assert not is_off(ask_rig(process))
        until(lambda: is_off(ask_rig(process)), 5)
        counted = ended(process)
    assert nothing_wrong(counted | {"width": 0}), counted  # a pulse may be cut short


def test_a_reset_takes_everything_off_at_once(rig: Rig) -> None:
    """D21: pull-downs hold the supplies off while no pin of the controller is driven."""
    with running(rig[0], "--chip=27c64", str(rig[1])) as (port, process):
        with socketed(port, "amd-am27c64", leave=True) as work:
            die_while_programming(work)
            after = ask_rig(process, "reset")
            assert not any(after[name] for name in ("vcc-on", "vpp-on", "id-on", "pins"))
        until(lambda: is_off(ask_rig(process)), 5)
        # It starts anew, and tells so (D6).
        with socketed(port, "amd-am27c64") as again:
            assert again.session.hello is not None
            assert work.session.hello is not None
            assert again.session.hello.boot_id == work.session.hello.boot_id + 1
