"""Ways to read a chip without knowing it: what each pin of the package gets, and nothing above the supply.

A trial is read-only by construction: its part has no loop, no signature and no pin for a higher voltage, so
no request can lead to one. Parts that are read alike share a trial. Pins that lead nowhere in a part are held
high where its sheet allows it: in another chip they may be inputs, and an open input drifts.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum, auto

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Kind, Level, Mode, Unused


class Feed(Enum):
    """What a package pin gets during a read."""

    GROUND = auto()
    VCC = auto()
    """The supply itself: a VCC pin, or a VPP pin that rests at VCC."""
    LOW = auto()
    HIGH = auto()
    ADDRESS = auto()
    OPEN = auto()
    """Nothing, or the programmer listens there."""


@dataclass(frozen=True, slots=True)
class Drive:
    """One pin's feed; `bit` is the address line on it."""

    feed: Feed
    bit: int = -1

    @property
    def constant(self) -> bool | None:
        """The level that the pin has at every address; None where it changes or floats."""
        if self.feed in (Feed.HIGH, Feed.VCC):
            return True
        return False if self.feed in (Feed.LOW, Feed.GROUND) else None


Drives = Mapping[int, Drive]
"""Package pin -> what it gets."""

_LEVELS = {Level.LOW: Feed.LOW, Level.HIGH: Feed.HIGH, Level.VCC: Feed.VCC}


def drives_of(part: Part) -> dict[int, Drive]:
    """Return what each pin of a part gets while it is read, idle pins held high where they may be."""
    levels = part.levels(Mode.READ)
    drives = {pin: Drive(_LEVELS.get(level, Feed.OPEN)) for pin, level in levels.items()}
    for pin in drives:
        if levels[pin] is Level.FLOAT and part.unused(pin) in (Unused.ANY, Unused.LEVEL, Unused.TIED):
            drives[pin] = Drive(Feed.HIGH)
    drives |= {pin: Drive(Feed.ADDRESS, bit) for bit, pin in enumerate(part.address_pins)}
    drives |= dict.fromkeys(part.data_pins, Drive(Feed.OPEN))
    drives |= dict.fromkeys(part.vcc_pins, Drive(Feed.VCC))
    drives |= dict.fromkeys(part.ground_pins, Drive(Feed.GROUND))
    return drives


@dataclass(frozen=True, slots=True)
class Trial:
    """One way to read, and the candidates that are read just so. `part` is what the programmer is told of."""

    part: Part
    drives: Drives
    members: tuple[Part, ...]

    @property
    def key(self) -> str:
        """Names the way among the others of its package: the pinout of its first member."""
        return self.members[0].pinout or self.members[0].id

    @property
    def name(self) -> str:
        """How people call it: by the commonest name of the parts that are read so."""
        return family_names(self.members)[0]


def trials_for(parts: Iterable[Part]) -> tuple[Trial, ...]:
    """Return the ways to read these parts, of one package, smallest first."""
    groups: dict[object, list[Part]] = {}
    for part in parts:
        groups.setdefault(_likeness(part), []).append(part)
    trials = [trial_of(members) for members in groups.values()]
    return tuple(sorted(trials, key=lambda trial: (trial.part.size_bytes, trial.key)))


def trial_of(members: Iterable[Part]) -> Trial:
    """Return the one way to read parts that are read alike, within the supply that all of them allow."""
    # The one with most pins at the supply decides: a VPP pin wants VCC, an idle pin has it for the asking.
    ordered = sorted(members, key=lambda part: -list(_feeds(part).values()).count(Feed.VCC))
    return Trial(_read_only(ordered), drives_of(ordered[0]), tuple(ordered))


def a_name(name: str) -> str:
    """Return a part's name with its article, as it is read out: a 27C512, an M27C512, an 82S191."""
    return f"an {name}" if name[:1].upper() in "AEFHILMNORSX8" else f"a {name}"


def family_names(parts: Iterable[Part]) -> tuple[str, ...]:
    """Return the short names of parts, the most common first: 27C512 rather than each maker's own."""
    counts: dict[str, int] = {}
    for part in parts:
        name = part.aliases[0] if part.aliases else part.name
        counts[name] = counts.get(name, 0) + 1
    return tuple(sorted(counts, key=lambda name: (-counts[name], name)))


def _feeds(part: Part) -> dict[int, Feed]:
    return {pin: drive.feed for pin, drive in drives_of(part).items()}


def _likeness(part: Part) -> object:
    """Return what must be the same for two parts to be read alike; VCC and a high level count as one."""
    pins = tuple(
        (drive.feed if drive.constant is None else drive.constant, drive.bit)
        for _, drive in sorted(drives_of(part).items())
    )
    return pins, part.data_pins, part.vcc_pins, part.ground_pins, part.words, part.supplies.vcc_read_v


def _read_only(members: list[Part]) -> Part:
    """Return a part with the first member's pins that can be read and nothing else.

    Raises pydantic's ValidationError when that contradicts itself, which no part of a catalogue leads to.
    """
    first, count = members[0], len(members[0].pins)
    names = [f"NC|{pin}" if name == "NC" else name for pin, name in enumerate(first.pins, 1)]
    held = {
        names[pin - 1]: Level.HIGH
        for pin, drive in drives_of(first).items()
        if drive.feed is Feed.HIGH and first.levels(Mode.READ)[pin] is Level.FLOAT
    }
    nominal_v = first.supplies.vcc_read_v
    return Part.model_validate(
        {
            "id": f"unmarked-dip{count}",
            "name": f"unmarked {count}-pin chip",
            "maker": "unknown",
            "kind": Kind.MASK_ROM,
            "package": f"DIP{count}",
            "pins": tuple(names),
            "datasheet": "none: the chip is not known",
            "words": first.words,
            "width_bits": first.width_bits,
            "access_ns": (max(part.slowest_access_ns for part in members),),
            "blank_byte": first.blank_byte,
            "supplies": {
                "vcc_read_v": nominal_v,
                "vcc_read_tolerance_v": min(part.supplies.vcc_read_tolerance_v for part in members),
                "vcc_abs_max_v": min(part.supplies.vcc_abs_max_v for part in members),
                "supply_checks_v": (nominal_v,),
            },
            "modes": {mode: {**first.modes[mode], **held} for mode in (Mode.STANDBY, Mode.READ)},
            "signature": {"method": "none"},
            "erase": {"method": "none"},
        }
    )


def lowest_v(part: Part) -> float:
    """Return the lowest supply at which a part is read or checked, volts."""
    supplies = part.supplies
    return min(*supplies.supply_checks_v, supplies.vcc_read_v - supplies.vcc_read_tolerance_v)


def with_low_look(part: Part, low_v: float) -> Part:
    """Return a part of a trial that may also be read at `low_v`."""
    checks = (part.supplies.vcc_read_v, low_v)
    return part.model_copy(update={"supplies": part.supplies.model_copy(update={"supply_checks_v": checks})})
