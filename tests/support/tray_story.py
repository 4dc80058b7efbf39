"""A bench, a tray under a simulated lamp, and hands that do what a check of the tray asks for."""

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from daemon.catalogue.loader import Catalogue
from daemon.exposures.lamps import NewLamp, TubeSpec
from daemon.exposures.request import ChipsWanted, LampOff, LampOn, NewChip, NewExposure, NewLot, Prepared
from daemon.exposures.tray_check_view import TrayCheckView
from daemon.store.exposure_model import CheckState, TrayCheckRecord
from daemon.store.model import JobState
from simulator.chip.chip import Chip
from simulator.lamp import TUBES
from simulator.programmer.profile import full
from simulator.programmer.programmer import VirtualProgrammer
from simulator.socket import Socket
from simulator.tray import HungTube, OnTray, TrayLamp, VirtualTray
from tests.support.one_bench import OneBench, one_bench
from tests.support.ports import SharedClock, until
from tests.support.timed_hands import TimedHands

PART = Catalogue().get("st-m27c64a")
READY = Prepared(contents_stored=True, labels_off=True, solvent_dry=True)
WORDS = np.zeros(PART.words, dtype=np.uint16)


@dataclass
class TrayStory:
    """The bench, its hands, the true tray by place (from 1), and the exposure."""

    one: OneBench
    hands: TimedHands
    exposure: str
    tray: VirtualTray
    lot_id: str | None = None
    chip_ids: tuple[str, ...] = ()
    served: set[str] = field(default_factory=set)

    @property
    def erasing(self):
        """The bench's room for erasing."""
        return self.one.bench.erasing

    def light(self, lit_s: float) -> None:
        """Have the lamp on for so long, over what lies on the tray by the bench's own record."""
        inside = [each.chip.in_from_s is not None for each in self.erasing.exposures.get(self.exposure).chips]
        self.erasing.exposures.lamp_on(self.exposure, LampOn(cold=True, prepared=READY))
        self.one.clock.advance_s(lit_s)
        under = VirtualTray(
            self.tray.lamp, [c for c, lies in zip(self.tray.chips, inside, strict=True) if lies]
        )
        under.expose(lit_s)
        self.erasing.exposures.lamp_off(self.exposure, LampOff(lit_s=lit_s))
        self.one.clock.advance_s(300)

    def check(self) -> TrayCheckView:
        """Return the check as it stands."""
        return self.erasing.checks.get(self.exposure)

    def record(self) -> TrayCheckRecord:
        """Return what is recorded of the check: quicker than to look at it all."""
        found = self.one.bench.store.tray_checks.newest(self.exposure)
        assert found is not None
        return found

    def serve(self, other: Mapping[int, Chip] | None = None, *, most: int = 100) -> TrayCheckView:
        """Put in chip after chip as the check asks for them, until it asks for no more (or `most` were).

        `other`: what is put in instead at a place.
        """
        for _ in range(most):
            until(lambda: self.record().state is not CheckState.CHECKING or self.waiting(), 20)
            if self.record().state is not CheckState.CHECKING:
                break
            check = self.check()
            job_id = check.record.job_id
            found = re.search(r"place (\d+)", check.prompt)
            assert job_id
            assert found, check.prompt
            place = int(found.group(1))
            chip = (other or {}).get(place, self.tray.chips[place - 1].chip)
            self.served.add(job_id)
            self.hands.now(lambda board, now_s: board.remove(now_s))
            soon_s = self.one.clock.monotonic_s() + 1
            self.hands.at(soon_s, lambda board, now_s, c=chip: board.insert(c, now_s))
            until(lambda id_=job_id: self._is_over(id_), 20)
        return self.check()

    def waiting(self) -> bool:
        """Whether a job waits for a chip that was not put in yet."""
        job_id = self.record().job_id
        if job_id is None or job_id in self.served:
            return False
        return self.one.bench.job(job_id).state is JobState.WAITING

    def _is_over(self, job_id: str) -> bool:
        record = self.record()
        return record.job_id != job_id or record.state is not CheckState.CHECKING


@contextmanager
def tray_story(
    folder: Path, *, chips: int = 4, lot: NewLot | None = None, numbers: tuple[str, ...] = ()
) -> Iterator[TrayStory]:
    """Yield a bench with a planned exposure of full chips, and the tray that truly lies under the lamp.

    They are from `lot` and the first have these `numbers`, if told.
    """
    clock = SharedClock()
    board = VirtualProgrammer(full("SIM-1"), Socket(48), now_s=0.0)
    hands = TimedHands(board)
    with one_bench(folder, board=hands, clock=clock) as one:  # type: ignore[arg-type]
        erasing = one.bench.erasing
        erasing.lamps.add(NewLamp(name="box", tubes=(TubeSpec(preset="8w-t5"),), hours=0))
        lot_id = erasing.add_lot(lot).id if lot else None
        ids = tuple(
            erasing.add_chip(NewChip(number=number, part=PART.id, lot=lot_id)).id for number in numbers
        )
        wanted = ChipsWanted(part=PART.id, chips=chips, lot=lot_id, numbers=numbers)
        view = erasing.exposures.create(NewExposure(lamp="box", chips=(wanted,)))
        lying = []
        for each in view.chips:
            chip = Chip(PART, each.place)
            chip.program_at_maker(WORDS)
            lying.append(OnTray(chip, each.chip.along_mm / 1000, each.chip.across_mm / 1000))
        tray = VirtualTray(TrayLamp((HungTube(TUBES["8W-T5"]),)), lying)
        yield TrayStory(one, hands, view.record.id, tray, lot_id, ids)
