"""What the packaged parts are called, without reading them whole: finding one must not cost reading all."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from daemon.catalogue.problems import read_text

# Part files of ours keep these three on lines of their own before the first table; a test holds them to it.
_TEXT = re.compile(r'^(name|maker) = "([^"\\]*)"$', re.MULTILINE)
_ALIASES = re.compile(r"^aliases = \[(.*)\]$", re.MULTILINE)
_QUOTED = re.compile(r'"([^"\\]*)"')


@dataclass(frozen=True, slots=True)
class Names:
    """What one part answers to."""

    part_id: str
    exact: tuple[str, ...]
    """Names that no other part may have: the id, and maker with name."""
    shared: tuple[str, ...]
    """Names that several parts may have: the maker's name of it and the family's."""

    @classmethod
    def of(cls, part_id: str, maker: str, name: str, aliases: Iterable[str]) -> "Names":
        """Return the names of a part."""
        return cls(part_id, (part_id, f"{maker} {name}"), (name, *aliases))


def names_in_file(path: Path) -> Names:
    """Return the names in a packaged part file; raises FileError when it cannot be read."""
    head = read_text(path).partition("\n[")[0]
    found: Mapping[str, str] = dict(_TEXT.findall(head))
    aliases = _ALIASES.search(head)
    return Names.of(
        path.stem,
        found.get("maker", ""),
        found.get("name", ""),
        _QUOTED.findall(aliases[1]) if aliases else (),
    )


def fold(text: str) -> str:
    """Reduce a name to what people agree on: letters and digits, one case."""
    return "".join(character for character in text.casefold() if character.isalnum())
