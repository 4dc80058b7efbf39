"""A tray under a lamp: light adds up, mirrors, ages, is dirty; and the laws by which cells erase."""

import math

import numpy as np
import pytest
from scipy.stats import fisk, lognorm, norm, weibull_min

from daemon.catalogue.loader import Catalogue
from simulator.chip.cells import Cells
from simulator.chip.chip import Chip
from simulator.chip.erase_laws import SLOW_FACTOR, EraseLaw, factor_tables
from simulator.chip.process import Process
from simulator.chip.scatter import TABLE_SIZE
from simulator.lamp import TUBES, WINDOW_TRANSMISSION, Position, irradiance_mw_per_cm2
from simulator.tray import HungTube, Mirror, OnTray, TrayLamp, VirtualTray

EIGHT = TUBES["8W-T5"]


def test_tubes_and_mirror_add_up() -> None:
    pair = TrayLamp((HungTube(EIGHT, sideways_m=-0.02), HungTube(EIGHT, 0.05, sideways_m=0.02)))
    here = irradiance_mw_per_cm2(EIGHT, Position(0.033, 0.03, 0.03)) + irradiance_mw_per_cm2(
        EIGHT, Position(0.05, 0.03, -0.01)
    )
    assert pair.new_irradiance_mw_per_cm2(0.03, 0.01) == pytest.approx(here)
    # A perfect mirror in the plane of the axes doubles the light: each tube is its own image.
    whole = TrayLamp((HungTube(EIGHT),), Mirror(0.033, 1.0))
    assert whole.new_irradiance_mw_per_cm2(0, 0) == pytest.approx(
        2 * irradiance_mw_per_cm2(EIGHT, Position(0.033))
    )
    above = TrayLamp((HungTube(EIGHT),), Mirror(0.06, 0.6))
    gains = [
        above.new_irradiance_mw_per_cm2(0, y) / irradiance_mw_per_cm2(EIGHT, Position(0.033, 0, y))
        for y in (0, 0.05)
    ]
    assert 1 < gains[0] < gains[1], "the image is farther off, so it helps most at the side"


def test_it_ages_warms_up_and_differs() -> None:
    lamp = TrayLamp((HungTube(EIGHT),), life_h=1000, noise=0.03, seed=3)
    # 18 s: d x tau = 0.4 x 45 s.
    worth = [lamp.light_s(600) for _ in range(400)]
    assert np.median(worth) == pytest.approx(582 * math.exp(-33.3 / 1000), rel=0.01)
    assert lamp.hours == pytest.approx(400 * 600 / 3600)
    assert np.std(np.log(worth)) == pytest.approx(np.hypot(0.03, 66.7 / 1000 / math.sqrt(12)), rel=0.15)
    lamp.dirt = 0.5
    assert lamp.strength == pytest.approx(0.5 * math.exp(-lamp.hours / 1000))


def test_each_chip_gets_its_own_dose(parts: Catalogue) -> None:
    part = parts.get("st-m27c64a")
    windowless = Chip(parts.get("sst-39sf010a"))
    tray = VirtualTray(
        TrayLamp((HungTube(EIGHT),)),
        [
            OnTray(Chip(part)),
            OnTray(Chip(part), 0.1, 0.02),
            OnTray(Chip(part), window=0.5),
            OnTray(windowless),
        ],
    )
    doses = tray.expose(600)
    assert doses[0] == pytest.approx(
        irradiance_mw_per_cm2(EIGHT, Position(0.033)) / 1000 * WINDOW_TRANSMISSION * 582, rel=1e-6
    )
    assert doses[1] < 0.7 * doses[0]
    assert doses[2] == pytest.approx(doses[0] / 2)
    assert doses[3] == 0
    tray.clean()
    assert tray.chips[2].window == 1
    with pytest.raises(ValueError, match="negative"):
        tray.expose(-1)


# Quantiles by scipy's own distributions, of median 1 and with the standard deviation of the logarithm asked
# for.
REFERENCES = {
    EraseLaw.LOG_NORMAL: lambda sigma: lognorm(sigma),
    EraseLaw.WEIBULL: lambda sigma: weibull_min(
        k := math.pi / math.sqrt(6) / sigma, scale=math.log(2) ** (-1 / k)
    ),
    EraseLaw.LOG_LOGISTIC: lambda sigma: fisk(math.pi / math.sqrt(3) / sigma),
}


@pytest.mark.no_cover
@pytest.mark.parametrize("law", list(REFERENCES))
@pytest.mark.parametrize("sigma", [0.05, 0.2])
def test_factors_have_the_distribution_asked_for(law: EraseLaw, sigma: float) -> None:
    reference = REFERENCES[law](sigma)
    coarse, fine = factor_tables(law, sigma)
    steps = (np.arange(TABLE_SIZE) + 0.5) / TABLE_SIZE
    assert coarse[1:-1] == pytest.approx(reference.ppf(steps)[1:-1], rel=2e-5)
    # Of 4 million cells one is beyond the last step's end by 1 in 64: the tail is there.
    assert fine == pytest.approx(reference.isf((1 - steps) / TABLE_SIZE), rel=1e-4)
    draws = np.log(coarse.astype(float))
    assert np.std(draws) == pytest.approx(sigma, rel=0.01)
    assert np.median(draws) == pytest.approx(0, abs=1e-4)


def left_after(process: Process, dose_j: float, *, words: int = 1 << 15, vcc_v: float = 4.2) -> int:
    cells = Cells(words, 8, process, seed=5)
    cells.programmed(np.zeros(words, dtype=np.uint16))
    cells.expose(dose_j)
    read = cells.read(np.arange(words, dtype=np.uint32), vcc_v)
    return words * 8 - int(np.bitwise_count(read).sum())


@pytest.mark.parametrize(
    "law", [EraseLaw.LOG_NORMAL, EraseLaw.WEIBULL, EraseLaw.LOG_LOGISTIC, EraseLaw.DECAY]
)
def test_counts_fall_as_the_law_says(law: EraseLaw) -> None:
    process = Process(noise_mv=1e-6).with_erase_law(law, 0.1)
    # A cell flips at Dc x factor x ln(window / (VCC - neutral)); UV notes, section 3.2.
    median = process.dose_constant_j * math.log(process.window_mv / (4200 - process.neutral_mv))
    bits = 8 << 15
    for share in (0.7, 0.2, 0.01):
        if law is EraseLaw.DECAY:
            # The charge of a cell is normal: D = Dc ln(window x (1 + s z) / (VCC - neutral)).
            held = 1 + process.window_sigma * norm.isf(share)
            at = process.dose_constant_j * math.log(process.window_mv * held / (4200 - process.neutral_mv))
        else:
            at = median * float(REFERENCES[law](0.1).isf(share))
        # Thresholds are whole millivolts: at the median that is 1 in 2700, 0.4 % of a sigma of 0.1.
        noise = 5 * math.sqrt(share * (1 - share) / bits)
        assert left_after(process, at) / bits == pytest.approx(share, abs=noise + 0.006 * share)


def test_a_few_slow_cells() -> None:
    slow = Process(noise_mv=1e-6).with_erase_law(EraseLaw.SLOW_CELLS, 0.05)
    median = slow.dose_constant_j * math.log(slow.window_mv / (4200 - slow.neutral_mv))
    # At 1.3 times the median the log-normal body is done (5.2 sigma), slow cells are not (-2.9 sigma).
    left = left_after(slow, 1.3 * median)
    assert left == pytest.approx(100e-6 * (8 << 15), abs=4 * math.sqrt(26))
    assert left_after(slow, 1.3 * median * SLOW_FACTOR) == 0
