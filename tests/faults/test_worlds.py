"""Worlds of faults: a bench in virtual time and all that can go wrong, judged by what is really there.

`pytest tests/faults --fault-seed N` runs one alone. `bench/fault_campaign.py` runs many.
"""

import random

import pytest

from tests.support.faults.plan import plan_of
from tests.support.faults.records import records_of
from tests.support.faults.script import BenchPeople, run_world
from tests.support.faults.tiny_parts import MODELS
from tests.support.faults.world import World

pytestmark = [pytest.mark.slow, pytest.mark.no_cover]

#: One world for each kind of part, the same in each run.
FIXED = dict(zip(sorted(MODELS), range(7000, 7000 + len(MODELS)), strict=True))
#: And a few that nobody has seen before.
RANDOM = 3


@pytest.fixture
def only(request):
    return request.config.getoption("--fault-seed", default=None)


@pytest.mark.parametrize("part_id", FIXED)
def test_no_promise_is_broken_for_any_kind_of_part(tmp_path, part_id, only):
    if only is None:
        run_world(World(plan_of(FIXED[part_id], part_id=part_id), tmp_path))


@pytest.mark.parametrize("number", range(RANDOM))
def test_no_promise_is_broken_whatever_happens(tmp_path, number, only):
    seed = random.SystemRandom().randrange(1_000_000, 1 << 31) if only is None else only
    if only is None or number == 0:
        print(f"seed {seed}: to run it again alone: pytest tests/faults --fault-seed {seed}")
        run_world(World(plan_of(seed), tmp_path))


def test_a_seed_decides_everything(tmp_path):
    """Two worlds of one seed are the same to the last event and its time."""
    told = []
    for number in range(2):
        world = World(plan_of(99, visits=6), tmp_path / str(number))
        people = BenchPeople(world)
        kept: list[object] = []

        def script(people=people, kept=kept, world=world):
            yield from people.script()
            with records_of(world.path / "state" / "bench.db") as records:
                kept += [(event.id, event.job_id, event.type, event.data) for event in records.events()]

        world.run(script())
        told.append((kept, world.supplies.switched, world.tap.heard_s, world.now_s))
    assert told[0] == told[1]
    assert len(told[0][0]) > 50


def test_seeds_differ(tmp_path):
    plans = [plan_of(seed) for seed in range(40)]
    assert {plan.part.id for plan in plans} == set(MODELS)
    assert len({plan.visits for plan in plans}) == 40
    troubles = {trouble.mishap for plan in plans for visit in plan.visits for trouble in visit.troubles}
    assert len(troubles) == 15
