"""On which line of a TOML text each key and each entry of a list stands.

The parser of the standard library tells values but no places, and a message about a recipe is of little use
without its line. This walks a text that the parser has taken already: it need not judge, only find its way.
"""

import re
from collections.abc import Callable

Path = tuple[str | int, ...]

_SPACE = re.compile(r"[ \t]*")
_BETWEEN = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}#\r\n]+")
_STRINGS = tuple(
    re.compile(pattern, re.DOTALL)
    for pattern in (
        r'"""(?:\\.|[^\\])*?"""(?:"(?!""))*',
        r"'''.*?'''(?:'(?!''))*",
        r'"(?:\\.|[^"\\])*"',
        r"'[^']*'",
    )
)
_ESCAPED = re.compile(r"\\(u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8}|.)", re.DOTALL)
_ESCAPES = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r"}


def toml_lines(text: str) -> Callable[[Path], int | None]:
    """Return what tells the line (from 1) of a path, or of the longest part of it that the text has.

    `text` is valid TOML. The path of nothing at all is None.
    """
    places = _Walk(text).places

    def line_of(path: Path) -> int | None:
        for length in range(len(path), 0, -1):
            if (line := places.get(path[:length])) is not None:
                return line
        return None

    return line_of


class _Walk:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line, self._counted = 1, 0
        self._lists: dict[Path, int] = {}
        self.places: dict[Path, int] = {}
        self._document()

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._at)
        if match is None:
            return ""
        self._at = match.end()
        return match[0]

    def _is(self, mark: str) -> bool:
        if self._text.startswith(mark, self._at):
            self._at += len(mark)
            return True
        return False

    def _note(self, path: Path) -> None:
        self._line += self._text.count("\n", self._counted, self._at)
        self._counted = self._at
        self.places.setdefault(path, self._line)

    def _document(self) -> None:
        table: Path = ()
        while self._skip(_BETWEEN) is not None and self._at < len(self._text):
            before = self._at
            if self._is("[["):
                table = self._table_path(is_list=True)
            elif self._is("["):
                table = self._table_path(is_list=False)
            else:
                self._pair(table)
            if self._at == before:
                return  # not TOML after all: what was found so far is still of use

    def _table_path(self, *, is_list: bool) -> Path:
        keys = self._keys()
        path: Path = ()
        for index, key in enumerate(keys):
            path = (*path, key)
            if is_list and index == len(keys) - 1:
                self._note(path)
                self._lists[path] = self._lists.get(path, -1) + 1
            if path in self._lists:
                path = (*path, self._lists[path])
        self._note(path)
        self._is("]]" if is_list else "]")
        return path

    def _keys(self) -> list[str]:
        """Read a key: names and quoted names with dots between."""
        keys = []
        while True:
            self._skip(_SPACE)
            quoted = self._string()
            keys.append(self._skip(_BARE_KEY) if quoted is None else quoted)
            self._skip(_SPACE)
            if not self._is("."):
                return keys

    def _pair(self, table: Path) -> None:
        path = table
        for key in self._keys():
            path = (*path, key)
            self._note(path)
        if self._is("="):
            self._skip(_SPACE)
            self._value(path)

    def _value(self, path: Path) -> None:
        if self._is("["):
            self._entries(path)
        elif self._is("{"):
            while self._skip(_BETWEEN) is not None and not self._is("}") and self._at < len(self._text):
                self._pair(path)
                self._skip(_BETWEEN)
                if not self._is(",") and not self._text.startswith("}", self._at):
                    return
        elif self._string() is None:
            self._skip(_SCALAR)

    def _entries(self, path: Path) -> None:
        index = 0
        while self._skip(_BETWEEN) is not None and not self._is("]") and self._at < len(self._text):
            before = self._at
            self._note((*path, index))
            self._value((*path, index))
            self._skip(_BETWEEN)
            self._is(",")
            index += 1
            if self._at == before:
                return

    def _string(self) -> str | None:
        for pattern in _STRINGS:
            match = pattern.match(self._text, self._at)
            if match:
                self._at = match.end()
                inner = match[0][1:-1]
                return inner if match[0][0] == "'" else _ESCAPED.sub(_unescaped, inner)
        return None


def _unescaped(match: re.Match[str]) -> str:
    code = match[1]
    if code[0] in "uU":
        return chr(int(code[1:], 16))
    return _ESCAPES.get(code, code)
