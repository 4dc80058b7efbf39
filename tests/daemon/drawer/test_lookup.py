"""Content found again on a shelf: whole, in slices, in lanes, exchanged, at any place."""

import random
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.clock import ManualClock
from daemon.drawer.anchors import BLOCK_BYTES, MULTIPLIER, anchors, rolling
from daemon.drawer.lookup import Lane, Lookup, Relation
from daemon.image_shelf import ImageShelf
from daemon.images.model import ImageFormat
from daemon.store.blobs import Blobs
from daemon.store.store import Store

MONITOR = random.Random(1).randbytes(65536)
FONT = random.Random(2).randbytes(4096)
OTHERS = [random.Random(100 + index).randbytes(8192) for index in range(20)]


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    folder: Path = tmp_path_factory.mktemp("shelf")
    blobs = Blobs(folder / "blobs")
    blobs.open()
    with Store.open(f"sqlite:///{folder / 'bench.db'}", ManualClock(), "b_test") as store:
        made = ImageShelf(store, blobs, 1 << 24)
        made.add(MONITOR, name="tern8-monitor.bin", format=ImageFormat.RAW)
        made.add(FONT, name="tern8-font.bin", format=ImageFormat.RAW)
        for index, data in enumerate(OTHERS):
            made.add(data, name=f"other-{index}.bin", format=ImageFormat.RAW)
        yield made


@pytest.fixture(scope="module")
def lookup(shelf):
    return Lookup(shelf)


def exchanged(data):
    return bytes(data[index ^ 1] for index in range(len(data)))


@pytest.mark.parametrize(
    ("content", "relation", "words"),
    [
        (MONITOR, Relation.WHOLE, "this is tern8-monitor.bin"),
        (MONITOR[32768:], Relation.UPPER_HALF, "this is tern8-monitor.bin, upper half"),
        (MONITOR[:32768], Relation.LOWER_HALF, "this is tern8-monitor.bin, lower half"),
        (MONITOR[16384:32768], Relation.SLICE, "this is tern8-monitor.bin, bytes 0x4000 to 0x7fff"),
        (MONITOR * 2, Relation.WHOLE, "this is tern8-monitor.bin, 2 times"),
        (MONITOR[32768:] * 4, Relation.UPPER_HALF, "this is tern8-monitor.bin, upper half, 4 times"),
        (FONT + b"\xff" * 4096, Relation.WHOLE, "this is tern8-font.bin"),
        (b"\xff" * 0x1003 + FONT + b"\xff" * 0xFFD, Relation.WHOLE, "this is tern8-font.bin, from 0x1003 on"),
        (MONITOR[0::2], Relation.WHOLE, "this is the even bytes of tern8-monitor.bin"),
        (MONITOR[1::2], Relation.WHOLE, "this is the odd bytes of tern8-monitor.bin"),
        (MONITOR[1::2][:16384], Relation.LOWER_HALF, "the odd bytes of tern8-monitor.bin, lower half"),
        (exchanged(MONITOR), Relation.WHOLE, "with the bytes of each word exchanged"),
    ],
)
def test_content_is_named(lookup, content, relation, words):
    best = lookup.find(content)[0]
    assert best.relation is relation
    assert words in best.words
    assert best.differing_bytes == 0


def test_two_images_in_one_content(lookup):
    found = lookup.find(OTHERS[0] + FONT + OTHERS[1] + random.Random(5).randbytes(4096))
    assert {(match.name, match.start_bytes) for match in found} == {
        ("other-0.bin", 0),
        ("tern8-font.bin", 8192),
        ("other-1.bin", 12288),
    }
    assert {match.relation for match in found} == {Relation.CONTAINS}


def test_two_images_side_by_side_in_words(lookup):
    woven = bytes(byte for pair in zip(OTHERS[2], OTHERS[3], strict=True) for byte in pair)
    found = {match.name: match for match in lookup.find(woven)}
    assert found["other-2.bin"].content_lane is Lane.EVEN
    assert found["other-3.bin"].content_lane is Lane.ODD
    assert "its odd bytes are other-3.bin" in found["other-3.bin"].words


def test_a_few_differing_bytes_are_counted(lookup):
    changed = bytearray(MONITOR)
    for at in (7, 30000, 65535):
        changed[at] ^= 0x20
    best = lookup.find(bytes(changed))[0]
    assert (best.name, best.differing_bytes) == ("tern8-monitor.bin", 3)
    assert best.words.endswith("but for 3 bytes")


@pytest.mark.parametrize(
    "content", [b"", b"\xff" * 65536, b"\x00" * 100, random.Random(9).randbytes(65536), b"short"]
)
def test_nothing_is_found_where_nothing_is(lookup, content):
    assert lookup.find(content) == ()


def test_part_of_an_image_among_other_content_is_no_match(lookup):
    assert lookup.find(MONITOR[:30000] + random.Random(3).randbytes(35536)) == ()


def test_an_image_does_not_match_itself_and_new_ones_are_seen(shelf, lookup):
    view = shelf.add(MONITOR[32768:], name="upper.bin", format=ImageFormat.RAW)
    try:
        assert [match.name for match in lookup.matches(view.sha256)] == ["tern8-monitor.bin"]
        assert {match.name for match in lookup.find(MONITOR[32768:])} == {"upper.bin", "tern8-monitor.bin"}
    finally:
        shelf.delete(view.sha256)
    assert {match.name for match in lookup.find(MONITOR[32768:])} == {"tern8-monitor.bin"}


def test_a_damaged_file_is_passed_over(shelf, lookup):
    view = shelf.add(random.Random(77).randbytes(8192), name="spoilt.bin", format=ImageFormat.RAW)
    path = next(path for path in shelf._blobs._folder.rglob(view.sha256))
    path.write_bytes(b"spoilt")
    try:
        assert lookup.find(MONITOR)[0].name == "tern8-monitor.bin"
    finally:
        shelf.delete(view.sha256)


@settings(max_examples=40, deadline=None)
@given(start=st.integers(0, 60000), length=st.integers(2048, 5536), where=st.integers(0, 3000))
def test_any_slice_is_found_at_any_place(lookup, start, length, where):
    content = b"\xff" * where + MONITOR[start : start + length]
    best = lookup.find(content)[0]
    # Where the slice itself begins or ends with FF, a byte more or less belongs to it.
    assert best.name == "tern8-monitor.bin"
    assert best.image_start_bytes - best.start_bytes == start - where


@given(data=st.binary(min_size=BLOCK_BYTES, max_size=BLOCK_BYTES + 70))
def test_the_hash_of_each_place_is_the_polynomial(data):
    # Karp and Rabin: the sum of (byte + 1) times powers of the base; worked out here in plain integers.
    hashes = rolling(np.frombuffer(data, dtype=np.uint8))
    assert len(hashes) == len(data) - BLOCK_BYTES + 1
    for at, got in enumerate(hashes.tolist()):
        wanted = 0
        for byte in data[at : at + BLOCK_BYTES]:
            wanted = (wanted * MULTIPLIER + byte + 1) % (1 << 64)
        assert got == wanted


def test_anchors_are_hashes_of_their_places():
    data = np.frombuffer(MONITOR[:5000], dtype=np.uint8)
    hashes, places = anchors(data)
    assert (rolling(data)[places] == hashes).all()
    assert {0, 512, 5000 - BLOCK_BYTES} <= set(places.tolist())


@pytest.mark.slow
def test_hundreds_of_large_images_are_looked_up_in_about_a_second(tmp_path):
    import time

    blobs = Blobs(tmp_path / "blobs")
    blobs.open()
    with Store.open(f"sqlite:///{tmp_path / 'bench.db'}", ManualClock(), "b_test") as store:
        shelf = ImageShelf(store, blobs, 1 << 24)
        rng = np.random.default_rng(1)
        contents = [rng.bytes(1 << 22) for _ in range(4)] + [rng.bytes(1 << 17) for _ in range(200)]
        for index, data in enumerate(contents):
            shelf.add(data, name=f"{index}.bin", format=ImageFormat.RAW)
        lookup = Lookup(shelf)
        lookup.find(contents[0])  # the first call reads the shelf
        began_s = time.perf_counter()
        assert lookup.find(contents[1][1 << 21 :])[0].words == "this is 1.bin, upper half"
        assert lookup.find(contents[150])[0].name == "150.bin"
        # Two look-ups, on a machine that others use too.
        assert time.perf_counter() - began_s < 6.0


@pytest.mark.parametrize(
    "content",
    [
        MONITOR,
        FONT + b"\xff" * 4096,
        MONITOR[0::2],
        MONITOR[1::2],
        MONITOR[:32768],
        MONITOR[32768:],
    ],
)
def test_content_is_recalled_by_its_checksum(lookup, content):
    assert lookup.content_of(zlib.crc32(content), len(content)) == content
    assert lookup.content_of(zlib.crc32(content) ^ 1, len(content)) is None
    assert lookup.content_of(zlib.crc32(content), len(content) * 4) is None
