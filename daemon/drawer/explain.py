"""Which part explains what was read: would a chip with these pins have answered so.

Every trial is a question to the same chip, so the answers hang together: a 27C256 read as a 27C512 repeats
itself, a 27C512 read as a 27C256 shows its upper half, because VPP's pin is its A15. For each way that pins
can be wired (a pinout of the catalogue) this works out, word by word, which cell each read would have
reached, and looks for contradictions. What a sheet leaves open (a low program or write enable while the chip
is read) proves nothing and is passed over.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from daemon.catalogue.model import Part
from daemon.catalogue.pins import jobs_of
from daemon.catalogue.terms import Level, Mode
from daemon.drawer.hazards import is_gate
from daemon.drawer.trials import Drive, Feed, Trial, a_name

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

#: A bus that nobody drives shows few different values (pulled up, pulled down, what was there before).
_UNDRIVEN_VALUES = 4
#: Of what is not blank, the share that may differ where the chip itself does not read the same twice.
_NOISE_SHARE = 0.05


@dataclass(frozen=True, slots=True)
class Observation:
    """What one trial brought; `stable` when a second look at all of it gave the same."""

    trial: Trial
    data: bytes = field(repr=False)
    stable: bool = True


@dataclass(frozen=True, slots=True)
class Doubt:
    """A coincidence that an explanation needs, and how much it counts against it."""

    words: str
    weight: int


#: A coincidence that happens (half of a chip is blank), and one that hardly does (content twice by accident).
_ODD, _UNLIKELY = 1, 2


@dataclass(frozen=True, slots=True)
class DeadLine:
    """An address line that changes nothing: both halves that it chooses between hold the same."""

    bit: int
    pin: int


@dataclass(frozen=True, slots=True)
class Explanation:
    """How a pinout goes with all that was read.

    `contradiction` says in words what speaks against it, empty for nothing. `doubts` are coincidences that it
    would need. `content` is what a chip of this pinout would hold, None while parts of it were not seen.
    """

    part: Part
    contradiction: str
    doubts: tuple[Doubt, ...]
    dead_lines: tuple[DeadLine, ...]
    content: bytes | None = field(repr=False)

    @property
    def holds(self) -> bool:
        """Whether nothing speaks against it."""
        return not self.contradiction


def explain(part: Part, observations: Sequence[Observation]) -> Explanation:
    """Return how a part's pins go with what was read. Some 0.1 s for each million words."""
    import numpy as np

    known = np.full(part.words, -1, dtype=np.int32)
    views = [(seen, _view(part, seen.trial)) for seen in _own_first(part, observations)]
    clear = [(seen, view) for seen, view in views if view is not None]
    steady = all(seen.stable for seen, _ in clear)
    doubts: list[Doubt] = []
    for seen, view in clear:
        against, doubt = _compare(known, view, _words(seen), part, seen.trial, steady)
        if against:
            return Explanation(part, against, (), (), None)
        doubts += [Doubt(doubt, _UNLIKELY)] if doubt else []
    if not (known >= 0).all():
        share = float(np.count_nonzero(known >= 0)) / part.words
        doubts.append(Doubt(f"only {share:.0%} of it could be read", _ODD if share else _UNLIKELY))
        return Explanation(part, "", tuple(doubts), (), None)
    content = known.astype("<u2" if part.word_bytes == 2 else "u1").tobytes()
    dead = _dead_lines(part, known)
    doubts += [Doubt(f"A{line.bit} (pin {line.pin}) would change nothing", _UNLIKELY) for line in dead]
    doubts += [Doubt(words, _ODD) for words in _blank_sides(part, known)]
    return Explanation(part, "", tuple(doubts), dead, content)


def uniform(observations: Iterable[Observation]) -> bool:
    """Tell whether every byte of every read is the same: such a chip says nothing about its pins."""
    values = {value for seen in observations for value in set(seen.data)}
    return len(values) <= 1


def _own_first(part: Part, observations: Sequence[Observation]) -> list[Observation]:
    """Put the reads that show most of the part first, so that the others are compared with known words."""
    own = [seen for seen in observations if any(member.pins == part.pins for member in seen.trial.members)]
    return own + [seen for seen in observations if seen not in own]


def _words(seen: Observation) -> "NDArray[np.int32]":
    import numpy as np

    return np.frombuffer(seen.data, dtype="<u2" if seen.trial.part.word_bytes == 2 else "u1").astype(np.int32)


# What a read would have reached


@dataclass(frozen=True, slots=True)
class _View:
    """For each word of a trial: which row of the part it reached, and in which state of its control pins."""

    rows: "NDArray[np.uint32]"
    selected: "NDArray[np.bool_]"
    #: The outputs were off for certain.
    off: "NDArray[np.bool_]"
    #: All is as for a read, but for a VPP pin that is not at VCC: most parts do not care.
    soft: "NDArray[np.bool_]"
    #: A program or write enable, or a reset, is not as for a read: it shows its content or nothing.
    either: "NDArray[np.bool_]"


def _view(part: Part, trial: Trial) -> _View | None:
    """Return what reads by `trial` did to a chip of this part; None where that cannot be said."""
    import numpy as np

    supplied = (part.vcc_pins, part.ground_pins) == (trial.part.vcc_pins, trial.part.ground_pins)
    if not supplied or part.data_pins != trial.part.data_pins:
        return None
    addresses = np.arange(trial.part.words, dtype=np.uint32)
    rows = np.zeros(len(addresses), dtype=np.uint32)
    for bit, pin in enumerate(part.address_pins):
        level = _level(trial.drives[pin], addresses)
        if level is None:
            return None
        rows |= level.astype(np.uint32) << np.uint32(bit)
    if part.words & part.words - 1:
        rows %= np.uint32(part.words)
    gates = np.ones(len(addresses), dtype=np.bool_)
    quiet, vpp = gates.copy(), gates.copy()
    wanted = part.levels(Mode.READ)
    for pin in part.control_pins:
        if pin in part.address_pins or wanted[pin] not in (Level.LOW, Level.HIGH, Level.VCC):
            continue
        level = _level(trial.drives[pin], addresses)
        if level is None:
            return None
        met = level == (wanted[pin] is not Level.LOW)
        if is_gate(part.signal_of(pin)):
            gates &= met
        elif wanted[pin] is Level.VCC:
            vpp &= met
        elif "/BYTE" in jobs_of(part.signal_of(pin)) and not met.all():
            return None
        else:
            quiet &= met
    return _View(rows, gates & quiet & vpp, ~gates & quiet, gates & quiet & ~vpp, gates & ~quiet)


def _level(drive: Drive, addresses: "NDArray[np.uint32]") -> "NDArray[np.bool_] | None":
    import numpy as np

    if drive.feed is Feed.OPEN:
        return None
    if drive.feed is Feed.ADDRESS:
        line: NDArray[np.bool_] = (addresses >> np.uint32(drive.bit) & np.uint32(1)).astype(np.bool_)
        return line
    return np.full(len(addresses), bool(drive.constant))


def _compare(
    known: "NDArray[np.int32]",
    view: _View,
    words: "NDArray[np.int32]",
    part: Part,
    trial: Trial,
    steady: bool,
) -> tuple[str, str]:
    """Compare a read with what is known of the part's content, and learn from it.

    Returns what speaks against the part, and what it would take for granted.
    """
    import numpy as np

    blank = part.blank_byte * 0x0101 & (1 << part.width_bits) - 1
    how = f"read as {a_name(trial.name)}"
    off = words[view.off]
    if len(off) and len(np.unique(off)) > _UNDRIVEN_VALUES:
        return f"{how}, it answers where {a_name(_name(part))} would be switched off", ""
    doubt = ""
    for places in (view.selected, view.soft, view.either):
        here, rows = words[places], view.rows[places]
        if places is not view.selected and len(here) and len(np.unique(here)) == 1:
            # Nothing comes out. That is no content, and only odd where the sheet promises some.
            if places is view.soft and bool((known[rows] != here).any()):
                doubt = f"nothing comes out while its VPP pin is low, {how}"
        elif against := _differences(known, rows, here, blank, steady):
            return f"{how}, {against} what {a_name(_name(part))} would show", ""
    return "", doubt


def _differences(
    known: "NDArray[np.int32]",
    rows: "NDArray[np.uint32]",
    words: "NDArray[np.int32]",
    blank: int,
    steady: bool,
) -> str:
    """Return in words how far `words` are from what the rows hold, empty where they agree; learn new ones.

    A row may be reached several times by one read; then all its words must be the same.
    """
    import numpy as np

    if not len(words):
        return ""
    fresh = known[rows] < 0
    known[rows[fresh]] = words[fresh]
    wrong = known[rows] != words
    count = int(np.count_nonzero(wrong))
    telling = int(np.count_nonzero((known[rows] != blank) | (words != blank)))
    if not count or (not steady and count <= _NOISE_SHARE * telling):
        return ""
    first = int(np.flatnonzero(wrong)[0])
    return f"{count:,} words (the first {words[first]:02X}, not {known[rows[first]]:02X}) are not"


def _name(part: Part) -> str:
    return part.aliases[0] if part.aliases else part.name


def _blank_sides(part: Part, known: "NDArray[np.int32]") -> Iterator[str]:
    """Name the address lines that choose between nothing and all the content."""
    blank = part.blank_byte * 0x0101 & (1 << part.width_bits) - 1
    used = known != blank
    if part.words & part.words - 1 or not used.any():
        return
    for bit, pin in enumerate(part.address_pins):
        halves = used.reshape(-1, 2, 1 << bit)
        for level, name in ((0, "low"), (1, "high")):
            if not halves[:, level].any():
                yield f"it would be blank wherever A{bit} (pin {pin}) is {name}"


def _dead_lines(part: Part, known: "NDArray[np.int32]") -> tuple[DeadLine, ...]:
    import numpy as np

    if part.words & part.words - 1 or (known == known[0]).all():
        return ()
    found = []
    for bit, pin in enumerate(part.address_pins):
        pairs = known.reshape(-1, 2, 1 << bit)
        if np.array_equal(pairs[:, 0], pairs[:, 1]):
            found.append(DeadLine(bit, pin))
    return tuple(found)
