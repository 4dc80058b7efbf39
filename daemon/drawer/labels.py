"""A chip against its label: remarked, or of less than the size that its label or its own name says."""

from collections.abc import Iterable
from dataclasses import dataclass

from daemon.catalogue.model import Part
from daemon.drawer.examination import Examination, parts_of
from daemon.drawer.sight import fits_marking
from daemon.drawer.trials import a_name, family_names

_LISTED = 4
_KIB = 1024


@dataclass(frozen=True, slots=True)
class Label:
    """What the label is worth. `half_size`: it, or the chip's own name, promises more than is there."""

    remarked: bool = False
    half_size: bool = False
    sentences: tuple[str, ...] = ()


def label_of(exam: Examination) -> Label:
    """Compare what was found with the marking and with the chip's own name."""
    size, marking = exam.true_size_bytes, exam.sight.marking
    if exam.answered is not None:
        return _named(exam.answered.parts, size, marking)
    if not marking or exam.over_current or not exam.observations:
        return Label()
    marked = [each.part for each in exam.live if each.marked]
    if not marked:
        return _not_among(exam, marking)
    least = min(part.size_bytes for part in marked)
    if exam.best is None or size is None or least <= size:
        return Label()
    smaller = a_name(family_names(parts_of([exam.best]))[0])
    words = (
        f'"{marking}" would hold {amount(least)}, and only {amount(size)} are there: {smaller} under another'
        " label, a die of which half is dead, or the same content stored twice."
    )
    return Label(True, True, (words,))


def _named(named: tuple[Part, ...], size: int | None, marking: str | None) -> Label:
    remarked = bool(marking) and not any(fits_marking(part, marking) for part in named)
    half = bool(size and all(part.size_bytes > size for part in named))
    sentences = []
    if remarked:
        sentences.append(f'Remarked: "{marking}" stands on it, and it names itself {named[0].name}.')
    if half:
        sentences.append(
            f"{sentence(a_name(named[0].name))[:-1]} holds {amount(named[0].size_bytes)}, and only"
            f" {amount(size or 0)} are there: half of the die is dead, or the same content is stored twice."
        )
    return Label(remarked, half, tuple(sentences))


def _not_among(exam: Examination, marking: str) -> Label:
    gone = [each for each in exam.out if fits_marking(each.part, marking)]
    if not gone:
        words = f'No {exam.sight.package_pins}-pin part of the catalogue has "{marking}" in its name.'
        return Label(sentences=(words,))
    names = a_name(listed(family_names(each.part for each in gone)))
    words = f'Remarked, or the marking "{marking}" is misread: it is not {names}; {gone[0].reason}.'
    return Label(remarked=True, sentences=(words,))


# Words that all reports share


def amount(size_bytes: int) -> str:
    """Return a size in words: 32 KiB."""
    return f"{size_bytes // _KIB} KiB" if size_bytes % _KIB == 0 else f"{size_bytes:,} bytes"


def listed(names: Iterable[str]) -> str:
    """Return names as a list of choices, a few of them."""
    found = list(dict.fromkeys(names))
    if len(found) > _LISTED:
        return f"{', '.join(found[:_LISTED])} or others"
    return " or ".join(filter(None, (", ".join(found[:-1]), *found[-1:])))


def sentence(words: str) -> str:
    """Return words as a sentence."""
    return words[:1].upper() + words[1:] + "."
