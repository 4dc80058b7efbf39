"""Files for the demo boards, made here: content of our own that looks like what such boards hold.

The same call always makes the same bytes.
"""

import hashlib
import math
import zlib
from collections.abc import Callable, Mapping

_FIRMWARE_BYTES = 0x8000
_SHAPES = 256
_HEADER_BYTES = 128
_WIDE_BYTES = 0x20000

_MESSAGES = (
    "Skerry Computer Club",
    "Tern-8 monitor, revision 3",
    "Ready.",
    "Memory test",
    "bytes free",
    "Insert a cassette and press Return",
    "Not understood",
    "Checksum",
    "Goodbye.",
)

_GLYPHS = {
    "A": "0E 11 11 1F 11 11 11",
    "B": "1E 11 11 1E 11 11 1E",
    "C": "0E 11 10 10 10 11 0E",
    "D": "1E 11 11 11 11 11 1E",
    "E": "1F 10 10 1E 10 10 1F",
    "F": "1F 10 10 1E 10 10 10",
    "G": "0E 11 10 17 11 11 0F",
    "H": "11 11 11 1F 11 11 11",
    "I": "0E 04 04 04 04 04 0E",
    "J": "01 01 01 01 11 11 0E",
    "K": "11 12 14 18 14 12 11",
    "L": "10 10 10 10 10 10 1F",
    "M": "11 1B 15 15 11 11 11",
    "N": "11 19 15 13 11 11 11",
    "O": "0E 11 11 11 11 11 0E",
    "P": "1E 11 11 1E 10 10 10",
    "Q": "0E 11 11 11 15 12 0D",
    "R": "1E 11 11 1E 14 12 11",
    "S": "0F 10 10 0E 01 01 1E",
    "T": "1F 04 04 04 04 04 04",
    "U": "11 11 11 11 11 11 0E",
    "V": "11 11 11 11 11 0A 04",
    "W": "11 11 11 15 15 1B 11",
    "X": "11 0A 04 04 04 0A 11",
    "Y": "11 11 0A 04 04 04 04",
    "Z": "1F 01 02 04 08 10 1F",
    "0": "0E 13 15 15 15 19 0E",
    "1": "04 0C 04 04 04 04 0E",
    "2": "0E 11 01 06 08 10 1F",
    "3": "1E 01 01 0E 01 01 1E",
    "4": "02 06 0A 12 1F 02 02",
    "5": "1F 10 1E 01 01 11 0E",
    "6": "06 08 10 1E 11 11 0E",
    "7": "1F 01 02 04 08 08 08",
    "8": "0E 11 11 0E 11 11 0E",
    "9": "0E 11 11 0F 01 02 0C",
    ".": "00 00 00 00 00 0C 0C",
    ",": "00 00 00 00 0C 04 08",
    "-": "00 00 00 1F 00 00 00",
    "?": "0E 11 01 06 04 00 04",
    "!": "04 04 04 04 04 00 04",
    ":": "00 0C 0C 00 0C 0C 00",
}
"""Rows of a 5 by 7 raster from the top, the leftmost dot at 10."""


def tern8_rom() -> bytes:
    """Make the release file of the Tern-8: header, firmware, character shapes."""
    body = _firmware(b"tern-8", _FIRMWARE_BYTES) + character_shapes()
    head = b"SKERRY TERN-8".ljust(16, b"\0") + b"release 3".ljust(16, b"\0")
    head += len(body).to_bytes(4, "little") + zlib.crc32(body).to_bytes(4, "little")
    return head.ljust(_HEADER_BYTES, b"\0") + body


def tern16_bin() -> bytes:
    """Make the firmware of the Tern-16, in the order in which its processor sees it."""
    return _firmware(b"tern-16", _WIDE_BYTES)


def character_shapes() -> bytes:
    """Return eight rows for each of 256 characters; the upper half is the lower inverted."""
    shapes = bytearray(8 * _SHAPES)
    for code in range(_SHAPES // 2):
        rows = bytes.fromhex(_GLYPHS.get(chr(code).upper(), "")).ljust(8, b"\0")
        shapes[8 * code : 8 * code + 8] = bytes(row << 2 for row in rows)
        shapes[8 * (code + 128) : 8 * (code + 128) + 8] = bytes(0xFF ^ row << 2 for row in rows)
    return bytes(shapes)


def _firmware(name: bytes, size: int) -> bytes:
    """Make something like a program: a heading, code, texts, a table, blank space, vectors at the end."""
    heading = b"SKERRY COMPUTER CLUB  " + name.upper() + b"\r\n"
    code = hashlib.shake_256(b"code of " + name).digest(size * 5 // 8)
    texts = b"".join(bytes((len(text),)) + text.encode("ascii") for text in _MESSAGES)
    sine = bytes(round(128 + 127 * math.sin(math.tau * step / 256)) for step in range(256))
    vectors = hashlib.shake_256(b"vectors of " + name).digest(64)
    filled = heading + code + texts + sine
    return filled.ljust(size - len(vectors), b"\xff") + vectors


DEMO_FILES: Mapping[str, Mapping[str, Callable[[], bytes]]] = {
    "tern-8": {"release": tern8_rom},
    "tern-16": {"firmware": tern16_bin},
    "tern-16-wide": {"firmware": tern16_bin},
}
"""Board id -> source name -> what makes the file."""
