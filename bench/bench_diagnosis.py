"""How often a diagnosis names what is wrong, and how often it is sure of something else.

`python -m bench.bench_diagnosis --cases 2500` draws faults at random in the simulator, runs the job that
fails by them, and prints a confusion table. Limits: 95 % of single faults named first, at most 1 % sure and
wrong.
"""

import argparse
import pickle
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import structlog

from bench.diagnosis_cases import PARTS, Case, draw
from daemon.clock import ManualClock
from daemon.diagnosis.report import SURE
from daemon.image_shelf import ImageShelf
from daemon.images.fit import fit
from daemon.images.model import Image
from daemon.jobs.kinds import TITLES, steps_for
from daemon.jobs.questions import QuestionBox
from daemon.jobs.request import JobRequest, Skippable
from daemon.jobs.runner import Assignment, JobControl, Runner
from daemon.programmers.session import Session, StopSignal
from daemon.store.model import JobChange, JobKind, JobState, NewJob, Step
from daemon.store.store import Store
from daemon.transport.memory import MemoryTransport, Wire
from simulator.programmer.programmer import VirtualProgrammer
from simulator.supplies import SupplyName

NAMED_LIMIT, WRONG_LIMIT = 0.95, 0.01


@dataclass(frozen=True)
class Finding:
    """What one case came to."""

    seed: int
    name: str
    truth: frozenset[str]
    second: frozenset[str]
    code: str
    first: str
    first_pins: frozenset[int]
    confidence: str
    probability: float
    right: bool
    strictly: bool
    both: bool
    fails: bool
    checks_pins: bool
    causes: tuple[tuple[str, float], ...] = field(default=())

    @property
    def sure(self) -> bool:
        """Whether the first cause is called sure."""
        return self.probability >= SURE


def run_case(seed: int, *, double: bool = False) -> Finding:
    """Run one case's job and compare its causes with the truth."""
    case = draw(seed, double=double)
    outcome = _outcome(case, seed)
    causes = outcome.get("causes") or ()
    told = [each for each in causes if each["code"] != "unknown"]
    first = (
        told[0] if told else {"code": "nothing", "confidence": "cannot-tell", "probability": 0.0, "pins": []}
    )
    named = [(each["code"], frozenset(pin["pin"] for pin in each["pins"])) for each in told]
    return Finding(
        seed, case.name, case.truth, case.second, outcome["code"], first["code"],
        named[0][1] if named else frozenset(), first["confidence"], first["probability"],
        bool(named) and _is_one(named[0], case),
        bool(named) and _is_one(named[0], case) and named[0][0] in case.strict,
        any(_is(each, case.truth, case.pins) for each in named[:3])
        and any(_is(each, case.second, case.second_pins) for each in named[:3]),
        outcome["code"] not in ("ok", "blank"), case.checks_pins,
        tuple((each["code"], each["probability"]) for each in causes),
    )  # fmt: skip


def _is_one(named: tuple[str, frozenset[int]], case: Case) -> bool:
    return _is(named, case.truth, case.pins) or _is(named, case.second, case.second_pins)


def _is(named: tuple[str, frozenset[int]], truth: frozenset[str], pins: frozenset[int]) -> bool:
    return named[0] in truth and (not pins or bool(pins & named[1]) or not named[1])


def _outcome(case: Case, seed: int) -> dict[str, Any]:
    clock = ManualClock()
    programmer = VirtualProgrammer(case.profile, case.make_socket())
    for name, trouble in ((SupplyName.VPP, case.vpp), (SupplyName.VCC, case.vcc)):
        if trouble is not None:
            programmer.supplies.named(name).afflict(trouble, clock.monotonic_s())
    transport = MemoryTransport(programmer, clock, wire=Wire())
    transport.open()
    session = Session(transport, clock, nonce=seed & 0xFFFFFFFF)
    session.connect()
    store = _store(clock)
    try:
        return _run(case, store, clock, session)
    finally:
        session.close()


_STORES: list[tuple[tempfile.TemporaryDirectory[str], Store, ImageShelf]] = []


def _store(clock: ManualClock) -> Store:
    if not _STORES:
        folder = tempfile.TemporaryDirectory()
        store = Store.open(f"sqlite:///{Path(folder.name) / 'bench.db'}", clock, "b_bench")
        store.programmers.upsert("virtual", serial="SIM-1", info={})
        _STORES.append((folder, store, None))  # type: ignore[arg-type]
    return _STORES[0][1]


def _run(case: Case, store: Store, clock: ManualClock, session: Session) -> dict[str, Any]:
    part = case.part
    content = None if case.kind in (JobKind.BLANK_CHECK, JobKind.IDENTIFY) else case.image
    fitted = fit(Image.raw(content), part.size_bytes, part.word_bytes) if content is not None else None
    request = JobRequest(
        kind=case.kind,
        part=part.id,
        image="0" * 64 if content is not None else None,
        skip=frozenset() if case.checks_pins else frozenset({Skippable.SIGNATURE}),
    )
    job = store.jobs.create(
        NewJob(
            kind=case.kind,
            programmer_id="virtual",
            part_id=part.id,
            steps=tuple(Step(name, TITLES[name]) for name in steps_for(case.kind, part)),
        )
    )
    job = store.jobs.update(job.id, JobChange(state=JobState.RUNNING))
    runner = Runner(store, clock, PARTS, lambda _part, _data: "0" * 64, _finder(case))
    end = runner.run(
        Assignment(job, request, part, fitted, False), session, JobControl(StopSignal(), QuestionBox())
    )
    return dict(store.jobs.update(job.id, end).outcome or {})


class _Shelf:
    """A shelf in memory, as the look-up sees one."""

    def __init__(self, images: dict[str, bytes]) -> None:
        import hashlib

        self._images = {hashlib.sha256(data).hexdigest(): (name, data) for name, data in images.items()}

    def list(self) -> list[Any]:
        from types import SimpleNamespace

        return [SimpleNamespace(sha256=sha, name=name) for sha, (name, _) in self._images.items()]

    def load(self, sha256: str) -> Image:
        return Image.raw(self._images[sha256][1])


def _finder(case: Case) -> Any:
    from daemon.drawer.lookup import Lookup

    lookup = Lookup(_Shelf({**(case.shelf or {}), "wanted": case.image}))  # type: ignore[arg-type]
    return lookup.find


# The table


def kept_and_new(chosen: argparse.Namespace) -> Iterator[tuple[bool, Finding]]:
    """Give the findings of a file of earlier ones, then new ones, which are added to it."""
    if chosen.keep is None:
        yield from run_all(chosen.cases, chosen.doubles, chosen.workers, chosen.seed)
        return
    if chosen.keep.exists():
        for line in chosen.keep.read_bytes().split(b"\n--\n")[:-1]:
            yield pickle.loads(line)
    with chosen.keep.open("ab") as file:
        for found in run_all(chosen.cases, chosen.doubles, chosen.workers, chosen.seed):
            file.write(pickle.dumps(found, protocol=0) + b"\n--\n")
            file.flush()
            yield found


def run_all(cases: int, doubles: int, workers: int, first_seed: int) -> Iterator[tuple[bool, Finding]]:
    """Run so many single and double cases."""
    work = [(first_seed + at, False) for at in range(cases)]
    work += [(first_seed + 1_000_000 + at, True) for at in range(doubles)]
    if workers == 1:
        yield from ((double, run_case(seed, double=double)) for seed, double in work)
        return
    with ProcessPoolExecutor(workers, initializer=_quiet) as pool:
        yield from zip(
            (double for _, double in work),
            pool.map(_run_one, work, chunksize=4),
            strict=True,
        )


def _run_one(work: tuple[int, bool]) -> Finding:
    return run_case(work[0], double=work[1])


def _quiet() -> None:
    import logging

    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))


@dataclass
class Score:
    """Counts of one kind of fault."""

    cases: int = 0
    first: int = 0
    sure: int = 0
    sure_wrong: int = 0
    instead: Counter[str] = field(default_factory=Counter)

    def add(self, finding: Finding) -> None:
        """Count a case."""
        self.cases += 1
        self.first += finding.right
        self.sure += finding.sure
        self.sure_wrong += finding.sure and not finding.strictly
        if not finding.right:
            self.instead[f"{finding.first}{'!' if finding.sure else ''}"] += 1


def summed(scores: dict[str, Score]) -> Score:
    """Add up all kinds."""
    total = Score()
    for score in scores.values():
        total.cases += score.cases
        total.first += score.first
        total.sure += score.sure
        total.sure_wrong += score.sure_wrong
    return total


def main() -> int:
    """Run the campaign and print its tables; 1 when a limit is missed."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--cases", type=int, default=2000)
    options.add_argument("--doubles", type=int, default=500)
    options.add_argument("--workers", type=int, default=2)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--keep", type=Path, help="append each finding to this file, and count those in it")
    options.add_argument("--list", action="store_true", help="print every case that was not named first")
    chosen = options.parse_args()
    _quiet()
    began_s = time.monotonic()
    singles: dict[str, Score] = defaultdict(Score)
    doubles: dict[str, Score] = defaultdict(Score)
    calibration: dict[int, list[int]] = defaultdict(lambda: [0, 0])
    both = passed = 0
    for double, finding in kept_and_new(chosen):
        if not finding.fails:
            passed += 1  # The job found nothing wrong: there was nothing to explain.
            continue
        label = finding.name if double else f"{finding.name}{'' if finding.checks_pins else ', no pin check'}"
        (doubles if double else singles)[label].add(finding)
        both += double and finding.both
        if not double:
            bin_ = calibration[min(int(finding.probability * 10), 9)]
            bin_[0] += 1
            bin_[1] += finding.right
        if chosen.list and not finding.right:
            print(finding, file=sys.stderr)
    total, twos = summed(singles), summed(doubles)
    print_table("Single faults", singles, total)
    print_table("Double faults (either named first counts)", doubles, twos)
    print(f"both of a double among the first three: {both} of {twos.cases}")
    print(f"jobs that passed although something was wrong: {passed}")
    print("stated probability -> named right:", end=" ")
    print(", ".join(f"{low / 10:.1f}+: {right}/{of}" for low, (of, right) in sorted(calibration.items())))
    print(f"took {time.monotonic() - began_s:.0f} s")
    named = total.first / max(1, total.cases)
    wrong = (total.sure_wrong + twos.sure_wrong) / max(1, total.cases + twos.cases)
    print(f"named first: {named:.1%} (limit {NAMED_LIMIT:.0%})")
    print(f"sure and wrong: {wrong:.2%} (limit {WRONG_LIMIT:.0%})")
    return int(named < NAMED_LIMIT or wrong > WRONG_LIMIT)


def print_table(title: str, scores: dict[str, Score], total: Score) -> None:
    """Print one table."""
    print(f"\n{title}\n")
    print("| fault | cases | named first | sure | sure and wrong | else named (! sure) |")
    print("| --- | ---: | ---: | ---: | ---: | --- |")
    for name, score in [*sorted(scores.items()), ("all", total)]:
        instead = ", ".join(f"{other} {count}" for other, count in score.instead.most_common(4))
        print(
            f"| {name} | {score.cases} | {score.first / max(1, score.cases):.1%} | "
            f"{score.sure / max(1, score.cases):.0%} | {score.sure_wrong} | {instead} |"
        )


if __name__ == "__main__":
    sys.exit(main())
