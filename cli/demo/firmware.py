"""The image that the demonstration programs: the monitor of an invented computer, made here byte by byte.

The Skerry Computer Club and its Tern-8 do not exist. The content is of the kinds that real firmware has, so
that a look at it shows something: text, tables, dense code, and a stretch that was never used.
"""

import math
import random
import struct

SIZE_BYTES = 64 * 1024
NAME = "tern8-monitor-1.4.bin"
_SEED = 1984
_CODE_START, _CODE_END = 0x0400, 0x8000
_SINE_START = 0x8000
_TEXT_START = 0x8400
_TIDES_START = 0x9000
_END_START = 0xFFF0

_HEADING = b"TERN-8 MONITOR 1.4\r\nSKERRY COMPUTER CLUB\r\nREADY\r\n\0"
_MESSAGES = (
    "TYPE HELP FOR HELP",
    "HELP  LIST  RUN  SAVE  LOAD  PEEK  POKE  TIDE",
    "TAPE NOT READY: PRESS PLAY",
    "CHECKSUM DIFFERS: REWIND AND TRY AGAIN",
    "NO SUCH LINE",
    "MEMORY FULL",
    "TIDE TABLE FOR SKERRY HARBOUR, HEIGHTS IN METRES",
    "PLEASE RETURN THIS MACHINE TO THE CLUB ROOM BY NINE",
)
_MOON_DAY_H = 24.8412
"""Hours from one upper transit of the moon to the next, on average; high water comes twice in that time."""


def tern8_image() -> bytes:
    """Return the 64 KiB of the image, the same every time."""
    image = bytearray(b"\xff" * SIZE_BYTES)
    _put(image, 0, _HEADING)
    _put(image, 0x0100, b"".join(struct.pack("<H", _CODE_START + 0x90 * n) for n in range(128)))
    _put(image, _CODE_START, random.Random(_SEED).randbytes(_CODE_END - _CODE_START))
    _put(image, _SINE_START, b"".join(struct.pack("<h", _sine(step)) for step in range(512)))
    _put(image, _TEXT_START, b"".join(f"{text}\r\n\0".encode("ascii") for text in _MESSAGES))
    _put(image, _TIDES_START, "".join(_tide(day) for day in range(1, 366)).encode("ascii"))
    total = sum(image[:_END_START]) & 0xFFFF
    _put(image, _END_START, struct.pack("<HH", _CODE_START, total) + b"(C) SKERRY\0")
    return bytes(image)


def _put(image: bytearray, start: int, content: bytes) -> None:
    end = start + len(content)
    assert end <= SIZE_BYTES, f"the content at {start:#x} does not fit"
    image[start:end] = content


def _sine(step: int) -> int:
    return round(32767 * math.sin(2 * math.pi * step / 512))


def _tide(day: int) -> str:
    """Return one line of an invented tide table: high water follows the moon, springs come twice a month."""
    high_h = (2.5 + 24 * day) % (_MOON_DAY_H / 2)
    height_m = 4.1 + 0.9 * math.cos(2 * math.pi * day / 14.77)
    hours, minutes = divmod(round(high_h * 60), 60)
    return f"DAY {day:03}  HIGH WATER {hours:02}:{minutes:02}  {height_m:.1f} M\r\n"
