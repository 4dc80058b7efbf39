"""Parts of a few dozen words, made from parts of the catalogue: what matters of them but their size.

Each keeps pins, supplies, loop and commands of its model. Address pins beyond the few that are left lead
nowhere, and commands go to addresses that are left. Without an A9 there is no signature by ID voltage.
"""

import atexit
import re
import shutil
import tempfile
from collections.abc import Mapping
from functools import cache
from pathlib import Path

import daemon.catalogue.loader as packaged
from daemon.catalogue.loader import Catalogue, packaged_pinouts

#: Tiny part -> its model and how many words are left of it.
MODELS: Mapping[str, tuple[str, int]] = {
    # Clears bits, verifies each pulse; no overprogram pulse.
    "tiny-each": ("st-m27c256b", 64),
    # An overprogram pulse of three times what the word took; verified at two supplies.
    "tiny-over": ("st-m27c64a", 64),
    # One unverified pulse for each word, then verify and pulse.
    "tiny-passes": ("ti-tms27c256", 128),
    # Sixteen bits wide.
    "tiny-wide": ("st-m27c1024", 64),
    # One pulse of 50 ms, the longest there is.
    "tiny-single": ("intel-2716", 64),
    # Bytes are replaced.
    "tiny-bytes": ("atmel-at28c64", 64),
    # Pages are replaced.
    "tiny-pages": ("atmel-at28c256", 256),
    # Erased first, by command.
    "tiny-flash": ("sst-39sf010a", 256),
    # Erased first, by pulses of high voltage.
    "tiny-pulsed": ("sst-sst27sf256", 1024),
}

_HEAD = re.compile(r"\A((?:#.*\n)*)")


@cache
def tiny_catalogue() -> Catalogue:
    """Return the catalogue with the tiny parts in it."""
    folder = Path(tempfile.mkdtemp(prefix="tiny-parts-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    for part_id, (model, words) in MODELS.items():
        (folder / f"{part_id}.toml").write_text(_tiny(model, words), encoding="utf-8")
    return Catalogue(folder)


def _tiny(model: str, words: int) -> str:
    text = (Path(packaged.__file__).parent / "parts" / f"{model}.toml").read_text(encoding="utf-8")
    head = text.partition("\n[src]\n")[0]
    bits = (words - 1).bit_length()
    match = re.search(r'^pinout = "(.+)"$', head, re.M)
    assert match is not None, f"{model} has its own pins"
    pins = [_short(name, bits) for name in packaged_pinouts()[match[1]].pins]
    listed = ", ".join(f'"{name}"' for name in pins)
    head = head.replace(match[0], f"pins = [{listed}]")
    head = re.sub(r"^words = .*$", f"words = {words}", head, flags=re.M)
    head = re.sub(r"^aliases = .*$", "", head, flags=re.M)
    head = re.sub(r'^name = "(.*)"$', r'name = "tiny \1"', head, flags=re.M)
    head = re.sub(r"^\[also_in\]\n(.+\n)*", "", head, flags=re.M)
    head = re.sub(r"^\[unused_pins\]\n(.+\n)*", "", head, flags=re.M)
    if bits < 10 and 'method = "id-voltage"' in head:
        head = re.sub(r"^signature = .*\n", "", head, flags=re.M)
        head = re.sub(r"^\[signature\]\n(.+\n)*", '[signature]\nmethod = "none"\n', head, flags=re.M)
    head = re.sub(r"0x5555\b", "0x55", re.sub(r"0x2AAA\b", "0x2A", head))
    head = re.sub(r"^size_bytes = 4096$", "size_bytes = 64", head, flags=re.M)
    return f'{head}\n\n[src]\ndefault = "memory"\n'


def _short(name: str, bits: int) -> str:
    """Return a pin's name on a part of `bits` address lines."""
    kept = []
    for job in name.split("|"):
        number = re.fullmatch(r"A(\d+)", job)
        kept.append(job if number is None or int(number[1]) < bits else "NC")
    return "|".join(kept)
