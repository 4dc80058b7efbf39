"""Many worlds of faults, one seed each, in pieces that add up: `fault_campaign.py run 0 500 found.jsonl`.

Each world is a bench with one programmer in virtual time, and 40 chips with a job or more each, while things
go wrong from the host's disk down to the chip (`tests/support/faults`). Every world adds one line to the
file; `sum` adds files up. A world in which a judge found something has its words in its line, and is run
again alone by `pytest tests/faults --fault-seed N`.
"""

import argparse
import json
import logging
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
import structlog

from tests.support.faults.plan import plan_of
from tests.support.faults.script import run_world
from tests.support.faults.surroundings import world_folder
from tests.support.faults.world import Figures, World


def run_one(seed: int) -> dict[str, object]:
    """Run one world and return its line."""
    plan, began = plan_of(seed), time.process_time()
    line: dict[str, object] = {"seed": seed, "part": plan.part.id, "damage": plan.damage}
    with world_folder() as folder:
        try:
            line |= vars(run_world(World(plan, folder)))
        except Exception as error:
            line["found"] = f"{type(error).__name__}: {error}"
    return line | {"cpu_s": round(time.process_time() - began, 3)}


def run(first: int, beyond: int, file: Path) -> None:
    """Run the worlds of a range of seeds, but for those that the file has already."""
    done = {line["seed"] for line in _lines([file])} if file.exists() else set()
    for seed in range(first, beyond):
        if seed in done:
            continue
        line = run_one(seed)
        with file.open("a", encoding="utf-8") as lines:
            lines.write(json.dumps(line, default=str) + "\n")
        if "found" in line:
            print(f"seed {seed}: {line['found']}", flush=True)


def report(files: list[Path]) -> None:
    """Add up what files of lines say."""
    total, worlds, cpu_s, found = Figures(), 0, 0.0, []
    by_part: Counter[str] = Counter()
    by_damage: Counter[str] = Counter()
    seeds: list[int] = []
    for line in _lines(files):
        worlds += 1
        seeds.append(line["seed"])
        cpu_s += line["cpu_s"]
        if "found" in line:
            found.append(line)
            continue
        counted = {name: line[name] for name in vars(Figures())}
        for name in ("states", "codes", "mishaps", "damaged"):
            counted[name] = Counter(counted[name])
        total.add(Figures(**counted))
        by_part[line["part"]] += line["jobs"]
        by_damage[f"{line['damage']:.1%}"] += line["jobs"]
    print(f"{worlds} worlds, seeds {min(seeds)} to {max(seeds)}, {total.jobs} jobs, {cpu_s:.0f} s of CPU")
    print(
        f"{total.virtual_s / 3600:.1f} h of virtual time, {total.frames} frames,"
        f" {total.crashes} deaths of the host"
    )
    for name, counts in (
        ("ends", total.states),
        ("codes", total.codes),
        ("mishaps", total.mishaps),
        ("frames damaged", total.damaged),
        ("jobs by part", by_part),
        ("jobs by share of frames damaged", by_damage),
    ):
        print(f"{name}: " + ", ".join(f"{what} {count}" for what, count in counts.most_common()))
    print(f"worlds in which a judge found something: {len(found)}")
    for line in found:
        print(f"  {line['found']}")


def _lines(files: list[Path]) -> list[dict]:
    return [json.loads(text) for file in files for text in file.read_text(encoding="utf-8").splitlines()]


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    ways = parser.add_subparsers(dest="way", required=True)
    way = ways.add_parser("run", help="run the worlds of a range of seeds")
    way.add_argument("first", type=int)
    way.add_argument("beyond", type=int)
    way.add_argument("file", type=Path)
    way = ways.add_parser("sum", help="add up")
    way.add_argument("files", type=Path, nargs="+")
    asked = parser.parse_args()
    logging.disable(logging.CRITICAL)
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    if asked.way == "run":
        run(asked.first, asked.beyond, asked.file)
    else:
        report(asked.files)


if __name__ == "__main__":
    main()
