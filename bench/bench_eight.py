"""Eight programmers at 1 Mbaud on one daemon: each one's speed beside its lone one, the API, and the CPU.

The programmers are devices that only speak the wire (`light_devices.py`), on paced pseudo-terminals in one
process; the simulator would need most of a core for each. 50 event streams are open. Real time, so the
machine should have nothing else to do: its load before is printed. Linux only: CPU is read from /proc.
"""

import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

ROOT = Path(__file__).parent.parent
sys.path.insert(0, str(ROOT))

PROGRAMMERS, STREAMS, BAUD = 8, 50, 1_000_000
PART = "st-m27c4001"
#: Stated limits: of the lone time, and of an answer, s.
SLOWER_LIMIT, ANSWER_LIMIT_S = 1.05, 0.05


def cpu_s(pid: int) -> float:
    """Return the CPU seconds that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


class Streams:
    """Event streams that are read as fast as they come."""

    def __init__(self, url: str, token: str) -> None:
        import selectors
        import socket

        where = urlsplit(url)
        self.bytes = 0
        self._selector = selectors.DefaultSelector()
        for _ in range(STREAMS):
            stream = socket.create_connection((where.hostname, where.port))
            stream.sendall(
                f"GET /v1/events HTTP/1.1\r\nHost: {where.netloc}\r\nAuthorization: Bearer {token}\r\n"
                "Accept: text/event-stream\r\n\r\n".encode()
            )
            stream.setblocking(False)
            self._selector.register(stream, selectors.EVENT_READ)
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        while True:
            for key, _ in self._selector.select(0.2):
                self.bytes += len(key.fileobj.recv(65_536))
            time.sleep(0.02)


def ask_all_along(get: Any, until: threading.Event, answers_s: list[float]) -> None:
    """Ask the API thirty times a second."""
    while not until.is_set():
        began_s = time.perf_counter()
        get("/v1/jobs?limit=20")
        answers_s.append(time.perf_counter() - began_s)
        time.sleep(0.033)


def read_on(daemon: Any, ids: list[str]) -> list[float]:
    """Read the chips of these programmers, all at once; return the seconds that each job took."""
    wish = {"kind": "read", "part": PART, "skip": ["pin-check"]}
    jobs = [daemon.post("/v1/jobs", json=wish | {"programmer": each}) for each in ids]
    time.sleep(6)
    ended = [daemon.ended(job["id"]) for job in jobs]
    for job in ended:
        if job["state"] != "succeeded":
            sys.exit(f"a read failed: {job['outcome']['summary']}")
    return [job["outcome"]["numbers"]["took_s"] for job in ended]


def measure(daemon: Any, devices: int) -> None:
    """Measure and print."""
    from daemon.catalogue.loader import Catalogue

    size_mb = Catalogue().get(PART).size_bytes / 1e6
    known = daemon.get("/v1/programmers")["programmers"]
    ids, own = [each["id"] for each in known], daemon._process.pid
    print(f"load of the machine before: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    read_on(daemon, ids[:1])
    before_cpu, before_s = cpu_s(own), time.monotonic()
    lone_s = read_on(daemon, ids[:1])[0]
    lone_cpu, lone_wall = cpu_s(own) - before_cpu, time.monotonic() - before_s
    http = daemon._http
    streams = Streams(str(http.base_url), http.headers["Authorization"].split()[1])
    answers_s: list[float] = []
    done = threading.Event()
    get = daemon.get
    asking = threading.Thread(target=ask_all_along, args=(get, done, answers_s))
    asking.start()
    before, before_s = [cpu_s(own), cpu_s(devices)], time.monotonic()
    try:
        took_s = read_on(daemon, ids)
    finally:
        done.set()
        asking.join()
    wall_s = time.monotonic() - before_s
    eight_cpu, devices_cpu = cpu_s(own) - before[0], cpu_s(devices) - before[1]
    answers_s.sort()
    p99_s = answers_s[int(len(answers_s) * 0.99)]
    rows = (
        f"read of {size_mb:.2f} MB: the wire alone {size_mb * 1e7 / BAUD:.2f} s, a lone job {lone_s:.2f} s",
        f"eight at once: {min(took_s):.2f} to {max(took_s):.2f} s, {max(took_s) / lone_s:.3f} of a lone time"
        f" (limit {SLOWER_LIMIT})",
        f"daemon: {lone_cpu / lone_wall:.3f} of a core for one, {eight_cpu / wall_s:.3f} for eight, with"
        f" streams and questions; devices {devices_cpu / wall_s:.3f}",
        f"API with {STREAMS} streams of {streams.bytes // STREAMS} bytes: {len(answers_s)} answers, median"
        f" {statistics.median(answers_s) * 1e3:.1f} ms, p99 {p99_s * 1e3:.1f} ms"
        f" (limit {ANSWER_LIMIT_S * 1e3:.0f} ms)",
    )
    print("\n".join(rows))


def main() -> None:
    """Start all processes, measure, and end them."""
    if not sys.platform.startswith("linux"):
        return print("CPU is read from /proc: Linux only")
    from tests.support.daemon_process import daemon_process

    with ExitStack() as stack, tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, str(ROOT / "bench" / "light_devices.py"), str(PROGRAMMERS), str(BAUD)]
        devices = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT)
        stack.callback(devices.wait)
        stack.callback(devices.kill)
        assert devices.stdout is not None
        daemon = stack.enter_context(daemon_process(Path(folder), *devices.stdout.readline().split()))
        daemon.start()
        until_s = time.monotonic() + 30
        while len(daemon.get("/v1/programmers")["programmers"]) < PROGRAMMERS and time.monotonic() < until_s:
            time.sleep(0.1)
        measure(daemon, devices.pid)
    return None


if __name__ == "__main__":
    main()
