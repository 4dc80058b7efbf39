"""How a programmer's drivers reach a chip in one mode, through socket contacts and their faults."""

from collections.abc import Mapping
from dataclasses import dataclass

from protocol.descriptor import PartDescriptor
from protocol.wire import Level, Mode
from simulator.chip.chip import Chip
from simulator.flicker import Flicker
from simulator.nets import DATA_SHIFT, INPUT_HIGH_V, SUPPLIES, BitMap, Feed, Net, join
from simulator.rails import Rails
from simulator.socket import ContactFault, Socket

#: In the source words of sensing, the chip's outputs are in the low 16 bits and the lines above them.
OUTPUT_BITS = 16

_FEEDS = {
    Level.LOW: Feed.LOW,
    Level.HIGH: Feed.HIGH,
    Level.VPP: Feed.VPP,
    Level.ID: Feed.ID,
    Level.PULSE_LOW: Feed.LOW,
    Level.PULSE_HIGH: Feed.HIGH,
    Level.VCC: Feed.VCC,
}
_SHORTS = {ContactFault.SHORT_TO_GROUND: Feed.GROUND, ContactFault.SHORT_TO_VCC: Feed.VCC}
_FLOATING = Net()
#: What a logic driver has inside, and the most that a supply gives in a short (ours).
_DRIVER_OHM = 50.0
_MOST_A = 3.0


def driven(descriptor: PartDescriptor, mode: Mode, data: bool) -> dict[int, Net]:
    """Return socket pin -> what the programmer puts on it in a mode, a pulse at its active level.

    `data` tells whether it drives the data pins. Raises LookupError for a mode that the descriptor lacks.
    """
    nets = {pin: Net(lines=1 << bit) for bit, pin in enumerate(descriptor.address_pins)}
    if data:
        nets |= {pin: Net(lines=1 << DATA_SHIFT + bit) for bit, pin in enumerate(descriptor.data_pins)}
    for pin, level in zip(descriptor.control_pins, descriptor.modes[mode], strict=True):
        if level is Level.FLOAT:
            nets.pop(pin, None)
        elif level in _FEEDS:
            nets[pin] = Net(frozenset({_FEEDS[level]}))
    nets |= dict.fromkeys(descriptor.ground_pins, Net(frozenset({Feed.GROUND})))
    nets |= dict.fromkeys(descriptor.vcc_pins, Net(frozenset({Feed.VCC})))
    return nets


@dataclass(frozen=True, slots=True)
class Sensing:
    """How a word on the programmer's data pins comes about where the chip drives, and where nothing does.

    Bits of `floating` have nothing on them when the chip drives its outputs; those of `idle_floating` when
    it does not.
    """

    outputs: BitMap
    floating: int
    idle: BitMap
    idle_floating: int
    needs_lines: bool


class Wiring:
    """The paths between programmer and chip in one mode, with these supplies on.

    Without a chip, `chip_nets` is empty.
    """

    def __init__(
        self, descriptor: PartDescriptor, socket: Socket, mode: Mode, data: bool, live: frozenset[Feed]
    ) -> None:
        self._live = live
        self._socket = socket
        self._drives = driven(descriptor, mode, data)
        self.chip = chip = socket.chip
        contacts = socket.contacts()
        self.nodes = {pin: self._node(pin) for pin in range(1, socket.pin_count + 1)}
        self.chip_nets: dict[int, Net] = {}
        self.varying: tuple[int, ...] = ()
        if chip is not None:
            everything = range(1, len(chip.part.pins) + 1)
            self.chip_nets = {p: self.nodes[contacts[p]] if p in contacts else _FLOATING for p in everything}
            decided = (*chip.table.control_pins, *chip.table.power_pins)
            self.varying = tuple(p for p in decided if self.chip_nets[p].lines)
            self.rows, self.open_rows = self._inputs(chip.part.address_pins)
            self.words, self.open_words = self._inputs(chip.part.data_pins)
            self.open_row_levels = sum(
                (chip.drift_v(p) >= INPUT_HIGH_V) << bit for bit, p in enumerate(chip.part.address_pins)
            )
        self.flicker_rows: tuple[Flicker, ...] = ()
        self.flicker_words: tuple[Flicker, ...] = ()
        if chip is not None and socket.intermittent:
            self.flicker_rows = self._flicker(
                chip.part.address_pins, contacts, {p: chip.drift_v(p) >= INPUT_HIGH_V for p in everything}
            )
            self.flicker_words = self._flicker(chip.part.data_pins, contacts, dict.fromkeys(everything, True))
        self.flicker_sensed = tuple(
            Flicker(bit, socket.intermittent[pin], True)
            for bit, pin in enumerate(descriptor.data_pins)
            if pin in socket.intermittent
        )
        self.varying_bits = BitMap([self.chip_nets[pin].lines for pin in self.varying])
        self.sensing = self._sense(descriptor, chip, contacts)

    def _node(self, pin: int) -> Net:
        """Return everything that drives this contact, bridges and shorts included."""
        nets = []
        for member in self._socket.joined(pin):
            nets.append(self._drives.get(member, _FLOATING))
            if (short := _SHORTS.get(self._socket.faults.get(member, ContactFault.OPEN))) is not None:
                nets.append(Net(frozenset({short})))
        return join(nets)

    def _flicker(
        self, pins: tuple[int, ...], contacts: Mapping[int, int], open_level: Mapping[int, bool]
    ) -> tuple[Flicker, ...]:
        """Return which bits of the words at these chip pins come over intermittent contacts."""
        shares = self._socket.intermittent
        return tuple(
            Flicker(bit, shares[contacts[pin]], open_level[pin])
            for bit, pin in enumerate(pins)
            if contacts.get(pin) in shares
        )

    def _inputs(self, pins: tuple[int, ...]) -> tuple[BitMap, int]:
        """Return how the words at these chip inputs come from the lines, and the mask of inputs left open."""
        masks, ones, floating = [], 0, 0
        for bit, pin in enumerate(pins):
            net = self.chip_nets[pin]
            level = net.level(self._live)
            masks.append(net.lines if level is None else 0)
            floating |= net.floats << bit
            ones |= (level is True) << bit
        return BitMap(masks, ones), floating

    def _sense(self, descriptor: PartDescriptor, chip: Chip | None, contacts: dict[int, int]) -> Sensing:
        outputs: dict[int, int] = {}
        if chip is not None:
            outputs = {contacts[p]: bit for bit, p in enumerate(chip.part.data_pins) if p in contacts}
        masks: dict[bool, list[int]] = {True: [], False: []}
        ones, floating = {True: 0, False: 0}, {True: 0, False: 0}
        needs_lines = False
        for bit, pin in enumerate(descriptor.data_pins):
            net = self.nodes[pin]
            level = net.level(self._live)
            stiff = Feed.GROUND in net.feeds or bool(net.feeds & self._live) or level is False
            needs_lines |= bool(net.lines)
            on_node = sum(1 << outputs[member] for member in self._socket.joined(pin) if member in outputs)
            for enabled in (True, False):
                chip_drives = on_node if enabled else 0
                masks[enabled].append(0 if stiff else chip_drives | net.lines << OUTPUT_BITS)
                floating[enabled] |= (net.floats and not chip_drives) << bit
                ones[enabled] |= (level is True and (stiff or not chip_drives)) << bit
        return Sensing(
            BitMap(masks[True], ones[True]),
            floating[True],
            BitMap(masks[False], ones[False]),
            floating[False],
            needs_lines,
        )

    def volts(self, rails: Rails, varying_high: int) -> dict[int, float]:
        """Return chip pin -> volts, with bit i of `varying_high` for the i-th of the `varying` pins."""
        high = {pin: bool(varying_high >> index & 1) for index, pin in enumerate(self.varying)}
        return {pin: net.volts(rails, high.get(pin, True)) for pin, net in self.chip_nets.items()}


def supply_loads(wiring: Wiring, rails: Rails, volts: Mapping[int, float]) -> tuple[float, float]:
    """Return mA that VCC and VPP lose through shorts, bridges and forward diodes, not into the chip.

    A forward diode drops 0.7 V (standard physics). Ours: 1 ohm where a supply meets ground or another
    supply, 50 ohm where a logic driver takes the current, and no more than 3 A.
    """
    losses = {Feed.VCC: 0.0, Feed.VPP: 0.0}
    for net in wiring.nodes.values():
        for feed in losses.keys() & net.feeds:
            volts_here = feed.volts(rails)
            if net.feeds & {Feed.GROUND}:
                losses[feed] += volts_here
            others = [other.volts(rails) for other in net.feeds & SUPPLIES]
            losses[feed] += volts_here - min(others)
            if Feed.LOW in net.feeds or net.lines:
                losses[feed] += volts_here / _DRIVER_OHM
    for anode, cathode in wiring.chip.diodes if wiring.chip else ():
        forward_v = volts[anode] - volts[cathode] - 0.7
        if not forward_v > 0:
            continue
        stiff = bool(wiring.chip_nets[cathode].feeds & {Feed.GROUND, Feed.VCC, Feed.VPP})
        for feed in losses.keys() & wiring.chip_nets[anode].feeds:
            losses[feed] += forward_v / (1.0 if stiff else _DRIVER_OHM)
    return 1000 * min(losses[Feed.VCC], _MOST_A), 1000 * min(losses[Feed.VPP], _MOST_A)
