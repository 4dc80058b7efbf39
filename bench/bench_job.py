"""Whole main jobs in virtual time, as ratios to their limit (`limits.py`), and reads that are streamed.

bench_job.py           a selection, two minutes
bench_job.py --full    every size, loop, speed, latency and device; half an hour
"""

import argparse
import random
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import structlog

sys.path.insert(0, str(Path(__file__).parent.parent))
from bench.limits import Line, job_limit_s, read_limit_s
from daemon.catalogue.model import Part
from daemon.catalogue.terms import Loop
from daemon.images.model import Image, Segment
from daemon.programmers.fitting import supplies_of
from daemon.store.model import JobKind, JobState
from daemon.transport.memory import Wire
from simulator.programmer.profile import Profile, full
from simulator.stock import Stock
from tests.support.virtual_bench import PARTS, small_limits, virtual_bench

BAUDS = (115_200, 500_000, 1_000_000, 2_000_000)
#: One-way: a good USB adapter, and one with the usual 16 ms timer.
LATENCIES_S = (0.001, 0.016)
#: What a device holds: 4 KiB in flight, and two small blocks (an 8-bit controller with 2 KiB of RAM).
DEVICES = {"4 x 1024": {}, "2 x 256": {"window": 2, "max_payload": 256, "rx_bytes": 576}}


def two_passes(part: Part) -> Part:
    """Return the part as if its maker asked for one pulse for each word first, and then a verify pass."""
    assert part.write is not None
    return part.model_copy(
        update={"write": part.write.model_copy(update={"loop": Loop.FIRST_PASS_THEN_VERIFY})}
    )


#: By size and loop; no part of 4 MiB with a whole-chip first pass is in the catalogue.
CHIPS = {
    ("64 KiB", "each"): PARTS.get("st-m27c512"),
    ("64 KiB", "two"): PARTS.get("atmel-at27c512r"),
    ("512 KiB", "each"): PARTS.get("st-m27c4001"),
    ("512 KiB", "two"): PARTS.get("atmel-at27c040"),
    ("4 MiB", "each"): PARTS.get("st-m27c322"),
    ("4 MiB", "two"): two_passes(PARTS.get("st-m27c322")),
}


@dataclass(frozen=True, slots=True)
class Case:
    """One job to measure."""

    size: str
    loop: str
    line: Line
    device: str

    @property
    def part(self) -> Part:
        """The chip."""
        return CHIPS[self.size, self.loop]


def cases(every: bool) -> Iterator[Case]:
    """Yield all of the matrix, or some of the large ones."""
    some = {
        "512 KiB": {(115_200, 0.001), (1_000_000, 0.016)},
        "4 MiB": {(115_200, 0.016), (1_000_000, 0.001)},
    }
    for (size, loop), baud, latency_s, device in product(CHIPS, BAUDS, LATENCIES_S, DEVICES):
        chosen = size == "64 KiB" or ((baud, latency_s) in some[size] and device == "4 x 1024")
        if every or (chosen and not (size == "4 MiB" and (loop == "two") is (baud == 1_000_000))):
            yield Case(size, loop, Line(baud, latency_s), device)


def wire_of(line: Line) -> Wire:
    """Return the line as the virtual bench has it."""
    return Wire(baud=line.baud, latency_to_device_s=line.latency_s, latency_to_host_s=line.latency_s)


def profile_of(device: str) -> Profile:
    """Return the board with these limits of its link."""
    return small_limits(full("SIM-1"), **DEVICES[device]) if DEVICES[device] else full("SIM-1")


def run(part: Part, content: Image, profile: Profile, line: Line) -> tuple[dict[str, float], int]:
    """Run one job; return its numbers and how many bytes the host sent."""
    with (
        tempfile.TemporaryDirectory() as folder,
        virtual_bench(Path(folder), part, profile=profile, wire=wire_of(line)) as bench,
    ):
        before = bench.session.counters.bytes_out
        job = bench.run(JobKind.PROGRAM, part, content)
        assert job.state is JobState.SUCCEEDED, job.outcome
        return job.outcome["numbers"], bench.session.counters.bytes_out - before


def dense(part: Part) -> bytes:
    """Return random content for all of a part."""
    return random.Random(1).randbytes(part.size_bytes)


def jobs(every: bool) -> None:
    """Print the jobs."""
    print(
        "Dense random images, whole main job, virtual seconds. Loop two: one pulse for each word of the chip,"
    )
    print(
        "then a verify pass; `sent twice` is the ratio to a limit where the image crosses the line for both."
    )
    print("    size  loop    device     baud  ms    took s   limit s  ratio  sent twice")
    for case in cases(every):
        part, profile = case.part, profile_of(case.device)
        numbers, _ = run(part, Image.raw(dense(part)), profile, case.line)
        lowest_v, took_s = supplies_of(part).vcc_low_mv / 1000, numbers["took_s"]
        known = (part, profile.identity.timing, case.line, int(numbers["pulses"]), lowest_v)
        least_s = job_limit_s(*known)
        row = f"{case.size:>8} {case.loop:>5} {case.device:>9} {case.line.baud:>8}"
        row += f" {case.line.latency_s * 1e3:>3.0f}"
        row += f" {took_s:>9.3f} {least_s:>9.3f} {took_s / least_s:>6.3f}"
        if case.loop == "two":
            row += f" {took_s / job_limit_s(*known, sent_twice=True):>11.3f}"
        print(row, flush=True)


def sparse() -> None:
    """Print what images cost on the wire that hold less than their part."""
    part, rng = PARTS.get("st-m27c4001"), random.Random(2)
    some = rng.randbytes(32_768)
    images = {
        "dense": Image.raw(dense(part)),
        "blank": Image.raw(b"\xff" * 64),
        "32 KiB of 512": Image.of([Segment(at * 131_072, some[at * 8192 :][:8192]) for at in range(4)]),
        "32 KiB repeated": Image.raw(some * 16),
        "480 KiB of 00": Image.raw(some + bytes(part.size_bytes - len(some))),
    }
    print("\nWhat crosses the wire to the device for a 512 KiB part, 1 Mbaud, 1 ms")
    print(f"{'image':>16} {'bytes sent':>10} {'of the dense':>12} {'pulses':>8} {'took s':>8}")
    base = 0
    for name, image in images.items():
        numbers, sent = run(part, image, full("SIM-1"), Line(1_000_000, 0.001))
        base = base or sent
        print(f"{name:>16} {sent:>10} {sent / base:>12.3f} {numbers['pulses']:>8} {numbers['took_s']:>8.3f}")


def reads(every: bool) -> None:
    """Print reads of a whole chip, streamed in blocks of two sizes."""
    print("\nRead-back, streamed: the stretch alone; its limit is the wire's time and one way there and back")
    print("    size  block     baud  ms   took s   wire s of wire of limit")
    for size, payload, baud, latency_s in product(("64 KiB", "512 KiB"), (256, 512), BAUDS, LATENCIES_S):
        if not every and size == "512 KiB" and baud < 1_000_000:
            continue
        part, line = CHIPS[size, "each"], Line(baud, latency_s)
        profile = full("SIM-1")
        profile = replace(profile, limits=replace(profile.limits, max_payload=payload))
        with (
            tempfile.TemporaryDirectory() as folder,
            virtual_bench(Path(folder), part, Stock.USED, profile=profile, wire=wire_of(line)) as bench,
        ):
            socketed = bench.socketed(part)
            socketed.set_up()
            socketed.power(5000)
            began_s = bench.clock.monotonic_s()
            back = socketed.read(0, part.words, lambda _done: None)
            took_s = bench.clock.monotonic_s() - began_s
            assert back.data == bench.held
        wire_s = line.carries_s(part.size_bytes)
        print(
            f"{size:>8} {payload:>6} {baud:>8} {latency_s * 1e3:>3.0f} {took_s:>8.3f} {wire_s:>8.3f} "
            f"{took_s / wire_s:>7.3f} {took_s / read_limit_s(line, part.size_bytes):>8.3f}"
        )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--full", action="store_true", help="the whole matrix")
    every = parser.parse_known_args()[0].full
    structlog.configure(logger_factory=structlog.ReturnLoggerFactory())
    jobs(every)
    sparse()
    reads(every)


if __name__ == "__main__":
    main()
