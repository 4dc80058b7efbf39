"""Naming what a chip holds instead, against plain Python."""

import random
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.jobs.likeness import likeness

RNG = random.Random(11)
IMAGE = RNG.randbytes(4096)
HALF = len(IMAGE) // 2


def pairs(data, size):
    return [data[at : at + size] for at in range(0, len(data), size)]


def line_stuck(data, line, level, word_bytes=1):
    words = pairs(data, word_bytes)
    return b"".join(words[at & ~(1 << line) | level << line] for at in range(len(words)))


@pytest.mark.parametrize(
    ("got", "words", "word_bytes"),
    [
        (b"\xff" * 4096, "reads FF everywhere", 1),
        (bytes(4096), "reads 00 everywhere", 1),
        (b"".join(pair[::-1] for pair in pairs(IMAGE, 2)), "even and odd bytes exchanged", 1),
        (b"".join(pair[::-1] for pair in pairs(IMAGE, 2)), "bytes of each word exchanged", 2),
        (b"".join(four[2:] + four[:2] for four in pairs(IMAGE, 4)), "even and odd words exchanged", 2),
        (IMAGE[HALF:] + IMAGE[:HALF], "halves exchanged", 1),
        (bytes(~byte & 0xFF for byte in IMAGE), "inverted", 1),
        (bytes(int(f"{byte:08b}"[::-1], 2) for byte in IMAGE), "reverse order", 1),
        (IMAGE[128:] + b"\xff" * 128, "128 bytes too low", 1),
        (b"\xff" * 16 + IMAGE[:-16], "16 bytes too high", 1),
        (line_stuck(IMAGE, 0, 0), "address line A0 were always low", 1),
        (line_stuck(IMAGE, 11, 0), "address line A11 were always low", 1),
        (line_stuck(IMAGE, 11, 1), "address line A11 were always high", 1),
        (line_stuck(IMAGE, 5, 1, 2), "address line A5 were always high", 2),
        (bytes(byte & ~8 for byte in IMAGE), "ata line D3 always reads 0", 1),
        (bytes(byte | 128 for byte in IMAGE), "ata line D7 always reads 1", 1),
        (b"".join(bytes([low, high | 1]) for low, high in pairs(IMAGE, 2)), "ata line D8 always reads 1", 2),
    ],
)
def test_it_is_named(got, words, word_bytes):
    found = likeness(IMAGE, got, word_bytes)
    assert words in found.words
    assert found.advice


@pytest.mark.parametrize(
    "got",
    [
        RNG.randbytes(4096),
        IMAGE[:100] + bytes([IMAGE[100] ^ 1]) + IMAGE[101:],
        IMAGE[:100] + bytes([IMAGE[100] & ~8]) + IMAGE[101:],
        # Wrong on one data line, but not always: weak bits, no broken line.
        bytes(byte & ~8 if at % 3 else byte for at, byte in enumerate(IMAGE)),
    ],
)
def test_what_is_none_of_this_is_not_explained_away(got):
    assert likeness(IMAGE, got, 1) is None


def test_an_image_of_few_values_says_nothing():
    assert likeness(b"\xaa\x55" * 512, b"\x55\xaa" * 512, 1) is None


@given(st.binary(min_size=1, max_size=300), st.data())
def test_any_content_can_be_judged(wanted, data):
    got = data.draw(st.binary(min_size=len(wanted), max_size=len(wanted)))
    likeness(wanted, got, 1)
    if len(wanted) % 2 == 0:
        likeness(wanted, got, 2)


def test_a_large_part_takes_no_time_to_speak_of():
    wanted, got = RNG.randbytes(1 << 22), RNG.randbytes(1 << 22)
    began_s = time.perf_counter()
    assert likeness(wanted, got, 2) is None
    assert time.perf_counter() - began_s < 3
