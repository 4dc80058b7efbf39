"""A 64 KiB job in virtual time, as a ratio to its limit.

The limit is computed here from the device's own figures and the part's sheet, apart from the daemon's code:
for each pass max(wire time at 10 bits a byte, pulses x width + the device's time per word), the looks at the
device's stated rate, and the settling of every supply change that the job cannot do without.
"""

import random
import sys
import tempfile
from pathlib import Path

import structlog

sys.path.insert(0, str(Path(__file__).parent.parent))
from daemon.store.model import JobKind
from daemon.transport.memory import Wire
from simulator.programmer.profile import full
from tests.support.virtual_bench import PARTS, virtual_bench

BAUDS = (115_200, 500_000, 1_000_000, 2_000_000)
#: One-way latency in seconds: a good USB adapter, and one with the usual 16 ms timer.
LATENCIES_S = (0.001, 0.016)
#: M27C512: 5.0 and 4.2 V to see that it is blank, the programming supplies, 6.0, 4.2, 5.0 V, and off.
SUPPLY_CHANGES = 7
#: Looks over the whole chip: blank twice, verify twice, checksum.
LOOKS = 5


def limit_s(pulses: int, size_bytes: int, baud: int) -> float:
    """Return the least time that the job can take."""
    timing, pulse_s = full().identity.timing, 100e-6
    programming_s = pulses * pulse_s + size_bytes * timing.program_ns_per_word / 1e9
    looks_s = LOOKS * size_bytes * timing.read_ns_per_word / 1e9
    return max(size_bytes * 10 / baud, programming_s) + looks_s + SUPPLY_CHANGES * timing.settle_ms / 1e3


def main() -> None:
    structlog.configure(logger_factory=structlog.ReturnLoggerFactory())
    content = random.Random(1).randbytes(PARTS.get("st-m27c512").size_bytes)
    print("64 KiB of random bytes into an M27C512, whole main job, virtual seconds")
    print(f"{'baud':>9} {'latency ms':>10} {'took s':>8} {'limit s':>8} {'ratio':>6}")
    for latency_s in LATENCIES_S:
        for baud in BAUDS:
            wire = Wire(baud=baud, latency_to_device_s=latency_s, latency_to_host_s=latency_s)
            with (
                tempfile.TemporaryDirectory() as folder,
                virtual_bench(Path(folder), "st-m27c512", wire=wire) as b,
            ):
                job = b.run(JobKind.PROGRAM, "st-m27c512", content)
            numbers = job.outcome["numbers"]
            least_s = limit_s(numbers["pulses"], len(content), baud)
            print(
                f"{baud:>9} {latency_s * 1e3:>10.0f} {numbers['took_s']:>8.3f} {least_s:>8.3f} "
                f"{numbers['took_s'] / least_s:>6.3f}"
            )


if __name__ == "__main__":
    main()
