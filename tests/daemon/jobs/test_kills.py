"""A daemon that is killed in the middle of a job, wherever it may be, and what can be made of the chip then.

Each kill is at another point; `--kill-points` says at how many for each part and signal.
"""

import random
import signal
import sys
import time

import numpy as np
import pytest

from daemon.catalogue.loader import Catalogue
from simulator.programmer.profile import full
from simulator.programmer.programmer import VirtualProgrammer
from simulator.serve import ServedProgrammer
from simulator.socket import Socket
from simulator.stock import Stock, make_socket
from tests.support.daemon_process import daemon_process
from tests.support.ports import until

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="signals end a process in another way there"),
]

PARTS = Catalogue()
DENSE = random.Random(42).randbytes(1 << 17)
#: Part -> how many times faster than real time, so that a job takes a second or two here.
SPEEDS = {
    # Clears bits, verifies each pulse, and no overprogram pulse.
    "st-m27c256b": 3.0,
    # Each word gets an overprogram pulse of three times what it took.
    "st-m27c64a": 25.0,
    # One pulse for each word first, then verify and pulse.
    "ti-tms27c256": 3.0,
    # Bytes are replaced.
    "atmel-at28c64": 4.0,
    # Erased first.
    "sst-39sf010a": 2.0,
}
#: The simulated watchdog, and the time it takes to discharge, in the host's time.
WATCHDOG_S = 1.0 + 0.5


class Bench:
    """A served programmer with one chip of a part in its socket."""

    def __init__(self, part_id):
        self.part = PARTS.get(part_id)
        self.served = ServedProgrammer(VirtualProgrammer(full("SIM-1"), Socket(48)), speed=SPEEDS[part_id])
        self.content = DENSE[: self.part.size_bytes]

    def fresh_chip(self, seed):
        self.served.remove()
        self.served.insert(make_socket(self.part, Stock.BLANK, seed, socket_pins=48).remove())

    def held_at(self, vcc_v):
        """What the cells hold, read at a supply past all pins."""

        def read(board, now_s):
            rows = np.arange(self.part.words, dtype=np.uint32)
            return board.socket.chip.cells.read(rows, vcc_v).astype("u1").tobytes()

        return self.served.look(read)

    @property
    def supplies_off(self):
        """Whether both supplies are below half a volt, as SPEC.md D27 has it."""
        rails = self.served.look(lambda board, now_s: board.rails(now_s))
        return max(rails.vcc_v, rails.vpp_v) < 0.501


class Shop:
    """A bench and its daemon, and how long one whole job takes there."""

    def __init__(self, part_id, daemon, bench):
        self.bench, self.daemon = bench, daemon
        bench.fresh_chip(0)
        image = daemon.post("/v1/images", content=bench.content)["sha256"]
        self.wish = {"kind": "program", "part": part_id, "image": image}
        whole = daemon.ended(daemon.post("/v1/jobs", json=self.wish)["id"])
        assert whole["state"] == "succeeded", whole["outcome"]
        self.takes_s = whole["outcome"]["numbers"]["took_s"]


@pytest.fixture(scope="module", params=SPEEDS)
def shop(request, tmp_path_factory):
    bench = Bench(request.param)
    bench.served.start()
    try:
        with daemon_process(tmp_path_factory.mktemp("shop"), bench.served.port) as daemon:
            daemon.start()
            yield Shop(request.param, daemon, bench)
    finally:
        bench.served.stop()


@pytest.mark.no_cover
@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM])
def test_a_killed_job_is_interrupted_and_can_be_finished(shop, number, request):
    bench, daemon = shop.bench, shop.daemon
    kill_points = request.config.getoption("--kill-points")
    rng = random.Random(f"{shop.wish['part']} {number} {kill_points}")
    for seed in range(1, kill_points + 1):
        bench.fresh_chip(seed)
        job = daemon.post("/v1/jobs", json=shop.wish)
        daemon.job_until(job["id"], lambda job: job["state"] == "running")
        time.sleep(rng.uniform(0, shop.takes_s))
        daemon.end(number)
        # Nobody took them off for a process that was killed: the programmer's watchdog does.
        until(lambda: bench.supplies_off, WATCHDOG_S if number is signal.SIGKILL else 0.1)
        daemon.start()
        finish(daemon, bench, daemon.get(f"/v1/jobs/{job['id']}"), number)


def finish(daemon, bench, job, number):
    """Continue the job that was cut off, unless it had just ended, and look at the chip."""
    if job["state"] != "succeeded":
        assert job["state"] == "interrupted", job
        assert job["outcome"]["code"] == "interrupted"
        assert job["outcome"]["hint"]
        if number is signal.SIGTERM:
            assert job["outcome"]["numbers"]["supplies_after"] == "off"
        more = daemon.post(f"/v1/jobs/{job['id']}/continue")
        assert more["continues_id"] == job["id"]
        ended = daemon.ended(more["id"])
        assert ended["state"] == "succeeded", (ended["outcome"], job["steps"])
    assert bench.held_at(5.0) == bench.content
    assert bench.supplies_off
    # No word was left with less charge than its loop gives: what reads 0 does so with margin.
    for vcc_v in bench.part.supplies.supply_checks_v:
        assert bench.held_at(vcc_v) == bench.content
