"""Lamps of several tubes, their ageing and warm-up, the light on a tray, and mixed trays."""

import math
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from daemon.catalogue.loader import Catalogue
from daemon.erasure import TUBES, Confidence, LampPlace, Losses, Spread, Tube, estimate_erase
from daemon.erasure.ageing import WarmUp, age_after
from daemon.erasure.lamp import Lamp, PlacedTube
from daemon.erasure.light import LampStrength, TrayPlace
from daemon.erasure.loads import Wanted, Way, plan_tray, sentinels_of
from daemon.erasure.picture import Lying, svg_picture, text_picture
from daemon.erasure.tray import GAP_MM, Footprint, Tray, footprint_of, lay_out, map_of, places_on
from daemon.errors import BenchError, Code

EIGHT = TUBES["8w-t5"]
PAIR = Lamp("pair", (PlacedTube(EIGHT, across_mm=-20), PlacedTube(EIGHT, across_mm=20)), 25)
CHIP = Footprint(36, 15.5)
CLEAN = Losses(age=1, dirt=1, warm_up_s=0)


def by_quadrature(tube: PlacedTube, distance_mm: float, along: float, across: float) -> float:
    """A line of Lambertian pieces, integrated; see the tests of the tube."""
    height = distance_mm + tube.raised_mm + tube.tube.radius_mm
    side = across - tube.across_mm

    def piece(at: float) -> float:
        r2 = height**2 + side**2 + (along - tube.along_mm - at) ** 2
        return math.sqrt(height**2 + side**2) * height / r2**2

    half = tube.tube.arc_length_mm / 2
    total = quad(piece, -half, half, epsabs=0, epsrel=1e-10, limit=200)[0]
    return 1e5 * tube.tube.uvc_w / (math.pi**2 * tube.tube.arc_length_mm) * total


@given(
    st.lists(
        st.tuples(
            st.sampled_from(sorted(TUBES)), st.floats(-100, 100), st.floats(-100, 100), st.floats(0, 60)
        ),
        min_size=1,
        max_size=4,
    ),
    st.floats(5, 100),
    st.floats(0.5, 3),
    st.floats(-150, 150),
    st.floats(-100, 100),
)
def test_tubes_add_up(tubes, distance_mm, reflector, along, across) -> None:
    lowest = min(raised for *_, raised in tubes)
    placed = tuple(PlacedTube(TUBES[name], x, y, raised - lowest) for name, x, y, raised in tubes)
    lamp = Lamp("own", placed, distance_mm, reflector)
    expected = reflector * sum(by_quadrature(each, distance_mm, along, across) for each in placed)
    assert lamp.new_irradiance_mw_per_cm2(along, across) == pytest.approx(expected, rel=1e-6)


def test_a_lamp_of_one_tube_is_that_tube() -> None:
    bare = estimate_erase(15, LampPlace(EIGHT, 25, 40, 10))
    lamp = estimate_erase(15, TrayPlace(Lamp.of_one(EIGHT, 25), 40, 10))
    assert lamp.time_s == bare.time_s
    assert [each.code for each in lamp.cautions] == [each.code for each in bare.cautions]


@pytest.mark.parametrize(
    ("hours", "low", "nominal", "high"),
    [
        (0, 1, 1, 1),
        (2000, 0.85, 0.95, 1.0),  # GB 19258-2012: at least 0.85 at 2000 h
        (5000, 0.65, 0.90, 0.95),  # and at least 0.65 at the end of its life, 5000 h or more
        (9000, 0.65, 0.85, 0.90),  # a lamp-system maker: 10 to 15 % down over 9000 h
        (20_000, 0.65, 0.85, 0.90),
        (1000, 0.925, 0.975, 1.0),  # half-way between 0 and 2000 h
    ],
)
def test_age_from_hours(hours: float, low: float, nominal: float, high: float) -> None:
    found = age_after(hours).value
    assert (found.low, found.nominal, found.high) == pytest.approx((low, nominal, high))


def test_unknown_hours_are_the_whole_range() -> None:
    assert age_after(None).value == Spread(0.65, 0.85, 1.0)
    estimate = estimate_erase(15, TrayPlace(Lamp.of_one(EIGHT, 25).after(2000)))
    assert next(each for each in estimate.inputs if each.name == "age of the lamp").value.nominal == 0.95


@given(st.floats(0, 5000), st.floats(0, 1), st.floats(0.1, 300))
def test_warm_up_is_the_integral_of_its_deficit(lit_s: float, deficit: float, fade_s: float) -> None:
    warm_up = WarmUp(deficit, fade_s)
    until = min(lit_s, 40 * fade_s)  # what is missing after that is below any rounding
    expected = lit_s - quad(lambda t: deficit * math.exp(-t / fade_s), 0, until)[0]
    assert warm_up.effective_s(lit_s) == pytest.approx(expected, rel=1e-6, abs=1e-6)
    assert warm_up.effective_s(warm_up.lit_s(lit_s)) == pytest.approx(lit_s, rel=1e-9, abs=1e-9)
    assert warm_up.effective_s(lit_s, cold=False) == lit_s


def test_a_cold_start_loses_18_s() -> None:
    # UV notes, section 2: d = 0.4, tau = 45 s.
    assert 600 - WarmUp().effective_s(600) == pytest.approx(18, abs=1e-3)
    assert WarmUp().lit_s(582) == pytest.approx(600, abs=1e-3)


@given(
    st.floats(20, 400),
    st.floats(20, 300),
    st.floats(5, 60),
    st.floats(5, 60),
    st.floats(-30, 30),
)
def test_chips_lie_on_the_tray_and_apart(along, across, size_along, size_across, shift) -> None:
    lamp = Lamp("own", (PlacedTube(EIGHT, across_mm=shift),), 25)
    tray, chip = Tray(along, across), Footprint(size_along, size_across)
    places = places_on(lamp, tray, chip)
    if size_along <= along and size_across <= across:
        assert places
    light = [place.new_irradiance_mw_per_cm2 for place in places]
    assert light == sorted(light, reverse=True)
    for place in places:
        assert abs(place.along_mm) + chip.along_mm / 2 <= along / 2 + 1e-9
        assert abs(place.across_mm) + chip.across_mm / 2 <= across / 2 + 1e-9
    for index, one in enumerate(places):
        for other in places[:index]:
            assert (
                abs(one.along_mm - other.along_mm) >= size_along + GAP_MM - 1e-6
                or abs(one.across_mm - other.across_mm) >= size_across + GAP_MM - 1e-6
            )


def test_too_many_chips_are_refused_with_how_many_fit() -> None:
    with pytest.raises(BenchError) as caught:
        lay_out(PAIR, Tray(200, 80), CHIP, 40)
    assert caught.value.code is Code.ERASE_ESTIMATE_INPUT
    # By hand: 5 of 38 mm in 202 mm, 4 of 17.5 mm in 82 mm.
    assert caught.value.details == {"fit": 20, "asked": 40}


def test_footprints_are_those_of_packages() -> None:
    parts = Catalogue()
    # From memory: a 28-pin ceramic package is about 37 mm long and 15 mm wide.
    small = footprint_of(parts.get("st-m27c512"))
    assert small.along_mm == pytest.approx(37, abs=2)
    assert small.across_mm == pytest.approx(15, abs=1)
    assert footprint_of(parts.get("st-m27c322")).along_mm > 50


def test_the_map_is_brightest_under_the_tube() -> None:
    light = map_of(Lamp.of_one(EIGHT, 25), Tray(240, 80), 49, 13)
    middle = light.rows[6][24]
    assert light.highest == middle == pytest.approx(4.883, rel=1e-3)  # UV notes, section 2
    # UV notes: tray at 33 mm, y = 40 mm is 0.396 of the centre; the outer fields are a little nearer.
    assert light.rows[0][24] / middle == pytest.approx(0.396, abs=0.05)
    assert light.lowest == light.rows[0][0]


def test_a_two_row_tray_spans_nearly_three_to_one() -> None:
    # UV notes, section 2: "a two-row tray therefore spans nearly 3:1".
    light = map_of(Lamp.of_one(EIGHT, 25), Tray(200, 60), 41, 13)
    assert 2 < light.highest / light.lowest < 4


def test_pictures_show_every_chip_and_escape_labels() -> None:
    tray = Tray(240, 60)
    places = lay_out(PAIR, tray, CHIP, 3)
    chips = [Lying(place, CHIP, f'<{index}> & "co"') for index, place in enumerate(places)]
    light = map_of(PAIR, tray)
    lines = text_picture(light, chips)
    assert len({len(line) for line in lines}) == 1
    for mark in "123":
        assert sum(line.count(mark) for line in lines) == 1
    tree = ElementTree.fromstring(svg_picture(light, chips, title='A "tray" <1>'))
    space = "{http://www.w3.org/2000/svg}"
    texts = [element.text for element in tree.iter(f"{space}text")]
    assert '1 <0> & "co"' in texts
    assert tree.get("aria-label", "").startswith('A "tray" <1>')
    assert {element.tag for element in tree.iter()} == {
        f"{space}{name}" for name in ("svg", "title", "rect", "text")
    }
    outlines = [each for each in tree.iter(f"{space}rect") if each.get("fill") == "none"]
    assert len(outlines) == 3


def test_a_mixed_tray_gives_each_chip_its_own_time() -> None:
    wanted = (Wanted("M27C512", 4, 15, CHIP), Wanted("M27C64A", 4, 30, CHIP))
    plans = {plan.way: plan for plan in plan_tray(PAIR, Tray(160, 80), wanted, losses=CLEAN)}
    together = plans[Way.TAKE_OUT]
    assert [chip.time_s.nominal for chip in together.chips] == sorted(
        chip.time_s.nominal for chip in together.chips
    )
    for chip in together.chips:
        dose = 15 if chip.label == "M27C512" else 30
        light = by_quadrature(PAIR.tubes[0], 25, chip.place.along_mm, chip.place.across_mm) + by_quadrature(
            PAIR.tubes[1], 25, chip.place.along_mm, chip.place.across_mm
        )
        # 0.92 is the window: two faces of fused silica (Fresnel).
        assert chip.time_s.nominal == pytest.approx(dose * 1000 / light / 0.92, rel=1e-6)
    strongest = max(chip.place.new_irradiance_mw_per_cm2 for chip in together.chips)
    best = next(c for c in together.chips if c.place.new_irradiance_mw_per_cm2 == strongest)
    assert best.label == "M27C64A", "those that need most light lie where it is strongest"
    two = plans[Way.TWO_LOADS]
    assert {(chip.load, chip.label) for chip in two.chips} == {(1, "M27C512"), (2, "M27C64A")}
    longest = [max(c.time_s.nominal for c in two.chips if c.load == load) for load in (1, 2)]
    assert two.total_s.nominal == pytest.approx(sum(longest))
    assert together.total_s.nominal == max(c.time_s.nominal for c in together.chips)


def test_what_fits_only_in_two_loads_is_planned_so() -> None:
    tray = Tray(80, 40)
    room = len(places_on(PAIR, tray, CHIP))
    wanted = (Wanted("a", room, 15, CHIP), Wanted("b", room, 30, CHIP))
    (plan,) = plan_tray(PAIR, tray, wanted)
    assert plan.way is Way.TWO_LOADS
    with pytest.raises(BenchError):
        plan_tray(PAIR, tray, (Wanted("a", room + 1, 15, CHIP),))


def test_sentinels_lie_at_the_worst_places() -> None:
    (plan,) = plan_tray(PAIR, Tray(200, 80), (Wanted("M27C512", 12, 15, CHIP),))
    worst = sorted(chip.place.new_irradiance_mw_per_cm2 for chip in plan.chips)[:3]
    chosen = sentinels_of(plan.chips)
    assert sorted(plan.chips[index].place.new_irradiance_mw_per_cm2 for index in chosen) == worst
    assert len(sentinels_of(plan.chips[:1])) == 1


def test_a_learned_lamp_needs_no_assumptions() -> None:
    place = TrayPlace(PAIR, strength=LampStrength(0.5, 0.1, "three exposures"))
    estimate = estimate_erase(15, place)
    light = place.new_irradiance_mw_per_cm2
    assert estimate.irradiance_mw_per_cm2.nominal == pytest.approx(light / 2)
    assert estimate.irradiance_mw_per_cm2.low == pytest.approx(light / 2 / math.exp(0.196))
    names = [each.name for each in estimate.inputs if each.confidence is Confidence.ASSUMED]
    assert names == ["warm-up of the lamp"]


@pytest.mark.parametrize(
    ("field", "make"),
    [
        ("tubes", lambda: Lamp("none", (), 25)),
        ("raised_mm", lambda: Lamp("high", (PlacedTube(EIGHT, raised_mm=5),), 25)),
        ("reflector", lambda: Lamp("own", (PlacedTube(EIGHT),), 25, 9)),
        ("hours", lambda: Lamp.of_one(EIGHT, 25).after(-1)),
        ("deficit", lambda: WarmUp(deficit=2)),
        ("tray_along_mm", lambda: Tray(1, 50)),
        ("chips", lambda: Wanted("x", 0, 15, CHIP)),
        ("uvc_w", lambda: Tube("x", math.nan, 100, 8)),
    ],
)
def test_figures_out_of_range_name_their_field(field: str, make) -> None:
    with pytest.raises(BenchError) as caught:
        make()
    assert caught.value.field == field
