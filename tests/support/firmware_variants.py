"""Builds variants of the firmware's host build quickly: only the file that differs is compiled again."""

import subprocess
from collections.abc import Iterable
from pathlib import Path

from tests.support.firmware_build import FIRMWARE

_FLAGS = ("-std=c11", "-D_GNU_SOURCE", "-O0", "-w", "-Icore", "-Ihost", "-Imodel")

Change = tuple[str, str, str]
"""A file named from `firmware/`, a text that stands in it once, and what stands there instead."""


class Objects:
    """The host build as objects in `folder`. Raises RuntimeError with the words of the compiler."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        sources = [path for name in ("core", "host", "model") for path in (FIRMWARE / name).glob("*.c")]
        self._objects = {str(path.relative_to(FIRMWARE)): folder / f"{path.stem}.o" for path in sources}
        _cc("-c", *(str(path) for path in sources), cwd=folder)

    def program(self, name: str, changes: Iterable[Change] = ()) -> Path:
        """Link the program with the files changed. Raises ValueError for a text that is not there once."""
        own = self._folder / name
        own.mkdir()
        objects = dict(self._objects)
        texts: dict[str, str] = {}
        for file, old, new in changes:
            text = texts.get(file) or (FIRMWARE / file).read_text(encoding="utf-8")
            if text.count(old) != 1:
                raise ValueError(f"{file} has {old!r} {text.count(old)} times, not once")
            texts[file] = text.replace(old, new)
        for file, text in texts.items():
            source = own / Path(file).name
            source.write_text(text, encoding="utf-8")
            objects[file] = source.with_suffix(".o")
            _cc("-c", str(source), "-o", str(objects[file]), cwd=own)
        program = own / "device"
        _cc(*(str(each) for each in objects.values()), "-o", str(program), cwd=own)
        return program


def _cc(*arguments: str, cwd: Path) -> None:
    flags = [f"-I{FIRMWARE / flag[2:]}" if flag.startswith("-I") else flag for flag in _FLAGS]
    made = subprocess.run(["cc", *flags, *arguments], cwd=cwd, capture_output=True, text=True, check=False)
    if made.returncode != 0:
        raise RuntimeError(made.stderr[-4000:])
