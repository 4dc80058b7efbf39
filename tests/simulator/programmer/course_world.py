"""A chip of a few words, what can come between its cycles, and what is seen of it either way."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from daemon.catalogue.loader import Catalogue
from daemon.programmers.fitting import describe, fit_directly
from protocol.descriptor import Page, PartDescriptor, Polling
from protocol.wire import Capability, Opcode
from simulator.bus import Bus
from simulator.chip.chip import Chip
from simulator.programmer import VirtualProgrammer, full
from simulator.socket import ContactFault, Socket
from tests.support.device_rig import Rig

PARTS = Catalogue()


FLASH, SST, EEPROM = "amd-am29f040b", "sst-39sf040", "atmel-at28c64"


#: A die as small as may be: the unlock addresses of the flash parts need 11 and 15 bits.
DIE_WORDS = {FLASH: 2048, SST: 32768, EEPROM: 256, "atmel-at28c256": 256}


class CycleBus(Bus):
    """Pins that foresee nothing."""

    def foresee_writes(self, *_what: Any) -> None:
        return None


@dataclass
class World:
    """What is on the bench; `chip_id` is the chip that sits there, `part_id` the part it is taken for."""

    part_id: str = FLASH
    chip_id: str | None = None
    die_words: int | None = None
    seed: int = 1
    locked: bool = False
    stuck: tuple[int, int] | None = None
    holds: int | None = None
    open_pin: int | None = None
    bridge: tuple[int, int] | None = None
    polls: bool = True
    cycle_us: int | None = None
    sensor: bool = True
    max_payload: int = 1024

    def chip(self, seed: int) -> Chip:
        name = self.chip_id or self.part_id
        chip = Chip(PARTS.get(name), seed, die_words=self.die_words or DIE_WORDS[name], locked=self.locked)
        if self.holds is not None:
            chip.program_at_maker(np.full(chip.die_words, self.holds, np.uint16))
        if self.stuck is not None:
            chip.cells.stuck(self.stuck[0], self.stuck[1], 1)
        return chip

    def rig(self, make_bus: type[Bus]) -> "ChipRig":
        return ChipRig(self, make_bus)


class ChipRig(Rig):
    """A raw host at a board with a modelled chip and the wanted kind of pins; notes all deadlines."""

    def __init__(self, world: World, make_bus: type[Bus]) -> None:
        profile = full("rig")
        identity = profile.identity
        if not world.sensor:
            left = identity.capabilities & ~Capability.SOCKET_SENSOR
            profile = replace(profile, identity=replace(identity, capabilities=left))
        profile = replace(profile, limits=replace(profile.limits, max_payload=world.max_payload))
        super().__init__(profile)
        chip = world.chip(world.seed)
        # Contacts are named by the chip's own pins, bottom-justified in 48.
        down = (48 - len(chip.part.pins)) // 2
        faults = {} if world.open_pin is None else {world.open_pin + down: ContactFault.OPEN}
        bridges = () if world.bridge is None else ((world.bridge[0] + down, world.bridge[1] + down),)
        self.world = world
        self.socket = Socket(48, chip, faults=faults, bridges=bridges)
        self.pins: list[Bus] = []
        self.device = VirtualProgrammer(profile, self.socket, make_bus=self._make_bus(make_bus))
        self.deadlines_s: list[float] = []
        self.ready(self._descriptor(), 5000, 0)

    def _make_bus(self, make_bus: type[Bus]) -> Callable[[PartDescriptor], Bus]:
        def make(part: PartDescriptor) -> Bus:
            self.pins.append(make_bus(part, self.socket))
            return self.pins[-1]

        return make

    def _descriptor(self) -> PartDescriptor:
        identity = self.profile.identity
        part = describe(fit_directly(PARTS.get(self.world.part_id), identity), identity)
        page = part.page or Page(0, 0, 300, Polling.DATA)
        polling = page.polling if self.world.polls else Polling.NONE
        return replace(
            part, page=replace(page, polling=polling, cycle_us=self.world.cycle_us or page.cycle_us)
        )

    def collect(self) -> Any:
        due_s = self.device.next_deadline_s()
        if due_s is not None:
            getattr(self, "deadlines_s", []).append(due_s)
        return super().collect()


Deed = Callable[[ChipRig], object]


@dataclass(frozen=True)
class Seen:
    """All that can be seen of a run, inside and outside."""

    frames: list[Any]
    now_s: float
    rails: Any
    chips: list[tuple[bytes, dict[str, Any]]]
    disturbances: list[Any]


def seen(rig: ChipRig, chip: Chip) -> Seen:
    frames = [(frame.at_s, frame.kind, frame.number, frame.content) for frame in rig.frames]
    chips = [chip] if rig.socket.chip in (None, chip) else [chip, rig.socket.chip]
    disturbances = [pins._noise.bit_generator.state for pins in rig.pins]
    return Seen(frames, rig.now_s, rig.rails, [inside(one) for one in chips], disturbances)


def inside(chip: Chip) -> tuple[bytes, dict[str, Any]]:
    """Return a chip's thresholds, and the state of its machine with what it will draw next."""
    cells = chip.cells
    machine = dict(vars(chip.machine))
    machine["_own"] = machine["_own"].getstate()
    for constant in ("_cells", "_part"):
        del machine[constant]
    return cells.thresholds_mv(np.arange(cells.words, dtype=np.uint32)).tobytes(), machine


def play(world: World, make_bus: type[Bus], requests: list[Any], deed: Deed | None, at_s: float) -> Seen:
    """Send requests at once, do the deed at its time after that, let time go by, look."""
    rig = world.rig(make_bus)
    chip = rig.socket.chip
    assert chip is not None
    rig.frames.clear()
    begun_s = rig.now_s
    for request in requests:
        rig.request(Opcode[type(request).__name__.upper()], request)
    if deed is not None:
        rig.advance(max(0.0, begun_s + at_s - rig.now_s), feed=True)
        deed(rig)
    # The watchdog bites after a second, and the longest stream is over before.
    rig.advance(1.5, feed=deed is not fall_silent)
    return seen(rig, chip)


def agree(world: World, requests: list[Any], deed: Deed | None = None, at_s: float = 0.0) -> Seen:
    """Let both worlds live through the same and return what came of it."""
    ahead = play(world, Bus, requests, deed, at_s)
    assert ahead == play(world, CycleBus, requests, deed, at_s)
    return ahead


def deadlines_s(world: World, requests: list[Any]) -> list[float]:
    """Return the times after the first request at which something is due, cycle by cycle."""
    rig = world.rig(CycleBus)
    begun_s = rig.now_s
    rig.deadlines_s.clear()
    for request in requests:
        rig.request(Opcode[type(request).__name__.upper()], request)
    rig.advance(1.0, feed=True)
    return sorted({due_s - begun_s for due_s in rig.deadlines_s})


def fall_silent(_rig: ChipRig) -> None:
    pass
