"""How chips on hand, files and reads are told on the command line."""

import re
from pathlib import Path
from typing import Any

from cli.client import BenchClient
from cli.exit_codes import Exit
from cli.failure import Failure
from cli.out import Out

_COUNT = re.compile(r"(\d{1,5})x?|x(\d{1,5})")
_SPEED = re.compile(r"(\d{1,5})\s*ns")
_STATES = ("blank", "used", "unknown")


def on_hand(text: str) -> dict[str, Any]:
    """Read `2 M27C512 blank 100ns`: count, part, state and speed grade; all but the part may be left out."""
    told: dict[str, Any] = {}
    words = []
    for position, word in enumerate(text.replace(",", " ").split()):
        count, speed = _COUNT.fullmatch(word), _SPEED.fullmatch(word)
        # A bare number in front is a count; "2716" by itself is a part.
        if count and (position == 0 or word.startswith("x")) and len(text.split()) > 1:
            told["count"] = int(count[1] or count[2])
        elif speed:
            told["access_ns"] = int(speed[1])
        elif word.lower() in _STATES:
            told["state"] = word.lower()
        else:
            words.append(word)
    if not words:
        raise Failure(
            Exit.USAGE,
            f'--have "{text}" names no part',
            'Write it like "2 M27C512 blank 100ns": count, part, blank or used, and the marked speed.',
        )
    return {"part": " ".join(words), "label": text, **told}


def named_files(values: list[str], names: list[str], option: str) -> dict[str, Path]:
    """Read `NAME=FILE`, or just `FILE` where there is one name only."""
    found: dict[str, Path] = {}
    for value in values:
        name, equals, path = value.partition("=")
        if not equals and len(names) == 1:
            name, path = names[0], value
        elif name not in names or not path:
            listed = ", ".join(names)
            raise Failure(
                Exit.USAGE,
                f'{option} "{value}" does not say which file it is',
                f"Write NAME=FILE; the names are {listed}.",
            )
        found[name] = Path(path).expanduser()
    return found


def uploaded(client: BenchClient, out: Out, files: dict[str, Path]) -> dict[str, str]:
    """Hand files to the daemon; return the digest of each."""
    from cli import image_files

    return {name: image_files.image_for(client, out, str(path), None) for name, path in files.items()}
