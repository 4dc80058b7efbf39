"""Whole exposures against a virtual tray whose lamp is not what its user believes: aged, dirty, mirrored.

The simulator's light is integrated over the tubes' surfaces and its cells have laws of their own; nothing of
it is shared with what is judged here.
"""

import numpy as np
import pytest

from daemon.catalogue.loader import Catalogue
from daemon.clock import ManualClock
from daemon.exposures.desk import ExposureDesk
from daemon.exposures.lamps import LampShelf, NewLamp, TubeSpec
from daemon.exposures.request import ChipsWanted, LampOff, LampOn, NewExposure, NewReading, Prepared
from daemon.store.store import Store
from simulator.chip.chip import Chip
from simulator.chip.erase_laws import EraseLaw
from simulator.chip.process import Process
from simulator.lamp import TUBES
from simulator.tray import HungTube, Mirror, OnTray, TrayLamp, VirtualTray

PARTS = Catalogue()
PART = PARTS.get("st-m27c64a")
READY = Prepared(contents_stored=True, labels_off=True, solvent_dry=True)
ROWS = np.arange(PART.words, dtype=np.uint32)


def bits_left(chip: Chip, vcc_v: float) -> int:
    counts = [PART.words * 8 - int(np.bitwise_count(chip.cells.read(ROWS, vcc_v)).sum()) for _ in range(5)]
    return int(np.median(counts))


@pytest.mark.no_cover
@pytest.mark.parametrize("law", [EraseLaw.LOG_NORMAL, EraseLaw.DECAY, EraseLaw.SLOW_CELLS])
@pytest.mark.parametrize(
    ("life_h", "dirt", "mirror"), [(1e9, 1.0, None), (2000.0, 0.5, None), (1e9, 1.0, Mirror(0.06, 0.7))]
)
def test_a_tray_is_erased_with_margin(tmp_path, law, life_h, dirt, mirror) -> None:
    clock = ManualClock()
    with Store.open(f"sqlite:///{(tmp_path / 'b.db').as_posix()}", clock, "b_one") as store:
        lamps = LampShelf(store, PARTS, clock)
        desk = ExposureDesk(store, PARTS, lamps, clock)
        pair = (TubeSpec(preset="8w-t5", across_mm=-20), TubeSpec(preset="8w-t5", across_mm=20))
        lamps.add(NewLamp(name="box", tubes=pair, tray_along_mm=200, tray_across_mm=60))
        wanted = ChipsWanted(part=PART.id, chips=8)
        view = desk.create(NewExposure(lamp="box", chips=(wanted,), prepared=READY))
        tray = truth(view, law, life_h, dirt, mirror)
        sentinels = [each.place for each in view.chips if each.chip.sentinel]
        count(desk, view, tray, sentinels)
        lit_s = 300.0
        for _ in range(25):
            light(desk, view.record.id, clock, tray, lit_s)
            view = count(desk, view, tray, sentinels)
            telling = [view.chips[place - 1].outlook for place in sentinels]
            if all(each.line is not None or each.series.last.bits_left == 0 for each in telling):
                break
            ahead = [each.next_reading_effective_s for each in telling if each.next_reading_effective_s]
            lit_s = max(60.0, min(ahead, default=view.light_s * 1.15) - view.light_s)
        assert view.end_lit_s is not None
        assert any(each.line is not None for each in telling)
        if view.end_lit_s:
            light(desk, view.record.id, clock, tray, view.end_lit_s)
        for each in tray.chips:
            assert bits_left(each.chip, 4.2) == 0
            assert bits_left(each.chip, 3.75) == 0
        assert desk.finish(view.record.id).record.outcome["failed"] == []


def truth(view, law, life_h, dirt, mirror) -> VirtualTray:
    tubes = tuple(HungTube(TUBES["8W-T5"], sideways_m=y) for y in (-0.02, 0.02))
    hours = 800.0 if life_h < 1e6 else 0.0
    lamp = TrayLamp(tubes, mirror, hours=hours, life_h=life_h, dirt=dirt, noise=0.02, seed=4)
    chips = []
    for each in view.chips:
        process = Process.of_part(PART, each.place).with_erase_law(law, 0.07)
        chip = Chip(PART, each.place, process=process)
        chip.program_at_maker(np.zeros(PART.words, dtype=np.uint16))
        chips.append(OnTray(chip, each.chip.along_mm / 1000, each.chip.across_mm / 1000))
    return VirtualTray(lamp, chips)


def light(desk, id_, clock, tray, lit_s) -> None:
    whole_s = float(round(lit_s))
    desk.lamp_on(id_, LampOn(cold=True))
    clock.advance_s(whole_s)
    tray.expose(whole_s)
    desk.lamp_off(id_, LampOff())
    clock.advance_s(300)


def count(desk, view, tray, sentinels):
    for place in sentinels:
        left = bits_left(tray.chips[place - 1].chip, 4.2)
        view = desk.count(view.record.id, NewReading(place=place, bits_left=left, vcc_v=4.2, reads=5))
    return view
