"""The transfer alone, beside a stop-and-wait rival on the same line: XMODEM-1K of the `xmodem` package.

Both move the same bytes from a device process to this one, over a pseudo-terminal line that paces them and
holds them back as a USB adapter does (`line.py`). Real time; not on Windows.
"""

import io
import os
import random
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

ROOT = Path(__file__).parent.parent
sys.path.insert(0, str(ROOT))

SIZE_BYTES = 65_536
LINES = ((115_200, 1.0), (1_000_000, 1.0), (1_000_000, 16.0))
CONTENT = random.Random(1).randbytes(SIZE_BYTES)


@contextmanager
def process(*command: str) -> Iterator[str]:
    """Run a script of this folder; yield the first line that it prints."""
    child = subprocess.Popen([sys.executable, *command], stdout=subprocess.PIPE, text=True, cwd=ROOT)
    try:
        assert child.stdout is not None
        yield child.stdout.readline().strip()
    finally:
        child.kill()
        child.wait()
        child.stdout.close()


def ours(path: str) -> float:
    """Read the chip once and return the seconds."""
    from daemon.catalogue.loader import Catalogue
    from daemon.clock import SystemClock
    from daemon.operations.socketed import Socketed
    from daemon.programmers.fitting import fit_directly
    from daemon.programmers.session import Session
    from daemon.transport.serial_port import serial_transport

    transport = serial_transport(path, baud=1_000_000)
    transport.open()
    session = Session(transport, SystemClock())
    try:
        session.connect()
        part = Catalogue().get("st-m27c512")
        socketed = Socketed(session, fit_directly(part, session.identity))
        socketed.set_up()
        socketed.power(5000)
        began_s = time.monotonic()
        back = socketed.read(0, part.words, lambda _done: None)
        took_s = time.monotonic() - began_s
        assert back.agrees
        socketed.power_off()
    finally:
        session.close()
    return took_s


def calls_of(port: int) -> tuple[Callable[..., bytes | None], Callable[..., int]]:
    """Return how the package reads from and writes to a descriptor."""
    import select

    def get(size: int, timeout: float = 1) -> bytes | None:
        data = b""
        while len(data) < size and select.select([port], [], [], timeout)[0]:
            data += os.read(port, size - len(data))
        return data or None

    return get, lambda data, timeout=1: os.write(port, data)


def rival(path: str) -> float:
    """Receive the same number of bytes by XMODEM-1K and return the seconds."""
    import tty

    from xmodem import XMODEM1k

    port = os.open(path, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(port)
    modem = XMODEM1k(*calls_of(port))
    received = io.BytesIO()
    began_s = time.monotonic()
    assert modem.recv(received, crc_mode=1, timeout=2) is not None
    took_s = time.monotonic() - began_s
    os.close(port)
    assert received.getvalue()[:SIZE_BYTES] == CONTENT
    return took_s


def serve_chip() -> None:
    """Be a device with a full chip, on a pseudo-terminal without a pace of its own."""
    from simulator.programmer.profile import full
    from simulator.programmer.programmer import VirtualProgrammer
    from simulator.serve import ServedProgrammer
    from simulator.stock import Stock, make_socket
    from tests.support.virtual_bench import PARTS

    socket = make_socket(PARTS.get("st-m27c512"), Stock.USED, 1, socket_pins=48)
    served = ServedProgrammer(VirtualProgrammer(full("SIM-1"), socket))
    served.start()
    print(served.port, flush=True)
    time.sleep(600)


def serve_rival() -> None:
    """Send the bytes by XMODEM-1K on a pseudo-terminal."""
    import pty
    import tty

    from xmodem import XMODEM1k

    near, far = pty.openpty()
    tty.setraw(far)
    print(os.ttyname(far), flush=True)
    XMODEM1k(*calls_of(near)).send(io.BytesIO(CONTENT), timeout=60)
    time.sleep(60)


def main() -> None:
    """Measure both on each line."""
    if len(sys.argv) > 1 and sys.argv[1] == "--serve-chip":
        return serve_chip()
    if len(sys.argv) > 1 and sys.argv[1] == "--serve-rival":
        return serve_rival()
    if sys.platform == "win32":
        return print("pseudo-terminals are needed: not on Windows")
    print(f"{SIZE_BYTES // 1024} KiB from a device, the transfer alone, over a pseudo-terminal line; seconds")
    print("     baud  ms  at 10 bits a byte   ours  of wire  XMODEM-1K  of wire")
    for baud, latency_ms in LINES:
        took = []
        for serve, receive in (("--serve-chip", ours), ("--serve-rival", rival)):
            with (
                process(str(Path(__file__)), serve) as inner,
                process(str(ROOT / "bench" / "line.py"), inner, str(baud), str(latency_ms)) as path,
            ):
                took.append(receive(path))
        wire_s = SIZE_BYTES * 10 / baud
        print(
            f"{baud:>9} {latency_ms:>3.0f} {wire_s:>18.3f} {took[0]:>6.3f} {took[0] / wire_s:>8.3f}"
            f" {took[1]:>10.3f} {took[1] / wire_s:>8.3f}",
            flush=True,
        )
    return None


if __name__ == "__main__":
    main()
