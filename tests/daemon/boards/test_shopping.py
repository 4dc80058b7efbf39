"""The shopping list: every chip in exactly one place, and times that hold at the slow end."""

from collections.abc import Callable
from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from daemon.boards.drawer import ChipState, OnHand
from daemon.boards.plan import BoardPlan, Erasure
from daemon.boards.shopping import shopping_list
from daemon.erasure.inputs import Spread
from daemon.errors import BenchError, Code

Planner = Callable[..., BoardPlan]
HOUR_S = 3600


def tray_of(most: int, hours: float) -> Callable[[str, int], Spread]:
    """A tray for `most` chips that takes so long, give or take a quarter."""

    def load_s(part_id: str, chips: int) -> Spread:
        if chips > most:
            raise BenchError(Code.ERASE_ESTIMATE_INPUT, f"{chips} chips do not fit")
        return Spread(hours * HOUR_S * 0.75, hours * HOUR_S, hours * HOUR_S * 1.25)

    return load_s


def test_a_saturdays_list(plan_demo: Planner) -> None:
    on_hand = [
        OnHand(part="M27C512", count=5, state=ChipState.BLANK, access_ns=100),
        OnHand(part="M27C512", count=20, state=ChipState.USED, access_ns=100, label="grey box"),
    ]
    plan = plan_demo("tern-16", on_hand=on_hand, copies=20)
    needed = shopping_list(plan, tray_of(8, 1.0), hours=3)
    (ready,), (used,), (buy,) = needed.ready, needed.under_light, needed.to_buy
    assert (ready.count, ready.part_name) == (5, "M27C512")
    # Trays of 8, 8 and 4, 1.25 h each at the slow end: two are done after 2.5 h, the third after 3.75.
    assert (used.label, used.count, used.loads, used.in_time, used.late) == ("grey box", 20, 3, 16, 4)
    assert used.total_s == Spread(2.25 * HOUR_S, 3 * HOUR_S, 3.75 * HOUR_S)
    assert buy.count == 40 - 25
    assert not needed.complete
    slower = shopping_list(plan, tray_of(8, 1.0), hours=None)
    assert slower.under_light[0].in_time == 20


def test_without_a_lamp_no_time_is_promised(plan_demo: Planner) -> None:
    plan = plan_demo("tern-16", on_hand=[OnHand(part="M27C512", count=2, state=ChipState.USED)])
    for hours, in_time in ((None, 2), (5.0, 0)):
        (used,) = shopping_list(plan, None, hours).under_light
        assert (used.in_time, used.loads, used.total_s) == (in_time, None, None)
        assert "Name a lamp" in used.why_not
    (too_large,) = shopping_list(plan, tray_of(0, 1.0), None).under_light
    assert too_large.why_not == "1 chips do not fit"


def test_all_on_hand_is_complete(plan_demo: Planner) -> None:
    plan = plan_demo("tern-16", on_hand=[OnHand(part="M27C512", count=2, state=ChipState.UNKNOWN)])
    needed = shopping_list(plan, None, 1.0)
    assert needed.complete
    assert needed.ready[0].unsure == 2


@given(count=st.integers(1, 300), most=st.integers(1, 60), hours=st.floats(0.1, 30))
def test_every_used_chip_is_in_time_or_late(count: int, most: int, hours: float) -> None:
    plan = BoardPlan("b", "B", 1, {}, (), (), (Erasure(count, "p", "", 15.0, ("U1",)),), 0.0)
    (used,) = shopping_list(plan, tray_of(most, 1.0), hours).under_light
    assert used.in_time + used.late == count
    assert used.loads == -(-count // most)
    # So many whole trays fit into the hours.
    assert used.in_time == min(count, int(hours / 1.25) * most)
    twice = replace(plan, to_erase=plan.to_erase * 2)
    first, second = shopping_list(twice, tray_of(most, 1.0), hours).under_light
    assert first == used
    assert second.in_time <= used.in_time
