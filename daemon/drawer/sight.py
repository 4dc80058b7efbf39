"""What a person sees of a chip, and which parts of the catalogue it leaves possible.

A marking is believed least of all: chips are remarked. It says which candidates to mention first, and what
has to be explained when the chip disagrees with it; it never takes a candidate away.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass

from daemon.catalogue.index import fold
from daemon.catalogue.model import Part
from daemon.catalogue.terms import Kind

#: A shorter scrap of a marking fits too much to mean anything.
_SCRAP_MIN = 3
_NO_FIT, _SCRAP, _WHOLE_NAME = range(3)


@dataclass(frozen=True, slots=True)
class Sight:
    """What can be seen: how many pins the package has, whether it has a window, what can be read on it.

    `window` None: it cannot be told (a label, paint). `marking` may be any part of what is printed.
    """

    package_pins: int
    window: bool | None = None
    marking: str | None = None

    @property
    def words(self) -> str:
        """The same in words."""
        window = {True: ", with a window", False: ", without a window", None: ""}[self.window]
        marking = f', marked "{self.marking}"' if self.marking else ""
        return f"{self.package_pins} pins{window}{marking}"


@dataclass(frozen=True, slots=True)
class Candidate:
    """A part that the chip can be.

    `one_time`: a part with a window in the catalogue whose die would sit here in a package without one, so
    that no light reaches it. `marked`: what can be read of the marking fits its name.
    """

    part: Part
    one_time: bool
    marked: bool

    @property
    def name(self) -> str:
        """Maker and name."""
        return f"{self.part.maker} {self.part.name}"


def narrow(parts: Iterable[Part], sight: Sight) -> tuple[Candidate, ...]:
    """Return the parts that the package leaves possible; those that fit the marking first.

    With a window only UV EPROMs are left. Without one a UV EPROM is still possible: the same dies are sold in
    plastic and can then be programmed once (common practice, no source).
    """
    package = f"DIP{sight.package_pins}"
    here = [part.in_package(package) for part in parts if package in (part.package, *part.also_in)]
    here = [part for part in here if not sight.window or part.kind is Kind.UV_EPROM]
    best = max((_fit_of_marking(part, sight.marking) for part in here), default=_NO_FIT)
    found = []
    for part in here:
        marked = best > _NO_FIT and _fit_of_marking(part, sight.marking) == best
        found.append(Candidate(part, part.kind is Kind.UV_EPROM and sight.window is False, marked))
    return tuple(sorted(found, key=lambda each: (not each.marked, each.part.id)))


def fits_marking(part: Part, marking: str | None) -> bool:
    """Tell whether a marking, or the scrap of one, may stand on this part."""
    return _fit_of_marking(part, marking) > _NO_FIT


def _fit_of_marking(part: Part, marking: str | None) -> int:
    """Return how well a marking fits a part's names.

    A whole name in it is better than a scrap of one: 27C400 is no scrap of 27C4002 as long as there is a part
    of just that name.
    """
    seen = fold(marking or "")
    if len(seen) < _SCRAP_MIN:
        return _NO_FIT
    names = [fold(name) for name in (part.name, *part.aliases)]
    if any(re.search(rf"{re.escape(name)}(?!\d)", seen) for name in names):
        return _WHOLE_NAME
    return _SCRAP if any(seen in name or name in seen for name in names) else _NO_FIT
