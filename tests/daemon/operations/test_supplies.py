"""What a programmer's supplies can make of what a part wants."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.operations.supplies import How, Setting, describe_supply, setting_for
from protocol.identity import SupplyRange
from protocol.wire import SupplyKind

ADJUSTABLE = SupplyRange(SupplyKind.ADJUSTABLE, 3000, 7000, 100, 50, 200)
FIXED = SupplyRange(SupplyKind.FIXED, 5000, 5000, 0, 250, 200)
BY_HAND = SupplyRange(SupplyKind.HAND_SET, 11500, 25500, 0, 100, 60)


@pytest.mark.parametrize(
    ("supply", "wanted_mv", "tolerance_mv", "expected"),
    [
        (ADJUSTABLE, 6250, 250, Setting(6200, How.ITSELF)),
        (ADJUSTABLE, 4200, 50, Setting(4200, How.ITSELF)),
        (ADJUSTABLE, 6250, 20, None),
        (ADJUSTABLE, 7500, 250, None),
        (FIXED, 5000, 50, Setting(5000, How.ITSELF)),
        (FIXED, 4200, 50, None),
        (BY_HAND, 12750, 250, Setting(12750, How.BY_HAND)),
        (BY_HAND, 26000, 250, None),
        (SupplyRange(), 5000, 500, None),
    ],
)
def test_settings(supply, wanted_mv, tolerance_mv, expected):
    assert setting_for(supply, wanted_mv, tolerance_mv) == expected


@given(st.integers(0, 30_000), st.integers(0, 1000), st.integers(1, 500))
def test_a_setting_is_always_one_that_the_supply_has(wanted_mv, tolerance_mv, step_mv):
    supply = SupplyRange(SupplyKind.ADJUSTABLE, 3000, 7000, step_mv, 50, 200)
    setting = setting_for(supply, wanted_mv, tolerance_mv)
    if setting is None:
        # No step within the tolerance: not even the nearest of all.
        steps = [*range(3000, 7001, step_mv), 7000]
        assert min(abs(step - wanted_mv) for step in steps) > tolerance_mv or wanted_mv > 7000 - step_mv
    else:
        assert 3000 <= setting.mv <= 7000
        assert abs(setting.mv - wanted_mv) <= tolerance_mv


def test_words():
    assert describe_supply("VCC", FIXED) == "VCC fixed at 5.00 V"
    assert describe_supply("VPP", BY_HAND) == "VPP set by hand, 11.50 to 25.50 V"
    assert describe_supply("VCC", ADJUSTABLE) == "VCC 3.00 to 7.00 V"
    assert describe_supply("VPP", SupplyRange()) == "no VPP"
