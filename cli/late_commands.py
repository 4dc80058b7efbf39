"""The commands by subject, each subject imported when one of its commands is wanted.

Building all of them takes longer than most commands take, and the daemon's start waits for it too.
"""

from collections.abc import Iterator, Mapping
from importlib import import_module
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup
from typer.main import get_group

Command = TyperCommand | TyperGroup

#: Module of `cli.commands` -> the names it registers, in the order of the help.
SUBJECTS: dict[str, tuple[str, ...]] = {
    "chip": (
        *("program", "write", "verify", "blank-check", "read"),
        *("identify", "pin-check", "erase", "examine"),
    ),
    "diagnose": ("diagnose", "rescue-read"),
    "jobs": ("jobs", "job", "watch", "cancel", "continue", "answer"),
    "bench": ("programmers", "parts", "part"),
    "stand_ins": ("adapters", "stand-ins"),
    "images": ("image",),
    "contents": ("content",),
    "boards": ("board",),
    "batches": ("batch",),
    "labels": ("label",),
    "records": ("records", "backup", "restore"),
    "check_files": ("check-files",),
    "erase_time": ("erase-time",),
    "lamps": ("lamp",),
    "lots": ("lot",),
    "exposures": ("erase-check", "exposure"),
    "looking_after": ("serve", "stop", "access", "doctor", "config"),
    "practice": ("simulate", "demo"),
    "conformance": ("conformance",),
    "levels": ("levels",),
}


def load(subject: str) -> dict[str, Command]:
    """Import a subject and return its commands by name."""
    app = typer.Typer(rich_markup_mode=None)
    import_module(f"cli.commands.{subject}").register(app)
    return dict(get_group(app).commands)  # type: ignore[arg-type]  # typer makes no other kind


class LateCommands(Mapping[str, Command]):
    """Commands by name: those of `SUBJECTS`, made when they are looked at, and then those given."""

    def __init__(self, given: dict[str, Command]) -> None:
        self._made = given
        self._late = {name: subject for subject, names in SUBJECTS.items() for name in names}
        self._names = [*self._late, *given]

    def __getitem__(self, name: str) -> Command:
        if name not in self._made and name in self._late:
            self._made.update(load(self._late[name]))
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)


class LateGroup(TyperGroup):
    """The group of all commands."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self.commands = LateCommands(dict(self.commands))  # type: ignore[assignment,arg-type]
