"""The daemon at rest: seconds from start to ready, and memory, against the stated limits (Linux only).

Limits: ready in 0.7 s on two ordinary cores, under 85 MB resident.
"""

import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

READY_LIMIT_S, MEMORY_LIMIT_MB = 0.7, 85.0
RUNS = 5


def once() -> tuple[float, float]:
    """Start a daemon in a folder of its own; return seconds until it answers and its resident MB."""
    with tempfile.TemporaryDirectory() as folder:
        environment = {
            **os.environ,
            "ROMWRIGHT_STATE_DIR": folder,
            "ROMWRIGHT_PORT": "0",
            "ROMWRIGHT_LOG_LEVEL": "error",
        }
        environment.pop("PYTHONDONTWRITEBYTECODE", None)  # an installed program has its modules compiled
        command = [sys.executable, "-m", "cli.main", "serve"]
        began = time.monotonic()
        daemon = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL)
        try:
            runtime = Path(folder, "run", "bench.json")
            while not (runtime.exists() and answers(json.loads(runtime.read_text())["url"])):
                if daemon.poll() is not None or time.monotonic() - began > 20:
                    sys.exit("the daemon did not start")
                time.sleep(0.005)
            ready_s = time.monotonic() - began
            time.sleep(1)
            status = Path(f"/proc/{daemon.pid}/status").read_text()
            resident_kb = int(status.split("VmRSS:")[1].split()[0])
        finally:
            daemon.terminate()
            daemon.wait(10)
    return ready_s, resident_kb / 1024


def answers(url: str) -> bool:
    try:
        with urllib.request.urlopen(f"{url}/healthz", timeout=1) as response:
            return bool(response.status == 200)
    except OSError:
        return False


def main() -> None:
    if not sys.platform.startswith("linux"):
        print("resident memory is read from /proc: Linux only")
        return
    once()
    runs = [once() for _ in range(RUNS)]
    for name, values, limit, unit in (
        ("start to ready", [run[0] for run in runs], READY_LIMIT_S, "s"),
        ("resident memory", [run[1] for run in runs], MEMORY_LIMIT_MB, "MB"),
    ):
        middle = statistics.median(values)
        print(
            f"{name:>16}: median {middle:.2f} {unit} (of {RUNS}: {min(values):.2f} to {max(values):.2f}),"
            f" {middle / limit:.2f} of the limit {limit:g} {unit}"
        )


if __name__ == "__main__":
    main()
