"""Exposure limits, against published tables."""

import pytest

from daemon.erasure import (
    DAILY_LIMIT_MJ_PER_CM2,
    TUBES,
    UVC_CAUTIONS,
    CautionCode,
    LampPlace,
    Tube,
    all_day_leak_share,
    estimate_erase,
    irradiance_on_axis_mw_per_cm2,
    permissible_exposure_s,
)
from daemon.erasure.safety import bare_lamp_caution
from daemon.errors import BenchError


# NIOSH table of permissible hours for 254 nm, as copied by dkhthailand.com and a TB guide on yumpu
# (36673816); the table rounds, by up to 3 %.
@pytest.mark.parametrize(("uw_per_cm2", "hours"), [(0.2, 8), (0.14, 12), (0.09, 18), (0.07, 24)])
def test_published_table_of_hours(uw_per_cm2: float, hours: float) -> None:
    # 0.2 is 0.2083 rounded: 6000 / 28800.
    rounding = 0.045 if uw_per_cm2 == 0.2 else 0.03
    assert permissible_exposure_s(uw_per_cm2) / 3600 == pytest.approx(hours, rel=rounding)


# UV notes, section 5: the 8 W tube at 1, 0.5 and 0.25 m, at the chip, and 12 mW/cm²; limit 6 mJ/cm².
@pytest.mark.parametrize(
    ("uw_per_cm2", "seconds"), [(24.1, 249), (93.9, 63.9), (341, 17.6), (4883, 1.2), (12000, 0.5)]
)
def test_seconds_near_lamps(uw_per_cm2: float, seconds: float) -> None:
    assert permissible_exposure_s(uw_per_cm2) == pytest.approx(seconds, rel=0.03)


@pytest.mark.parametrize(("distance_mm", "uw_per_cm2"), [(1000, 24.1), (500, 93.9), (250, 341)])
def test_irradiances_of_that_table(distance_mm: float, uw_per_cm2: float) -> None:
    lamp = TUBES["8w-t5"]
    found = irradiance_on_axis_mw_per_cm2(lamp.uvc_w, lamp.arc_length_mm, distance_mm) * 1000
    assert found == pytest.approx(uw_per_cm2, rel=2e-3)


def test_the_weighted_form_of_the_standard_agrees() -> None:
    # IEC 62471: t = 30 / E_eff seconds with E_eff in W/m²; S(254 nm) = 0.5, from memory. 100 µW/cm² = 1 W/m².
    assert permissible_exposure_s(100) == pytest.approx(30 / (1 * 0.5))
    assert DAILY_LIMIT_MJ_PER_CM2 == 6.0  # ICNIRP and ACGIH, CIE 187


def test_leakage_for_all_day_presence() -> None:
    # UV notes, section 5: at 0.3 m from the 8 W tube under 0.09 %.
    lamp = TUBES["8w-t5"]
    bare = irradiance_on_axis_mw_per_cm2(lamp.uvc_w, lamp.arc_length_mm, 300) * 1000
    assert 0.0008 < all_day_leak_share(bare) < 0.0009
    assert all_day_leak_share(0.1) == 1.0


def test_the_bare_lamp_caution_has_the_seconds() -> None:
    found = {each.code: each for each in estimate_erase(15, LampPlace(TUBES["8w-t5"], 25)).cautions}
    caution = found[CautionCode.UVC_BARE_LAMP]
    assert "At 50 cm" in caution.text
    assert "in 64 s" in caution.text  # 63.9 s: UV notes, section 5
    assert "CIE 187" in caution.source
    strong = {
        each.code: each for each in estimate_erase(15, LampPlace(Tube("strong", 500, 800, 13), 25)).cautions
    }
    faint = bare_lamp_caution(0.1, 500)  # 6000 µW·s/cm² at 0.1 µW/cm²: 60,000 s, past a working day
    assert "in 60000 s." in faint.text
    assert "a second or less" in strong[CautionCode.UVC_BARE_LAMP].text


def test_cautions_are_whole_sentences_with_sources() -> None:
    assert {each.code for each in UVC_CAUTIONS} == {
        CautionCode.UVC_EYES_AND_SKIN,
        CautionCode.UVC_INTERLOCK,
        CautionCode.UVC_UNATTENDED,
        CautionCode.UVC_HOT,
        CautionCode.UVC_OZONE,
        CautionCode.UVC_MERCURY,
        CautionCode.UVC_LABELS,
    }
    for each in UVC_CAUTIONS:
        assert each.text.endswith(".")
        assert each.source


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_no_exposure_time_for_no_light(bad: float) -> None:
    with pytest.raises(BenchError):
        permissible_exposure_s(bad)
