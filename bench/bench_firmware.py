"""What the reference firmware needs and reaches on the emulated rig: sizes, bytes a second, us a byte.

The stated limits: the wire (a tenth of the baud rate) for reading, 100 us a byte for programming with pulses
of 100 us. Times are those of the emulated controller, so a busy machine does not spoil them much; the factor
says how many seconds of it one second of this machine emulates.
"""

import random
import re
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
from protocol.messages import Program
from protocol.wire import Opcode, Pass
from tests.support.firmware_build import ask_rig, build, ended, missing_for_rig, running
from tests.support.firmware_socket import socketed

CYCLES_PER_S = 16e6
SIZE = 32_768


def sizes(program: Path) -> str:
    told = subprocess.run(["avr-size", "-A", str(program)], capture_output=True, text=True, check=True).stdout
    size = {name: int(found) for name, found in re.findall(r"^\.(text|data|bss)\s+(\d+)", told, re.MULTILINE)}
    return f"flash {size['text'] + size['data']} bytes, RAM {size['data'] + size['bss']} bytes and the stack"


def reading(rig: Path, program: Path, folder: Path) -> float:
    """Return the bytes a second of a read of 128 KiB."""
    content = random.Random(1).randbytes(131_072)
    (folder / "content").write_bytes(content)
    options = ("--chip=27c010", f"--content={folder / 'content'}")
    with running(rig, *options, str(program)) as (port, process), socketed(port, "amd-am27c010") as work:
        work.power(5000)
        before = ask_rig(process)["cycles"]
        assert work.read(0, len(content), lambda done: None).data == content
        return len(content) / ((ask_rig(process)["cycles"] - before) / CYCLES_PER_S)


def programming(rig: Path, program: Path) -> dict[str, int]:
    """Program 32 KiB, 8 in a thousand bytes needing two pulses, and return what the rig counted."""
    content = random.Random(1).randbytes(SIZE)
    with running(rig, "--chip=27c256", "--weak=8", str(program)) as (port, process):
        with socketed(port, "amd-am27c256") as work:
            supplies, size = work.descriptor.supplies, work.payload_bytes
            work.power(supplies.vcc_program_mv, supplies.vpp_program_mv)
            requests = (
                (Opcode.PROGRAM, Program(work.session.next_op(), at, Pass.FULL, content[at : at + size]))
                for at in range(0, len(content), size)
            )
            work.session.stream(requests, lambda done: None, timeout_s=60)
        return ended(process)


def factor(rig: Path, program: Path) -> float:
    """Return how many emulated seconds this machine does in one, while it programs as fast as it can."""
    with tempfile.TemporaryDirectory() as name:
        content, folder = random.Random(1).randbytes(131_072), Path(name)
        (folder / "content").write_bytes(content)
        options = ("--chip=27c010", f"--content={folder / 'content'}", "--speed=0")
        with running(rig, *options, str(program)) as (port, process), socketed(port, "amd-am27c010") as work:
            work.power(5000)
            before = ask_rig(process)
            work.read(0, 65_536, lambda done: None)
            after = ask_rig(process)
    return (
        (after["cycles"] - before["cycles"]) / CYCLES_PER_S / ((after["wall-us"] - before["wall-us"]) / 1e6)
    )


def main() -> None:
    lacking = missing_for_rig()
    if lacking:
        sys.exit(lacking)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for baud in (500_000, 1_000_000):
            made = build("rig avr", folder / str(baud), BAUD=str(baud))
            rig, program = made / "rig" / "rig", made / "m2560" / "device.elf"
            print(f"ATmega2560 at {baud} baud: {sizes(program)}")
            rate = reading(rig, program, folder)
            print(f"  reading      {rate:9.0f} B/s      {rate / (baud / 10):6.3f} of the wire")
            counted = programming(rig, program)
            us = counted["pulsing-ns"] / SIZE / 1000
            shortest, longest = counted["shortest-ns"] / 1000, counted["longest-ns"] / 1000
            print(f"  programming  {us:9.2f} us a byte {100 / us:6.3f} of the limit")
            print(f"  pulses       {shortest:.2f} to {longest:.2f} us, {counted['pulses']} for {SIZE} bytes")
            print(f"  emulation    {factor(rig, program):9.2f} times real time, reading")


if __name__ == "__main__":
    main()
