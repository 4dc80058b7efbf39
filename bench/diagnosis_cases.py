"""Faults drawn at random, in the simulator: a chip, a socket, a board, a job, and what is truly wrong.

Nothing here knows the diagnosis; a case says what is wrong by codes of causes and the pins that may be named.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from random import Random

import numpy as np
from numpy.typing import NDArray

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.pins import is_idle
from daemon.store.model import JobKind
from simulator.chip.chip import Chip
from simulator.chip.die_faults import DieFaults
from simulator.programmer.profile import Profile, full, modest
from simulator.socket import ContactFault, Placement, Socket
from simulator.supplies import SupplyTrouble

PARTS = Catalogue()
#: Small parts, so that a case is cheap: 2 to 16 KB.
PART_IDS = ("st-m2716", "st-m27c64a", "st-m27c64a", "amd-am27c128")


@dataclass
class Case:
    """One simulated failure, while it is built and when it is done.

    `truth` are causes of which one has to be named first: what is really so, and what no read can tell from
    it; `strict` is what is really so, and alone may be called sure. `second` are those of a second fault;
    `pins` the pins that must then be told (empty: none is asked for).
    """

    rng: Random
    part: Part
    profile: Profile
    image: bytes
    held: NDArray[np.uint16]
    kind: JobKind = JobKind.VERIFY
    truth: frozenset[str] = frozenset()
    strict: frozenset[str] = frozenset()
    second: frozenset[str] = frozenset()
    pins: frozenset[int] = frozenset()
    second_pins: frozenset[int] = frozenset()
    shelf: dict[str, bytes] | None = None
    chip: Chip | None = None
    faults: dict[int, ContactFault] | None = None
    bridges: list[tuple[int, int]] | None = None
    exchanged: list[tuple[int, int]] | None = None
    intermittent: dict[int, float] | None = None
    placement: Placement = field(default_factory=Placement)
    empty: bool = False
    vpp: SupplyTrouble | None = None
    vcc: SupplyTrouble | None = None
    name: str = ""
    die: DieFaults | None = None
    die_words: int | None = None
    after: Callable[[Chip], None] | None = None

    @property
    def checks_pins(self) -> bool:
        """Whether the board can check pins."""
        return "48" in self.profile.identity.hardware

    def socket_pin(self, pin: int) -> int:
        """Return the socket pin under a package pin."""
        return pin + (self.profile.identity.socket_pins - len(self.part.pins)) // 2

    def make_socket(self) -> Socket:
        """Make the socket with the chip in it."""
        socket = Socket(
            self.profile.identity.socket_pins,
            faults={self.socket_pin(pin): fault for pin, fault in (self.faults or {}).items()},
            bridges=[tuple(map(self.socket_pin, pair)) for pair in self.bridges or ()],  # type: ignore[misc]
            exchanged=[tuple(map(self.socket_pin, pair)) for pair in self.exchanged or ()],  # type: ignore[misc]
            intermittent={self.socket_pin(pin): share for pin, share in (self.intermittent or {}).items()},
        )
        if self.empty:
            return socket
        chip = self.chip
        if chip is None:
            chip = Chip(self.part, self.rng.randrange(1 << 30), die_words=self.die_words, faults=self.die)
            chip.program_at_maker(self.held[: chip.die_words])
        if self.after is not None:
            self.after(chip)
        socket.insert(chip, self.placement)
        return socket


# Content with the structure of what is in memories: code, tables, character generators, text, random


def content(rng: Random, size: int, *, full: bool = False) -> bytes:
    """Return content as programs and tables have it; without `full` mostly padded with blank."""
    style = rng.choice(("code", "code", "table", "glyphs", "mixed", "random"))
    makers = {"code": _code, "table": _table, "glyphs": _glyphs, "random": lambda r, n: r.randbytes(n)}
    if style == "mixed":
        third = size // 3
        data = _code(rng, third) + _table(rng, third) + _text(rng, size - 2 * third)
    else:
        data = makers[style](rng, size)
    if not full and rng.random() < 0.4:
        # Images seldom fill their chip.
        data = data[: int(size * rng.uniform(0.4, 0.95))]
    return data.ljust(size, b"\xff")


def _code(rng: Random, size: int) -> bytes:
    """Return what looks like a program: few opcodes, scattered operands, jumps and loads."""
    common = [rng.randrange(256) for _ in range(24)]
    out = bytearray()
    while len(out) < size:
        out.append(rng.choice(common))
        if rng.random() < 0.5:
            out.append(rng.randrange(256))
        if rng.random() < 0.2:
            out += bytes((rng.randrange(256), rng.randrange(32)))
    return bytes(out[:size])


def _table(rng: Random, size: int) -> bytes:
    step, phase = rng.uniform(0.003, 0.2), rng.uniform(0, 6)
    wave = 127.5 + 127 * np.sin(phase + step * np.arange(size))
    return wave.astype(np.uint8).tobytes()


def _glyphs(rng: Random, size: int) -> bytes:
    """Eight or sixteen rows a character, the last ones empty."""
    rows, out = rng.choice((8, 16)), bytearray()
    while len(out) < size:
        left = [rng.getrandbits(8) & rng.getrandbits(8) for _ in range(rows - rows // 4)]
        out += bytes(left) + bytes(rows // 4)
    return bytes(out[:size])


def _text(rng: Random, size: int) -> bytes:
    words = ["READY", "ERROR", "LOAD", "SKERRY", "TERN", "CLUB", "FILE", "DISK", "NO", "THE", "OF"]
    out = bytearray()
    while len(out) < size:
        out += rng.choice(words).encode() + rng.choice((b" ", b" ", b"\r\n", b"\x00"))
    return bytes(out[:size])


def as_words(data: bytes) -> NDArray[np.uint16]:
    """Return bytes as the words of a byte-wide part."""
    return np.frombuffer(data, np.uint8).astype(np.uint16)


def blank_case(rng: Random, *, pins: bool | None = None) -> Case:
    """Return a case in which nothing is wrong: a part, a board, an image, and a chip that holds it."""
    part = PARTS.get(rng.choice(PART_IDS))
    checks = rng.random() < 0.7 if pins is None else pins
    image = content(rng, part.size_bytes)
    return Case(rng, part, full("SIM-1") if checks else modest("SIM-1"), image, as_words(image), shelf={})


# Contact


def _signal_pins(part: Part) -> list[int]:
    return [*part.address_pins, *part.data_pins]


def open_pin(case: Case) -> None:
    """Fold one pin: any that leads somewhere, or, where pins cannot be checked, a line."""
    part = case.part
    pool = [pin for pin in range(1, len(part.pins) + 1) if not is_idle(part.signal_of(pin))]
    pin = case.rng.choice(pool if case.checks_pins else _signal_pins(part))
    case.faults = {**(case.faults or {}), pin: ContactFault.OPEN}
    _found(case, {"pin-open"}, {pin})


def shorted_pin(case: Case) -> None:
    """Short one address or data pin to ground or VCC."""
    pin = case.rng.choice(_signal_pins(case.part))
    short = case.rng.choice((ContactFault.SHORT_TO_GROUND, ContactFault.SHORT_TO_VCC))
    case.faults = {**(case.faults or {}), pin: short}
    names = {"pin-shorted"}
    if not case.checks_pins:
        # No read tells a short from a pin that is dead for another reason, or open, or bridged to a supply.
        names |= {"line-stuck", "pins-bridged", "pin-open"}
        if pin == case.part.address_pins[-1]:
            names.add("half-size")
    _found(case, names, {pin}, "pin-shorted")


def bridged_pins(case: Case) -> None:
    """Bridge two neighbouring lines."""
    lines = set(_signal_pins(case.part))
    half = len(case.part.pins) // 2
    pairs = [
        (pin, pin + 1) for pin in range(1, len(case.part.pins)) if {pin, pin + 1} <= lines and pin != half
    ]
    pair = case.rng.choice(pairs)
    case.bridges = [*(case.bridges or ()), pair]
    _found(case, {"pins-bridged"}, set(pair))


def crossed_lines(case: Case) -> None:
    """Exchange two address or two data lines on the way."""
    pins = case.rng.choice((case.part.address_pins, case.part.data_pins))
    pair = tuple(case.rng.sample(pins, 2))
    case.exchanged = [*(case.exchanged or ()), (pair[0], pair[1])]
    _found(case, {"lines-exchanged"}, set(pair))


def dead_line(case: Case) -> None:
    """Kill one line inside the chip."""
    part, bit_of = case.part, case.rng.randrange
    if case.rng.random() < 0.5:
        bit = bit_of(part.address_bits)
        mask, pin = 1 << bit, part.address_pins[bit]
        case.die = DieFaults(rows_low=mask) if case.rng.random() < 0.5 else DieFaults(rows_high=mask)
        names = {"line-stuck", *({"half-size"} if bit == part.address_bits - 1 else ())}
    else:
        bit = bit_of(part.width_bits)
        mask, pin = 1 << bit, part.data_pins[bit]
        case.die = DieFaults(outputs_low=mask) if case.rng.random() < 0.5 else DieFaults(outputs_high=mask)
        names = {"line-stuck"}
    if not case.checks_pins:
        names |= {"pin-shorted", "pin-open", "pins-bridged"}
    _found(case, names, {pin}, "line-stuck")


def loose_pin(case: Case) -> None:
    """Make one contact intermittent."""
    pin = case.rng.choice(_signal_pins(case.part))
    case.intermittent = {**(case.intermittent or {}), pin: case.rng.uniform(0.02, 0.3)}
    _found(case, {"contact-intermittent"}, {pin})


def reversed_chip(case: Case) -> None:
    """Turn the chip round."""
    case.placement = Placement(reversed=True)
    case.kind = JobKind.PROGRAM if case.checks_pins else case.kind
    _found(case, {"chip-reversed"}, set())


def shifted_chip(case: Case) -> None:
    """Put the chip some rows too high."""
    case.placement = Placement(shift=-case.rng.choice((1, 1, 2, 3)))
    _found(case, {"chip-shifted"}, set())


def no_chip(case: Case) -> None:
    """Leave the socket empty."""
    case.empty = True
    names = {"no-chip"} if case.checks_pins else {"chip-silent", "chip-blank"}
    _found(case, names, set(), "no-chip" if case.checks_pins else "chip-silent")


# Content


def blank_chip(case: Case) -> None:
    """Take a chip that was never programmed."""
    case.held = np.full_like(case.held, case.part.blank_byte)
    _found(case, {"chip-blank"}, set())


def _put(case: Case, data: bytes) -> None:
    case.held = as_words(data[: case.part.size_bytes].ljust(case.part.size_bytes, b"\xff"))


def older_image(case: Case) -> None:
    """Put in an older version, which the shelf has: some stretches are otherwise."""
    old = bytearray(case.image)
    for _ in range(case.rng.randint(1, 6)):
        at, size = case.rng.randrange(len(old)), case.rng.randint(1, len(old) // 8)
        old[at : at + size] = case.rng.randbytes(len(old[at : at + size]))
    _put(case, bytes(old))
    assert case.shelf is not None
    case.shelf["older"] = bytes(old)
    _found(case, {"older-image"}, set())


def other_image(case: Case) -> None:
    """Put in quite another image of the shelf."""
    other = content(case.rng, case.part.size_bytes)
    _put(case, other)
    assert case.shelf is not None
    case.shelf["other"] = other
    _found(case, {"other-image", "older-image"}, set())


def stranger(case: Case) -> None:
    """Put in something that nobody here has."""
    _put(case, content(case.rng, case.part.size_bytes))
    _found(case, {"other-content"}, set())


def even_odd(case: Case) -> None:
    """Take the other one of a pair of chips."""
    whole = content(case.rng, 2 * case.part.size_bytes)
    case.image = whole[0::2]
    _put(case, whole[1::2])
    assert case.shelf is not None
    case.shelf["whole"] = whole
    _found(case, {"even-odd-exchanged"}, set())


def wrong_half(case: Case) -> None:
    """Take the other half of an image."""
    size = case.part.size_bytes
    whole = content(case.rng, 2 * size, full=True)
    if case.rng.random() < 0.5:
        case.image = whole[:size]
        _put(case, whole[size:])
        assert case.shelf is not None
        case.shelf["whole"] = whole
    else:
        case.image = whole[:size]
        _put(case, case.image[size // 2 :] + case.image[: size // 2])
    _found(case, {"wrong-half"}, set())


def bytes_exchanged(case: Case) -> None:
    """Exchange the bytes of each word."""
    _put(case, as_words(case.image).reshape(-1, 2)[:, ::-1].astype(np.uint8).tobytes())
    _found(case, {"bytes-exchanged"}, set())


def header(case: Case) -> None:
    """Do not skip a header: in the chip's file, or in the image."""
    size = case.rng.choice((16, 32, 64, 128, 512))
    if case.rng.random() < 0.5:
        _put(case, case.rng.randbytes(size) + case.image)
    else:
        plain = case.image
        case.image = (case.rng.randbytes(size) + plain)[: len(plain)]
        _put(case, plain)
    _found(case, {"header-not-skipped"}, set())


def offset(case: Case) -> None:
    """Put the image some way up in the chip."""
    far = case.rng.choice((3, 24, 100, 256, 1024, case.part.size_bytes // 4))
    _put(case, b"\xff" * far + case.image)
    _found(case, {"image-offset"}, set())


def inverted(case: Case) -> None:
    """Invert every bit."""
    _put(case, bytes(byte ^ 0xFF for byte in case.image))
    _found(case, {"image-inverted"}, set())


def partly(case: Case) -> None:
    """Cut programming off."""
    used = len(case.image.rstrip(b"\xff"))
    upto = case.rng.randrange(max(1, used // 8), max(2, used - 16))
    _put(case, case.image[:upto])
    _found(case, {"partly-programmed"}, set())


def half_size(case: Case) -> None:
    """Take a die of half the size, programmed elsewhere with half of the image, or with both."""
    words = case.part.words // 2
    case.die_words = words
    low, high = case.held[:words], case.held[words:]
    if (low == high).all():
        case.image = content(case.rng, case.part.size_bytes)
        low, high = as_words(case.image)[:words], as_words(case.image)[words:]
    case.held = case.rng.choice((low, low & high))
    names = {"half-size"}
    if not case.checks_pins:
        names |= {"pin-open", "pin-shorted", "line-stuck", "pins-bridged"}
    _found(case, names, set(), "half-size")


# Cells


def used_chip(case: Case) -> None:
    """Check a chip for blank that is programmed."""
    case.kind = JobKind.BLANK_CHECK
    if case.rng.random() < 0.5:
        assert case.shelf is not None
        case.shelf["held"] = case.image
    _found(case, {"chip-programmed"}, set())


def half_erased(case: Case) -> None:
    """Give it too little light, to thresholds around the supplies, and check for blank."""
    case.kind = JobKind.BLANK_CHECK
    held, factor = case.held, case.rng.uniform(0.75, 1.25)

    def fade(chip: Chip) -> None:
        chip.cells.half_erased(held, chip.cells.process.dose_constant_j * factor)

    case.after = fade
    _found(case, {"not-fully-erased", "chip-programmed"} if factor < 0.8 else {"not-fully-erased"}, set())


def not_erased(case: Case) -> None:
    """Program it over what it held before."""
    old = content(case.rng, case.part.size_bytes)
    case.held = case.held & as_words(old)
    _found(case, {"not-erased"}, set())


def weak_cells(case: Case) -> None:
    """Take charge from a few cells: right at the nominal supply, wrong at a higher one."""
    case.profile = full("SIM-1")
    count = case.rng.randint(1, 40)

    def weaken(chip: Chip) -> None:
        rows = np.arange(chip.part.words, dtype=np.uint32)
        levels = chip.cells.thresholds_mv(rows)
        done = np.argwhere(levels > 6000)
        for at in case.rng.sample(range(len(done)), min(count, len(done))):
            levels[tuple(done[at])] = case.rng.randint(5100, 5900 if _high_v(case.part) > 5.9 else 5400)
        chip.cells.put_thresholds_mv(rows, levels)

    case.after = weaken
    case.kind = JobKind.VERIFY
    _found(case, {"weak-cells"}, set())


def _high_v(part: Part) -> float:
    return max(part.supplies.supply_checks_v)


def under_programmed(case: Case) -> None:
    """Program the whole chip weakly."""
    case.profile = full("SIM-1")
    process = Chip(case.part, 1).cells.process
    top_mv = 1000 * max(_high_v(case.part), case.part.supplies.vcc_read_v)
    aim_mv = case.rng.uniform(4600, top_mv - 200)
    weak = replace(process, window_mv=aim_mv - process.neutral_mv, window_sigma=0.03)
    case.chip = Chip(case.part, case.rng.randrange(1 << 30), process=weak)
    case.chip.program_at_maker(case.held)
    _found(case, {"under-programmed", "weak-cells"} if aim_mv > top_mv - 500 else {"under-programmed"}, set())


def stuck_cells(case: Case) -> None:
    """Make a few cells read wrong for ever."""
    count = case.rng.randint(1, 8)

    def stick(chip: Chip) -> None:
        for _ in range(count):
            row, bit = case.rng.randrange(chip.die_words), case.rng.randrange(chip.part.width_bits)
            chip.cells.stuck(row, bit, 1 - (int(case.held[row]) >> bit & 1))

    case.after = stick
    _found(case, {"cells-stuck"}, set())


# Supplies and other parts


def vpp_trouble(case: Case) -> None:
    """Make VPP weak, or let it give way under load."""
    case.kind = JobKind.PROGRAM
    case.part = PARTS.get(case.rng.choice(("st-m27c64a", "st-m27c256b", "amd-am27c128")))
    case.profile = full("SIM-1")
    case.image = content(case.rng, case.part.size_bytes)
    case.held = np.full(case.part.words, 0xFF, np.uint16)
    assert case.part.supplies.vpp_program_v is not None
    if case.rng.random() < 0.5:
        case.vpp = SupplyTrouble(ceiling_v=case.part.supplies.vpp_program_v - case.rng.uniform(0.6, 3.0))
        _found(case, {"vpp-wrong"}, set())
    else:
        case.vpp = SupplyTrouble(source_ohm=case.rng.uniform(30, 120))
        _found(case, {"vpp-sags"}, set())


def wrong_part(case: Case) -> None:
    """Put in another part, which names itself."""
    case.kind = JobKind.IDENTIFY
    case.part = PARTS.get("st-m27c256b")
    case.profile = full("SIM-1")
    other = PARTS.get(
        case.rng.choice(("amd-am27c256", "atmel-at27c256r", "intel-27c256", "microchip-27c256"))
    )
    case.image = content(case.rng, case.part.size_bytes)
    case.chip = Chip(other, case.rng.randrange(1 << 30))
    _found(case, {"wrong-part"}, set())


def _found(case: Case, names: set[str], pins: set[int], strict: str | None = None) -> None:
    case.strict |= names if strict is None else {strict}
    if case.truth:
        case.second, case.second_pins = frozenset(names), frozenset(pins)
    else:
        case.truth, case.pins = frozenset(names), frozenset(pins)


SINGLES: tuple[Callable[[Case], None], ...] = (
    open_pin, open_pin, shorted_pin, bridged_pins, crossed_lines, dead_line, loose_pin, loose_pin,
    reversed_chip, shifted_chip, no_chip, blank_chip, older_image, other_image, stranger, even_odd,
    wrong_half, bytes_exchanged, header, offset, inverted, partly, half_size, used_chip, half_erased,
    not_erased, weak_cells, under_programmed, stuck_cells, vpp_trouble, wrong_part,
)  # fmt: skip
#: Faults of the way to the chip on top of what it holds: read over a board that cannot check pins.
WIRE_FAULTS = (open_pin, shorted_pin, bridged_pins, crossed_lines, loose_pin, dead_line)
HELD_FAULTS = (older_image, bytes_exchanged, partly, not_erased, stuck_cells, weak_cells, dead_line)


def draw(seed: int, *, double: bool) -> Case:
    """Draw one case."""
    rng = Random(seed)
    if not double:
        make = rng.choice(SINGLES)
        needs = make in (reversed_chip, shifted_chip)
        case = blank_case(rng, pins=True if needs else None)
        make(case)
        case.name = make.__name__
        return case
    case = blank_case(rng, pins=False)
    first, second = rng.choice(HELD_FAULTS), rng.choice(WIRE_FAULTS)
    first(case)
    second(case)
    case.name = f"{first.__name__} + {second.__name__}"
    return case
