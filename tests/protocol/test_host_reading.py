"""Putting a range together from blocks: by hand, and with any of them missing."""

import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from protocol.host.reading import BLOCKS_PER_READ_MAX, ReadAssembly
from protocol.messages import Read, ReadResult
from protocol.wire import Mode


def assembly(count: int = 100, word_bytes: int = 1, block_bytes: int = 16, address: int = 0) -> ReadAssembly:
    return ReadAssembly(
        address=address,
        count=count,
        word_bytes=word_bytes,
        mode=Mode.READ,
        vcc_mv=5000,
        block_bytes=block_bytes,
    )


def test_one_read_at_first_and_then_for_what_is_missing() -> None:
    made = assembly(count=100, address=0x40)
    (read,) = made.wanted()
    assert read == Read(0x40, 100, Mode.READ, 5000, 16)
    for block in (0, 1, 4, 6):
        assert made.add(read, block, bytes((block,)) * (4 if block == 6 else 16))
    # By hand: blocks 2, 3 are words 0x60 to 0x7F, block 5 is 0x90 to 0x9F.
    assert made.wanted() == [Read(0x60, 32, Mode.READ, 5000, 16), Read(0x90, 16, Mode.READ, 5000, 16)]
    assert made.missing_bytes == 48


def test_words_of_two_bytes() -> None:
    made = assembly(count=20, word_bytes=2, block_bytes=16, address=8)
    (read,) = made.wanted()
    assert made.add(read, 0, bytes(range(16)))
    # A block holds 8 words.
    assert made.wanted() == [Read(16, 12, Mode.READ, 5000, 16)]


@pytest.mark.parametrize(("block", "size"), [(7, 16), (-1, 16), (6, 16), (6, 3), (0, 15), (0, 17), (0, 0)])
def test_a_block_that_does_not_fit_is_left_out(block: int, size: int) -> None:
    made = assembly()
    (read,) = made.wanted()
    assert not made.add(read, block, bytes(size))
    assert made.wanted() == [read]


def test_a_block_behind_those_that_were_asked_for_again_is_left_out() -> None:
    made = assembly(count=64)
    (read,) = made.wanted()
    assert all(made.add(read, block, bytes(16)) for block in (2, 3))
    (again,) = made.wanted()
    assert again.count == 32
    # Block 2 of this READ would lie behind it, where another block has already arrived.
    assert not made.add(again, 2, b"x" * 16)
    assert made.data == bytes(64)


def test_a_wrong_crc_of_one_range_keeps_the_others() -> None:
    made = assembly(count=64)
    (read,) = made.wanted()
    assert made.add(read, 1, bytes(16))
    first, second = made.wanted()
    assert made.add(first, 0, bytes(16))
    assert all(made.add(second, block, bytes(16)) for block in (0, 1))
    made.note_result(first, ReadResult(16, zlib.crc32(bytes(16)) ^ 1))
    made.note_result(second, ReadResult(32, zlib.crc32(bytes(32))))
    assert made.wanted() == [first]


def test_a_read_ends_at_65535_blocks_though_the_next_present_one_is_further() -> None:
    made = assembly(count=BLOCKS_PER_READ_MAX + 20, block_bytes=1)
    _, second = made.wanted()
    assert made.add(second, 5, b"x")
    assert [each.count for each in made.wanted()] == [BLOCKS_PER_READ_MAX, 5, 14]


def test_a_wrong_crc_makes_the_whole_range_wanted_again() -> None:
    made = assembly(count=32)
    (read,) = made.wanted()
    made.add(read, 0, b"a" * 16)
    made.add(read, 1, b"b" * 16)
    made.note_result(read, ReadResult(32, zlib.crc32(b"a" * 16 + b"x" * 16)))
    assert made.wanted() == [read]
    made.add(read, 0, b"a" * 16)
    made.add(read, 1, b"x" * 16)
    made.note_result(read, ReadResult(32, zlib.crc32(b"a" * 16 + b"x" * 16)))
    assert made.wanted() == []
    assert made.data == b"a" * 16 + b"x" * 16


def test_a_read_has_65535_blocks_at_most() -> None:
    made = assembly(count=140_000, block_bytes=1)
    assert [read.count for read in made.wanted()] == [BLOCKS_PER_READ_MAX, BLOCKS_PER_READ_MAX, 8930]


@pytest.mark.parametrize(
    ("count", "word_bytes", "block_bytes"), [(0, 1, 16), (4, 2, 15), (4, 2, 1), (4, 1, 0)]
)
def test_what_cannot_be_is_our_mistake(count: int, word_bytes: int, block_bytes: int) -> None:
    with pytest.raises(ValueError, match="blocks of"):
        assembly(count, word_bytes, block_bytes)


@pytest.mark.no_cover
@given(
    st.integers(1, 120),
    st.sampled_from([1, 2]),
    st.sampled_from([2, 4, 16, 64]),
    st.integers(0, 1000),
    st.randoms(use_true_random=False),
)
def test_any_losses_end_in_the_content(count: int, width: int, block_bytes: int, address: int, rng) -> None:
    content = bytes(rng.randrange(256) for _ in range(count * width))
    made = assembly(count, width, block_bytes, address)
    for _ in range(100):
        wanted = made.wanted()
        if not wanted:
            break
        for read in wanted:
            start = (read.address - address) * width
            part = content[start : start + read.count * width]
            for block, at in enumerate(range(0, len(part), block_bytes)):
                if rng.random() < 0.6:
                    assert made.add(read, block, part[at : at + block_bytes])
            made.note_result(read, ReadResult(read.count, zlib.crc32(part)))
    assert made.wanted() == []
    assert made.missing_bytes == 0
    assert made.data == content
