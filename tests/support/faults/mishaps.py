"""What goes wrong in a world, made to happen at its time, and healed."""

from datetime import timedelta
from functools import partial

from daemon.errors import BenchError, Code
from daemon.store.model import JobRecord
from simulator.chip.chip import Chip
from simulator.supplies import SupplyName, SupplyTrouble
from tests.support.faults.host import Illness
from tests.support.faults.plan import AT_THE_CHIP, Mishap, Trouble, Visit
from tests.support.faults.world import World

_ILL = {
    Mishap.STORE_READ_ONLY: Illness.READ_ONLY,
    Mishap.STORE_FULL: Illness.FULL,
    Mishap.STORE_COMMIT: Illness.COMMIT_FAILS,
}
#: The clock is set by so many hours less, and so many more, than a job's count of calls.
_HOURS = 75
#: Every third host that dies has a successor that dies, too.
_DIES_AGAIN = 3


class TroubleMaker:
    """Lets the troubles of a visit happen to one world."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._illness: Illness | None = None

    @staticmethod
    def meddles(visit: Visit) -> bool:
        """Tell whether something happens to chip or supplies in a visit."""
        return any(trouble.mishap in AT_THE_CHIP for trouble in visit.troubles)

    def arrange(self, visit: Visit, job: JobRecord, chip: Chip) -> None:
        """See to it that all troubles of a visit come at their times, counted from now."""
        world = self.world
        takes_s = float((job.estimate or {}).get("total_s", 1.0))
        for trouble in visit.troubles:
            world.figures.mishaps[trouble.mishap] += 1
            if trouble.mishap is Mishap.HOST_DIES:
                world.dies_after = trouble.calls
                world.restart_s = trouble.lasts_s
                if trouble.calls % _DIES_AGAIN == 0:
                    # While it takes stock of what its predecessor left, or soon after.
                    world.dies_again_after = 1 + trouble.calls // _DIES_AGAIN % 20
            else:
                at_s = max(0.0, trouble.at * takes_s)
                world.later(at_s, partial(self._befall, trouble, job.id, chip))

    def heal(self, chip: Chip) -> None:
        """End all that is wrong."""
        world = self.world
        world.forget_agenda()
        world.dies_after = world.dies_again_after = None
        world.restart_s = 0.5
        world.cable.echoes = world.damage.dead = False
        world.replug()
        self._sicken(None)
        self._mend_supplies()
        self._put_back(chip)

    def _befall(self, trouble: Trouble, job_id: str, chip: Chip) -> None:
        world, name = self.world, trouble.mishap
        match name:
            case Mishap.CANCEL:
                self._cancel(job_id)
            case Mishap.HOST_STALLS:
                world.stall(trouble.lasts_s)
            case Mishap.CLOCK_JUMPS:
                world.clock.offset += timedelta(hours=trouble.calls - _HOURS)
            case Mishap.STORE_READ_ONLY | Mishap.STORE_FULL | Mishap.STORE_COMMIT:
                self._sicken(_ILL[name])
                world.later(trouble.lasts_s, partial(self._sicken, None))
            case Mishap.UNPLUG:
                world.unplug()
                world.later(trouble.lasts_s, world.replug)
            case Mishap.LINE_DEAD:
                world.damage.dead = True
                world.later(trouble.lasts_s, self._revive_line)
            case Mishap.ECHO:
                world.cable.echoes = True
            case Mishap.RESET:
                world.reset_board()
            case Mishap.VPP_SAG | Mishap.VCC_SAG | Mishap.VPP_DRIFT:
                self._afflict(name)
                world.later(trouble.lasts_s, self._mend_supplies)
            case Mishap.CHIP_PULLED:
                world.board.remove(world.now_s)
                world.later(trouble.lasts_s, partial(self._put_back, chip))
            case _:
                raise AssertionError(name)

    def _cancel(self, job_id: str) -> None:
        if self.world.host is None:
            return
        try:
            self.world.host.desk.cancel(job_id)
        except BenchError as error:
            if error.code is not Code.JOB_ENDED and self._illness is None:
                raise

    def _sicken(self, illness: Illness | None) -> None:
        self._illness = illness
        if self.world.host is not None:
            self.world.host.illness = illness

    def _revive_line(self) -> None:
        self.world.damage.dead = False

    def _afflict(self, name: Mishap) -> None:
        world, supplies = self.world, self.world.part.supplies
        match name:
            case Mishap.VCC_SAG:
                trouble = SupplyTrouble(ceiling_v=supplies.vcc_read_v * 0.85)
            case Mishap.VPP_SAG:
                trouble = SupplyTrouble(ceiling_v=(supplies.vpp_program_v or 12.0) * 0.93)
            case _:
                trouble = SupplyTrouble(drift_v_per_s=-2.0)
        which = SupplyName.VCC if name is Mishap.VCC_SAG else SupplyName.VPP
        world.board.afflict(which, trouble, world.now_s)

    def _mend_supplies(self) -> None:
        for name in (SupplyName.VCC, SupplyName.VPP):
            self.world.board.afflict(name, SupplyTrouble(), self.world.now_s)

    def _put_back(self, chip: Chip) -> None:
        if self.world.board.socket.chip is None:
            self.world.board.insert(chip, self.world.now_s)
