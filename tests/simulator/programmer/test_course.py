"""Words written ahead of time against the same words written cycle by cycle: chip, times, answers.

Both worlds have a modelled chip and true pins. In one the bus foresees nothing, so that each write cycle is
given and polled by itself; that one is held to the data sheets in `chip/test_commands.py` and to the wire in
`test_loops.py`.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.catalogue.loader import Catalogue
from daemon.programmers.fitting import describe, fit_directly
from protocol.descriptor import Page, PartDescriptor, Polling
from protocol.messages import Copy, Fill, Program, ProgramResult
from protocol.wire import Capability, Opcode, Pass, Status
from simulator.bus import Bus
from simulator.chip.chip import Chip
from simulator.programmer import VirtualProgrammer, full
from simulator.socket import ContactFault, Socket
from simulator.supplies import SupplyName, SupplyTrouble
from tests.support.device_rig import Rig

PARTS = Catalogue()
FLASH, SST, EEPROM = "amd-am29f040b", "sst-39sf040", "atmel-at28c64"
#: A die as small as may be: the unlock addresses of the flash parts need 11 and 15 bits.
DIE_WORDS = {FLASH: 2048, SST: 32768, EEPROM: 256, "atmel-at28c256": 256}
NONE = 0xFFFF_FFFF


class CycleBus(Bus):
    """Pins that foresee nothing."""

    def foresee_writes(self, *_what: Any) -> None:
        return None


class CountingBus(Bus):
    """Pins that count the write cycles that are given one by one."""

    cycles = 0

    def write(self, *what: Any) -> None:
        self.cycles += 1
        super().write(*what)


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


def result_of(rig: ChipRig, request: Any) -> Any:
    return rig.run(Opcode[type(request).__name__.upper()], request)


# What a hand or a host can do in the middle


def abort(rig: ChipRig) -> None:
    rig.control(Opcode.ABORT)


def greet(rig: ChipRig) -> None:
    rig.hello()


def look(rig: ChipRig) -> None:
    rig.control(Opcode.KEEPALIVE)


def fall_silent(_rig: ChipRig) -> None:
    pass


def reset(rig: ChipRig) -> None:
    rig.device.reset(rig.now_s)


def lift_the_lever(rig: ChipRig) -> None:
    rig.device.open_socket(rig.now_s)


def swap(rig: ChipRig) -> None:
    rig.device.insert(rig.world.chip(99), rig.now_s)


def pull(rig: ChipRig) -> None:
    rig.device.remove(rig.now_s)


def sag_a_little(rig: ChipRig) -> None:
    rig.device.afflict(SupplyName.VCC, SupplyTrouble(source_ohm=1.0), rig.now_s)


def sag_too_far(rig: ChipRig) -> None:
    rig.device.afflict(SupplyName.VCC, SupplyTrouble(source_ohm=40.0), rig.now_s)


def drift(rig: ChipRig) -> None:
    rig.device.afflict(SupplyName.VCC, SupplyTrouble(drift_v_per_s=-30.0), rig.now_s)


def drift_and_sag(rig: ChipRig) -> None:
    rig.device.afflict(SupplyName.VCC, SupplyTrouble(source_ohm=1.0, drift_v_per_s=-2.0), rig.now_s)


def sag_then_abort(rig: ChipRig) -> None:
    sag_a_little(rig)
    rig.advance(0.0001)
    abort(rig)


def swap_then_abort(rig: ChipRig) -> None:
    swap(rig)
    abort(rig)


DEEDS = [
    abort,
    greet,
    look,
    fall_silent,
    reset,
    lift_the_lever,
    swap,
    pull,
    sag_a_little,
    sag_too_far,
    drift,
    drift_and_sag,
    sag_then_abort,
    swap_then_abort,
]


@st.composite
def worlds(draw: st.DrawFn) -> World:
    part_id = draw(st.sampled_from([FLASH, FLASH, EEPROM, SST]))
    sound = {"part_id": part_id, "seed": draw(st.integers(0, 5)), "sensor": draw(st.booleans())}
    trouble: dict[str, Any] = draw(
        st.sampled_from(
            [
                {},
                {},
                {},
                {"locked": True},
                {"stuck": (draw(st.integers(0, 255)), draw(st.integers(0, 7)))},
                {"holds": draw(st.integers(0, 255))},
                {"open_pin": draw(st.integers(1, 28))},
                {"bridge": (draw(st.integers(1, 28)), draw(st.integers(1, 28)))},
                {"chip_id": draw(st.sampled_from([FLASH, SST, EEPROM, "atmel-at28c256"]))},
                {"polls": False},
                {"cycle_us": draw(st.sampled_from([5, 14, 840]))},
                {"part_id": EEPROM, "die_words": 64},
            ]
        )
    )
    return World(**{**sound, **trouble})


@st.composite
def streams(draw: st.DrawFn, die_words: int) -> list[Any]:
    """One to three requests, which may run over the die's end and over each other."""
    requests: list[Any] = []
    for op in range(1, draw(st.integers(1, 3)) + 1):
        address = draw(st.integers(0, die_words + 40))
        count = draw(st.integers(1, 200))
        match draw(st.sampled_from(["program", "program", "fill", "copy"])):
            case "program":
                data = draw(st.one_of(st.binary(min_size=count, max_size=count), st.just(bytes(count))))
                requests.append(Program(op, address, Pass.FULL, data))
            case "fill":
                requests.append(Fill(op, address, count, Pass.FULL, draw(st.integers(0, 255))))
            case "copy":
                source = draw(st.integers(0, die_words))
                requests.append(Copy(op, address, min(count, 20), Pass.FULL, source))
    return requests


@pytest.mark.no_cover
@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_ahead_of_time_is_as_cycle_by_cycle_whatever_comes_between(data: st.DataObject) -> None:
    world = data.draw(worlds())
    requests = data.draw(streams(world.die_words or min(2048, DIE_WORDS[world.part_id])))
    deed = data.draw(st.sampled_from([None, *DEEDS]))
    at_s = 0.0
    if deed is not None:
        due_s = deadlines_s(world, requests)
        # At the very moment at which a unit ends, just before, just after, or in the middle.
        at_s = data.draw(st.sampled_from(due_s)) + data.draw(st.sampled_from([0.0, 1e-9, -1e-9, 7e-5]))
    agree(world, requests, deed, at_s)


@pytest.mark.no_cover
@pytest.mark.parametrize("deed", DEEDS)
@pytest.mark.parametrize("part_id", [FLASH, EEPROM])
def test_each_interruption_in_the_middle_of_a_block(part_id: str, deed: Deed) -> None:
    requests = [Program(1, 0, Pass.FULL, bytes(range(1, 201)))]
    due_s = deadlines_s(World(part_id), requests)
    middle_s = due_s[len(due_s) // 2]
    for sensor in (True, False):
        for off_s in (0.0, 3e-5):
            agree(World(part_id, sensor=sensor), requests, deed, middle_s + off_s)


# That the short way is taken, and where it must not be


@pytest.mark.parametrize(("part_id", "cycles"), [(FLASH, 3 * 4), (SST, 47 * 4), (EEPROM, 1)])
def test_only_the_first_unit_is_given_cycle_by_cycle(part_id: str, cycles: int) -> None:
    # A unit is what is surely written within a millisecond: 300, 20 and 1000 µs a word, 5 % granted.
    rig = World(part_id).rig(CountingBus)
    data = np.random.default_rng(4).bytes(1024)
    got = result_of(rig, Program(1, 0, Pass.FULL, data[: DIE_WORDS[part_id]]))
    assert (got.status, got.detail.words) == (Status.OK, min(1024, DIE_WORDS[part_id]))
    assert isinstance(rig.pins[-1], CountingBus)
    assert rig.pins[-1].cycles == cycles
    assert rig.socket.chip is not None
    rows = np.arange(got.detail.words, dtype=np.uint32)
    assert rig.socket.chip.cells.read(rows, 5.0).astype("u1").tobytes() == data[: len(rows)]


@pytest.mark.parametrize(
    "trouble",
    [
        {"stuck": (77, 3)},
        {"holds": 0x0F},
        {"chip_id": EEPROM},
        {"part_id": EEPROM, "chip_id": FLASH},
        # The longest that it may take is less than the longest that it takes, 900 µs.
        {"part_id": EEPROM, "cycle_us": 840},
        {"part_id": EEPROM, "die_words": 32},
    ],
)
def test_what_goes_wrong_goes_wrong_at_the_same_word(trouble: dict[str, Any]) -> None:
    data = bytes([0x0F] * 60) + bytes(range(100))
    for locked in (False, True):
        agree(World(locked=locked, **trouble), [Program(1, 30, Pass.FULL, data)])


def test_an_open_address_pin_disturbs_as_many_words() -> None:
    # A7, pin 3 of the 28C64. All words alike, so that only what follows shows which rows were met.
    world = World(EEPROM, holds=0x55, open_pin=3)
    agree(world, [Fill(1, 0, 100, Pass.FULL, 0x55), Program(2, 0, Pass.FULL, bytes([0x55] * 90) + b"12345")])


def test_a_stuck_bit_far_into_a_request_is_named() -> None:
    world = World(stuck=(777, 3))
    result = result_of(world.rig(Bus), Fill(1, 0, 1500, Pass.FULL, 0))
    assert result.status is Status.PROGRAM_FAILED
    assert result.detail == ProgramResult(777, 780, 1, 777, 0x00, 0x08)


def test_a_half_size_die_fails_where_the_second_half_meets_the_first() -> None:
    rig = World().rig(Bus)
    assert result_of(rig, Fill(1, 0, 2048, Pass.FULL, 0xF0)).status is Status.OK
    got = result_of(rig, Program(2, 2048, Pass.FULL, bytes([0xF0] * 10 + [0x0F])))
    assert (got.status, got.detail.words, got.detail.failed_address) == (Status.PROGRAM_FAILED, 10, 2058)
    assert (got.detail.wanted, got.detail.got) == (0x0F, 0x00)


def test_a_locked_flash_keeps_what_it_has() -> None:
    rig = World(locked=True).rig(Bus)
    # What it holds already reads right at the first word; the others cannot be written.
    got = result_of(rig, Program(1, 0, Pass.FULL, b"\xff" * 40 + b"\x00"))
    assert (got.status, got.detail.words, got.detail.failed_address) == (Status.PROGRAM_FAILED, 40, 40)


def test_the_time_of_a_block_is_the_sum_of_its_words_times() -> None:
    # Am29F040B: 7 µs a byte, typical (AMD 21445); ours 5 % about it. Four cycles of 2 µs, the last of which
    # runs beside the chip's own time, and one read of 1 µs a byte.
    rig = World().rig(Bus)
    begun_s = rig.now_s
    assert result_of(rig, Fill(1, 0, 2048, Pass.FULL, 0)).status is Status.OK
    assert (rig.now_s - begun_s) / 2048 == pytest.approx(3 * 2e-6 + 7e-6 + 1e-6, rel=0.01)
