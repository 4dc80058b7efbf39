"""What must hold whatever happens to a batch: counts add up, none counts twice, a break changes nothing."""

from hypothesis import given
from hypothesis import strategies as st

from daemon.batches.events import LabelOn, Pause, ProgrammerBack, RejectIt, Resume, Seat
from daemon.batches.model import COUNTS_AS_MADE, Finding, Labels, Means, Phase, Policy, Purpose, Status
from daemon.batches.words import instruction
from tests.support.batch_world import NOT_BLANK, SHAKY, World, plan_of

KINDS = st.sampled_from(
    [
        {},
        {},
        {"fails": 1},
        {"fails": -1},
        {"fails": -1, "finding": NOT_BLANK},
        {"fails": 1, "finding": SHAKY},
        {"fails": -1, "finding": SHAKY},
        {"other_part": True},
    ]
)
POLICIES = st.builds(
    Policy,
    retries=st.integers(0, 2),
    reseats=st.integers(0, 2),
    stop_after_rejects=st.integers(0, 3),
    re_verify=st.integers(0, 3),
    labels=st.sampled_from(Labels),
)
PLANS = st.builds(
    plan_of,
    sets=st.integers(1, 4),
    positions=st.integers(1, 3),
    serials=st.booleans(),
    by_set=st.booleans(),
    policy=POLICIES,
)


def unplug(world, data):
    world.plugged = False
    world.ended(Finding(Means.CUT_OFF, "link-lost", "lost"))


def plug(world, data):
    world.plugged = True
    world.happens(ProgrammerBack())


def put_in_an_old_one(world, data):
    if world.chips:
        world.put_in(data.draw(st.sampled_from(world.chips)))


def put_back(world, data):
    if world.socket is not None:
        world.put_in(world.socket)


def sit_badly(world, data):
    if world.waiting:
        world.happens(Seat(str(world.state.job_id), "touching", f"wrong {data.draw(st.integers(0, 2))}"))


ACTS = {
    "work": lambda world, data: world.work(),
    "work on": lambda world, data: world.work(),
    "new chip": lambda world, data: world.put_in(world.pick(**data.draw(KINDS))),
    "another new chip": lambda world, data: world.put_in(world.pick(**data.draw(KINDS))),
    "old chip": put_in_an_old_one,
    "same chip": put_back,
    "out": lambda world, data: world.take_out(),
    "pause": lambda world, data: world.happens(Pause()),
    "resume": lambda world, data: world.happens(Resume()),
    "restart": lambda world, data: world.restart(),
    "unplug": unplug,
    "plug": plug,
    "label": lambda world, data: world.happens(LabelOn()),
    "reject": lambda world, data: world.happens(RejectIt("bent")),
    "badly": sit_badly,
    "cancel": lambda world, data: world.ended(Finding(Means.CANCELLED, "cancelled", "cancelled as asked")),
}
DEEDS = st.sampled_from(sorted(ACTS))


@given(PLANS, st.lists(DEEDS, max_size=30), st.data())
def test_whatever_happens_the_counts_add_up_and_no_chip_counts_twice(plan, deeds, data):
    world = World(plan)
    for deed in deeds:
        ACTS[deed](world, data)
        instruction(plan, world.state)
    world.finish()
    assert world.state.status is Status.FINISHED
    # In the world outside: for each item a chip of its own that holds its content.
    for content in {item.crc32 for item in plan.items}:
        wanted = sum(item.crc32 == content for item in plan.items)
        assert sum(chip.content == content for chip in world.chips) >= wanted
    assert sum(chip.verdict in COUNTS_AS_MADE for chip in world.state.chips) == len(plan.items)


def made_with_a_break(plan, kinds, break_at, restarts):
    """Put in the chips of a bag, with a break before move number `break_at`; return what became of them."""
    world, bag, last, moves = World(plan), list(kinds), None, 0
    while world.state.status is not Status.FINISHED:
        if moves == break_at:
            world.happens(Pause())
            if restarts:
                world.restart()
        moves += 1
        assert moves < 300, "it does not come to an end"
        if world.working:
            world.work()
        elif world.state.status is Status.PAUSED:
            world.happens(Resume())
        elif world.state.phase is Phase.LABEL:
            world.happens(LabelOn())
        elif world.state.order.same_chip:
            world.put_in(last)
        elif bag and world.state.order.purpose is Purpose.MAKE:
            last = world.pick(**bag.pop(0))
            world.put_in(last)
        else:
            break
    return [(chip.item, chip.verdict, chip.cause) for chip in world.state.chips], world.state.made


@given(PLANS, st.lists(KINDS, min_size=3, max_size=12), st.integers(0, 60), st.booleans())
def test_a_break_anywhere_then_a_restart_gives_the_same_end(plan, kinds, at, restarts):
    """The same chips in the same order come to the same ends, with a break at any moment and without one."""
    assert made_with_a_break(plan, kinds, at, restarts) == made_with_a_break(plan, kinds, -1, restarts)
