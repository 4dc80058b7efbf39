"""It verifies, but the board is dead: what to look at, in which order, and what a programmer cannot see.

Every point is drawn from the part's own values with their sources, and from what the user knows of the board.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from pydantic import BaseModel, ConfigDict, Field

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Level, Mode, Unused
from protocol.identity import Identity

_NEEDED = {
    Level.LOW: "ground, or the board's select signal, low while it reads",
    Level.HIGH: "high while it reads",
    Level.VCC: "VCC",
    Level.VPP: "VPP",
}
_IDLE = {
    Unused.ANY: "open, tied, or a signal: it is not connected inside",
    Unused.LEVEL: "tied, or a signal, but not left open",
    Unused.TIED: "tied to VCC or ground",
    Unused.OPEN: "left open",
}


class BoardNeeds(BaseModel):
    """What is known of a board that does not start."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    access_ns: float | None = Field(
        None, gt=0, le=100_000, allow_inf_nan=False,
        description="How long the board waits for the chip's data, ns; left out: not known.",
    )  # fmt: skip
    grade_ns: float | None = Field(
        None, gt=0, le=100_000, allow_inf_nan=False,
        description="The chip's access time by its marking, ns: -15 and -150 both mean 150.",
    )  # fmt: skip
    vcc_v: float | None = Field(
        None, gt=0, le=10, allow_inf_nan=False, description="VCC measured at the chip on the board, volts."
    )


class Look(StrEnum):
    """What a point comes to so far."""

    WELL = "well"
    WRONG = "wrong"
    TO_DO = "to-do"
    LIMIT = "limit"


@dataclass(frozen=True, slots=True)
class Point:
    """One thing to look at. `source` says where its figures are from, "" for common practice, no source."""

    code: str
    title: str
    verdict: Look
    words: str
    source: str = ""


def walk(part: Part, needs: BoardNeeds, identity: Identity | None = None) -> tuple[Point, ...]:
    """Return the points in the order in which they are looked at: the commonest and cheapest first."""
    return tuple(
        point
        for points in (
            _position(part), _supply(part, needs), _speed(part, needs), _control_pins(part),
            _write_enable(part), _lines(part), _test_contents(part), _limits(part, needs, identity),
        )
        for point in points
    )  # fmt: skip


def _position(part: Part) -> Iterator[Point]:
    words = "Is it in the right position, the right way round, every pin in its contact, and are even and odd"
    words += " (or low and high) chips not exchanged? Exchange two chips of a pair once, with the power off."
    yield Point("position", "Position", Look.TO_DO, words)


def _supply(part: Part, needs: BoardNeeds) -> Iterator[Point]:
    supplies = part.supplies
    low = supplies.vcc_read_v - supplies.vcc_read_tolerance_v
    high = supplies.vcc_read_v + supplies.vcc_read_tolerance_v
    band = f"{part.name} reads at {low:.2f} to {high:.2f} V"
    source = part.source_of("supplies.vcc_read_tolerance_v")
    if needs.vcc_v is None:
        top, ground = (", ".join(map(str, pins)) for pins in (part.vcc_pins, part.ground_pins))
        where = f"pin {top} against pin {ground}"
        yield Point("supply", "Supply", Look.TO_DO, f"{band}: measure at the chip, {where}.", source)
        return
    verdict = Look.WELL if part.reads_at(needs.vcc_v) else Look.WRONG
    yield Point("supply", "Supply", verdict, f"{band}; measured {needs.vcc_v:.2f} V.", source)
    checked = ", ".join(f"{volts:.2f}" for volts in supplies.supply_checks_v)
    if verdict is Look.WELL:
        words = f"Verify it at {needs.vcc_v:.2f} V (--supply): a weak chip can be right at {checked} V only."
        yield Point("supply-check", "Content at this supply", Look.TO_DO, words)


def _speed(part: Part, needs: BoardNeeds) -> Iterator[Point]:
    grades = ", ".join(f"{grade:g}" for grade in sorted(part.access_ns))
    source = part.source_of("access_ns")
    if needs.access_ns is None:
        words = (
            f"Grades sold are {grades} ns. The board's need is its read cycle less what its select logic"
            " takes: see its circuit, or compare with the grade of the chip that worked."
        )
        yield Point("access-time", "Access time", Look.TO_DO, words, source)
        return
    fast = ", ".join(f"{grade:g}" for grade in part.grades_within(needs.access_ns)) or "none"
    need = f"The board waits {needs.access_ns:g} ns"
    if needs.grade_ns is None:
        words = f"{need}: of {grades} ns, {fast} will do. Read the grade off the chip."
        yield Point("access-time", "Access time", Look.TO_DO, words, source)
        return
    verdict = Look.WELL if needs.grade_ns <= needs.access_ns else Look.WRONG
    words = f"{need}, the chip may take {needs.grade_ns:g} ns. Of {grades} ns, {fast} will do."
    yield Point("access-time", "Access time", verdict, words, source)


def _control_pins(part: Part) -> Iterator[Point]:
    levels = part.levels(Mode.READ)
    lines = {*part.address_pins, *part.data_pins, *part.ground_pins, *part.vcc_pins}
    told = []
    for pin in range(1, len(part.pins) + 1):
        if pin in lines or pin in part.pin_numbers("/WE"):
            continue
        idle = part.unused(pin)
        need = _IDLE[idle] if idle is not None else _NEEDED.get(levels[pin])
        if need:
            told.append(f"pin {pin} ({part.signal_of(pin)}): {need}")
    if told:
        words = f"On the board these must have, while it reads: {'; '.join(told)}."
        yield Point("control-pins", "Select and unused pins", Look.TO_DO, words, part.source_of("modes.read"))


def _write_enable(part: Part) -> Iterator[Point]:
    for pin in part.pin_numbers("/WE"):
        words = (
            f"Pin {pin} (/WE) must be high for good: in a position made for a part that is only read, an"
            " address line or nothing at all may be there, and then the chip loses bytes, or reads nothing."
            " If it verified well and does not after a stay in the board, that is it."
        )
        yield Point("write-enable", "Write enable", Look.TO_DO, words, part.source_of("modes.read"))


def _lines(part: Part) -> Iterator[Point]:
    words = (
        "Boards may cross address or data lines, invert some, or use one half of a chip: verify says that the"
        " chip holds the file, not that the board reads it in that order. Compare with a chip that worked"
        " (romwright read, then romwright content), or give the board a recipe."
    )
    yield Point("line-order", "Order of the lines", Look.TO_DO, words)


def _test_contents(part: Part) -> Iterator[Point]:
    words = (
        "Contents that show what the board reads: every word its own address (pattern address) finds dead,"
        " crossed and shorted address lines; checkerboard and walking ones find data lines; all of it the"
        " processor's no-operation lets its address lines count, each at half the rate of the one below,"
        " which any meter shows. One half of them at a time finds a bank or an even/odd mistake."
    )
    yield Point("test-contents", "Contents to try", Look.TO_DO, words)


def _limits(part: Part, needs: BoardNeeds, identity: Identity | None) -> Iterator[Point]:
    general = (
        "A programmer reads slowly, at steady supplies, at room temperature and with nothing else on its"
        " lines: it cannot see a chip that is slow, one that fails when warm, noise on the board's supply, or"
        " a neighbour that drives the same lines."
    )
    if identity is None:
        yield Point("limits", "What a programmer cannot see", Look.LIMIT, general)
        return
    timing = identity.timing
    per_word, strobe = timing.read_ns_per_word, timing.strobe_ns
    words = f"This one takes a word in about {per_word:,} ns, in steps of {strobe:,} ns: "
    if needs.access_ns is not None and strobe > needs.access_ns / 4:
        words += f"too coarse to tell whether a chip answers within {needs.access_ns:g} ns. "
    else:
        words += "every speed grade passes, so a pass says nothing of access time. "
    yield Point(
        "limits",
        "What this programmer cannot see",
        Look.LIMIT,
        words + general,
        "the programmer's own figures",
    )
