"""Check figures, against published values and other libraries."""

import hashlib
import subprocess
import sys
import zlib
from random import Random
from time import process_time

import pytest
from crccheck.checksum import Checksum16
from crccheck.crc import Crc32
from hypothesis import given
from hypothesis import strategies as st

from daemon.images import Range, content_facts


def test_published_check_values() -> None:
    facts = content_facts(b"123456789")
    assert facts.crc32 == 0xCBF43926  # CRC-32/ISO-HDLC check value, CRC catalogue
    assert facts.byte_sum == 477  # nine digits from 0x31 to 0x39: 9 × 0x35
    # SHA of "abc": FIPS 180-2 appendices, from memory.
    facts = content_facts(b"abc")
    assert facts.sha1 == "a9993e364706816aba3e25717850c26c9cd0d89d"
    assert facts.sha256 == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


@given(st.binary(max_size=600))
def test_sums_and_digests_agree_with_other_libraries(data: bytes) -> None:
    facts = content_facts(data)
    assert facts.size_bytes == len(data)
    assert facts.crc32 == Crc32.calc(data) == zlib.crc32(data)
    assert facts.sha1 == hashlib.sha1(data).hexdigest()
    assert facts.byte_sum == sum(data)
    assert facts.byte_sum_16 == sum(data) % 65536
    even = data + b"\0" * (len(data) % 2)
    assert facts.word_sum_le_16 == Checksum16.calc(even, byteorder="little")


def test_word_sum_has_the_low_byte_first() -> None:
    facts = content_facts(b"\x01\x02\x03")
    assert facts.word_sum_le == 0x0201 + 0x0003


def test_blank_share_and_repetition() -> None:
    assert content_facts(b"\xff" * 75 + b"a" * 25).blank_share == 0.75
    assert content_facts(b"\0" * 75 + b"a" * 25, blank=0).blank_share == 0.75
    assert content_facts(b"abab").upper_half_repeats_lower
    assert not content_facts(b"abaa").upper_half_repeats_lower
    assert not content_facts(b"aaa").upper_half_repeats_lower
    assert not content_facts(b"").upper_half_repeats_lower


def test_used_ranges() -> None:
    gap15, gap16 = b"\xff" * 15, b"\xff" * 16
    assert content_facts(b"").used_ranges == ()
    assert content_facts(gap16).used_ranges == ()
    assert content_facts(b"a").used_ranges == (Range(0, 1),)
    assert content_facts(gap16 + b"ab" + gap15 + b"c" + gap16 + b"d" + gap16).used_ranges == (
        Range(16, 34),
        Range(50, 51),
    )


def test_many_ranges_keep_the_widest_gaps() -> None:
    wide, narrow = b"\xff" * 40, b"\xff" * 20
    data = b"".join(b"a" + (wide if each % 100 == 99 else narrow) for each in range(1000))
    facts = content_facts(data)
    assert facts.used_ranges_simplified
    assert len(facts.used_ranges) == 64
    # Nine wide gaps stand between content (the tenth ends the data); each must separate two ranges.
    wide_ends = {100 * 21 + 20 + each * (100 * 21 + 20) for each in range(9)}
    assert wide_ends <= {each.start_bytes for each in facts.used_ranges}


@given(st.lists(st.sampled_from([0xFF, 0xFF, 0xFF, 1]), max_size=300), st.integers(0, 40))
def test_used_ranges_hold_all_content(values: list[int], stretch: int) -> None:
    data = b"".join(bytes((value,)) * (1 if value == 1 else stretch) for value in values)
    ranges = content_facts(data).used_ranges
    held = bytearray(len(data))
    for each in ranges:
        assert data[each.start_bytes] != 0xFF
        assert data[each.end_bytes - 1] != 0xFF
        held[each.start_bytes : each.end_bytes] = b"\1" * each.length_bytes
    assert all(held[at] for at, value in enumerate(data) if value != 0xFF)


@pytest.mark.parametrize("kind", ["random", "alternating"])
def test_sixteen_mebibytes_in_well_under_a_second(kind: str) -> None:
    size = 16 << 20
    data = Random(1).randbytes(size) if kind == "random" else (b"\0" + b"\xff" * 16) * (size // 17)
    content_facts(b"warm")
    began = process_time()
    facts = content_facts(data)
    assert process_time() - began < 1.0
    assert facts.byte_sum == (sum(data) if kind == "random" else 16 * 255 * (size // 17))


def test_importing_the_package_is_cheap() -> None:
    script = (
        "import sys, daemon.images, daemon.erasure; print({'numpy', 'bincopy', 'scipy'} & set(sys.modules))"
    )
    result = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "set()"
