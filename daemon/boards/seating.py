"""Which parts can stand in a position, and how content must lie in one so that the board finds it."""

import fnmatch
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from daemon.boards.model import Effort, Position
from daemon.catalogue.loader import Catalogue
from daemon.catalogue.model import Part
from daemon.catalogue.substitution.arrangement import Arrangement
from daemon.catalogue.substitution.judge import judge, stand_ins
from daemon.catalogue.substitution.nets import net
from daemon.catalogue.substitution.position import Position as Wired
from daemon.catalogue.substitution.position import position_for
from daemon.catalogue.substitution.verdict import StandIn, Verdict
from daemon.errors import BenchError, Code
from daemon.images.content import Bytes
from daemon.images.fixes import permute_bits
from daemon.images.transform import ContradictionError, Partial, Where

_ALLOWED = {effort: Verdict(effort.value).rank for effort in Effort}


@dataclass(frozen=True, slots=True)
class Seating:
    """A position with what the catalogue says of it.

    `original` is the part that it was made for, `wired` the position as the catalogue judges it, `candidates`
    the parts that may be considered, best first.
    """

    position: Position
    original: Part
    wired: Wired
    candidates: tuple[StandIn, ...]

    @property
    def suitable(self) -> tuple[StandIn, ...]:
        """The candidates that can go in with no more effort than the recipe allows, and be programmed."""
        return tuple(each for each in self.candidates if self.why_not(each) is None)

    def why_not(self, found: StandIn) -> str | None:
        """Say why a part cannot go in; None when it can."""
        if found.verdict is Verdict.CANNOT:
            return " ".join(found.reasons)
        if found.part.write is None:
            return f"A {found.part.kind} comes with its content and cannot be programmed."
        if found.verdict.rank > _ALLOWED[self.position.effort]:
            tasks = " ".join(task.text for task in found.tasks)
            return f"It would take more than the recipe allows (effort {found.verdict}): {tasks}"
        return None

    def judged(self, part: Part) -> StandIn:
        """Return how a part does here, candidate or not."""
        for each in self.candidates:
            if each.part.id == part.id:
                return each
        return judge(part, self.wired)


def seat(position: Position, catalogue: Catalogue, where: Where) -> Seating:
    """Look up the part that a position was made for, and the parts that can stand in it.

    Raises BenchError `board-parts`, `part-unknown` or `part-ambiguous`, naming the recipe's line.
    """
    original = _made_for(position, catalogue, where)
    byte_mode = position.width_bits == 8 and original.width_bits == 16
    unit = 1 if byte_mode else original.word_bytes
    if position.width_bits not in (None, 8 * unit):
        raise _misfit(
            where,
            "width_bits",
            f"{original.name} has {original.width_bits} data lines, not {position.width_bits}",
            f"width_bits = {original.width_bits} is accepted, or another made_for.",
        )
    try:
        wired = position_for(
            original,
            byte_mode=byte_mode,
            words=None if position.size_bytes is None else position.size_bytes // unit,
            access_ns=position.access_ns,
            vcc_v=position.vcc_v,
            nets={pin: net(word) for pin, word in position.pins.items()},
        )
    except ValueError as error:
        field = "pins" if "pins" in str(error) else "width_bits" if byte_mode else "size_bytes"
        most = f"At most {original.size_bytes:,} bytes and pins 1 to {len(original.pins)} are accepted."
        raise _misfit(where, field, str(error), most) from None
    if position.vcc_tolerance_v is not None:
        wired = replace(wired, vcc_tolerance_v=position.vcc_tolerance_v)
    if not position.parts:
        found = sorted(stand_ins(wired, catalogue), key=lambda each: not _alike(each.part, original))
        return Seating(position, original, wired, tuple(found))
    listed = {part.id: part for part in _listed(position, catalogue, where)}
    return Seating(position, original, wired, tuple(judge(part, wired) for part in listed.values()))


def _alike(part: Part, original: Part) -> bool:
    """Tell whether a part is of the family that the position was made for."""
    return part.id == original.id or bool(set(part.aliases) & set(original.aliases))


def _made_for(position: Position, catalogue: Catalogue, where: Where) -> Part:
    parts = _named(position.made_for, catalogue, where, ("made_for",))
    shapes = {(part.pins, part.words, part.width_bits) for part in parts}
    if len(shapes) > 1:
        raise _misfit(
            where,
            "made_for",
            f'"{position.made_for}" stands for parts with different pins: {", ".join(p.id for p in parts)}',
            "Name one of them.",
            Code.PART_AMBIGUOUS,
        )
    return parts[0]


def _listed(position: Position, catalogue: Catalogue, where: Where) -> Iterator[Part]:
    for index, entry in enumerate(position.parts):
        if "*" not in entry.part:
            yield from _named(entry.part, catalogue, where, ("parts", index))
            continue
        pattern = _folded(entry.part)
        found = [part for part in catalogue if _matches(part, pattern)]
        if not found:
            raise _misfit(
                where,
                f"parts.{index}",
                f'no part matches "{entry.part}"',
                "Search the catalogue for what there is; `*` stands for any letters and digits.",
                Code.PART_UNKNOWN,
            )
        yield from found


def _matches(part: Part, pattern: str) -> bool:
    return any(fnmatch.fnmatchcase(_folded(name), pattern) for name in (part.id, part.name, *part.aliases))


def _folded(name: str) -> str:
    return "".join(letter for letter in name.casefold() if letter.isalnum() or letter == "*")


def _named(text: str, catalogue: Catalogue, where: Where, path: tuple[str | int, ...]) -> list[Part]:
    """Return the parts that a name stands for; a family's generic name stands for all of its members."""
    try:
        return [catalogue.get(text)]
    except BenchError as error:
        if error.code is Code.PART_AMBIGUOUS:
            return [catalogue.get(choice) for choice in error.details["choices"]]
        raise where.located(path, error) from None


def _misfit(where: Where, field: str, message: str, hint: str, code: Code = Code.BOARD_PARTS) -> BenchError:
    path = tuple(int(key) if key.isdecimal() else key for key in field.split("."))
    return where.located(path, BenchError(code, message, hint=hint))


# Content in a part


def arranged(window: Bytes, arrangement: Arrangement, blank: int) -> Bytes:
    """Return the content of the whole chip: what the board reads, wherever the board's pins select it."""
    unit = arrangement.unit_bytes
    wanted = window if _straight(arrangement) else permute_bits(window, arrangement.data, unit)
    chip = np.full((arrangement.chip_units, unit), blank, dtype=np.uint8)
    places = _places(arrangement)
    for start in arrangement.starts():
        chip[start + places] = wanted.reshape(-1, unit)
    return chip.reshape(-1)


def window_of(chip: Partial, arrangement: Arrangement) -> Partial:
    """Return what the board reads of a chip. Raises ContradictionError where its copies differ."""
    unit = arrangement.unit_bytes
    places = _places(arrangement)
    data, known = chip.data.reshape(-1, unit), chip.known.reshape(-1, unit)
    found = Partial.nothing(len(places) * unit)
    for start in arrangement.starts():
        copy = Partial(data[start + places].reshape(-1), known[start + places].reshape(-1))
        found = found.merged(copy)
    if _straight(arrangement):
        return found
    back = tuple(arrangement.data.index(bit) for bit in range(len(arrangement.data)))
    whole = found.known.reshape(-1, unit).all(axis=1).repeat(unit)
    return Partial(permute_bits(found.data, back, unit), whole)


def _straight(arrangement: Arrangement) -> bool:
    return arrangement.data == tuple(range(len(arrangement.data)))


def _places(arrangement: Arrangement) -> NDArray[np.intp]:
    """Return, for each address of the board in order, the unit of the chip that it selects."""
    bit_of = {own: bit for bit, own in enumerate(arrangement.sources) if isinstance(own, int)}
    places = np.zeros(1, dtype=np.intp)
    for line in range((arrangement.board_units - 1).bit_length()):
        places = np.concatenate([places, places + (1 << bit_of[line])])
    return places


__all__ = ["ContradictionError", "Seating", "arranged", "seat", "window_of"]
