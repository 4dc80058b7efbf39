"""What one programmer at 1 Mbaud costs its host: CPU of the thread that talks to it, on a pseudo-terminal.

The limit is 5 % of a core. The simulator runs in a process of its own on a paced line. CPU time and not
elapsed time is measured, so that a busy machine does little harm. `--profile` prints where it goes. Not on
Windows.
"""

import cProfile
import pstats
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
from daemon.catalogue.loader import Catalogue
from daemon.clock import SystemClock
from daemon.operations.blocks import Block
from daemon.operations.socketed import Socketed
from daemon.operations.writing import Stage, Watcher, write
from daemon.programmers.fitting import fit_directly
from daemon.programmers.session import Session
from daemon.transport.serial_port import serial_transport
from protocol.wire import Pass

ROOT = Path(__file__).parent.parent
PART, CORE_LIMIT = "st-m27c4001", 0.05


@contextmanager
def socketed() -> Iterator[Socketed]:
    """Yield a part set up in a simulator of another process."""
    command = [sys.executable, str(Path(__file__)), "--serve"]
    board = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT)
    try:
        assert board.stdout is not None
        transport = serial_transport(board.stdout.readline().strip(), baud=1_000_000)
        transport.open()
        session = Session(transport, SystemClock())
        try:
            session.connect()
            chip = Socketed(session, fit_directly(Catalogue().get(PART), session.identity))
            chip.set_up()
            yield chip
            chip.power_off()
        finally:
            session.close()
    finally:
        board.kill()
        board.wait()


def serve() -> None:
    """Be a programmer with a full chip in its socket."""
    from simulator.programmer.profile import full
    from simulator.programmer.programmer import VirtualProgrammer
    from simulator.serve import ServedProgrammer
    from simulator.stock import Stock, make_socket

    chip = make_socket(Catalogue().get(PART), Stock.USED, 1, socket_pins=48)
    served = ServedProgrammer(VirtualProgrammer(full("SIM-1"), chip), baud=1_000_000)
    served.start()
    print(served.port, flush=True)
    time.sleep(600)


def cost(what: Callable[[], int]) -> tuple[float, float]:
    """Return CPU seconds a megabyte, and the share of a core while it went on."""
    cpu_s, began_s = time.thread_time(), time.monotonic()
    size_mb = what() / 1e6
    cpu_s, took_s = time.thread_time() - cpu_s, time.monotonic() - began_s
    return cpu_s / size_mb, cpu_s / took_s


def main() -> None:
    """Measure and print."""
    if "--serve" in sys.argv:
        return serve()
    if sys.platform == "win32":
        return print("pseudo-terminals are needed: not on Windows")
    with socketed() as chip:

        def read() -> int:
            chip.power(5000)
            assert chip.read(0, chip.part.words, lambda _done: None).agrees
            return chip.part.size_bytes

        def program() -> int:
            # Whatever the chip holds takes 00, which is sent here as any other content.
            chip.power(6250, 12750)
            blocks = [Block(at, bytes(1024)) for at in range(0, 32_768, 1024)]
            watcher = Watcher(lambda *_what: None, lambda _block: None)
            write(chip, [Stage(blocks, Pass.FULL)], watcher)
            return 32_768

        profile = cProfile.Profile()
        print("              CPU s/MB  share of a core  of the limit")
        for name, what in (("reading", read), ("programming", program)):
            if "--profile" in sys.argv:
                profile.enable()
            per_mb, share = cost(what)
            profile.disable()
            print(f"{name:>12} {per_mb:>10.3f} {share:>16.3f} {share / CORE_LIMIT:>13.2f}", flush=True)
    if "--profile" in sys.argv:
        pstats.Stats(profile).sort_stats("tottime").print_stats(18)
    return None


if __name__ == "__main__":
    main()
