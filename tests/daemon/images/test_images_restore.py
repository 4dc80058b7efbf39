"""Back from a chip to the file: what is known again is what was there, and what is lost is said."""

import contextlib
import hashlib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.errors import BenchError, Code
from daemon.images import Image, Range, Segment
from daemon.images.recipe import Restored, parse_steps, restore, transform

SIZE = 1024
DATA = hashlib.shake_256(b"content to restore").digest(SIZE)

# Steps that lose nothing, for content whose length is a multiple of 256 bytes.
WHOLE = st.one_of(
    st.sampled_from([2, 4, 8]).map(lambda word: {"do": "swap-bytes", "word_bytes": word}),
    st.permutations(range(8)).map(lambda order: {"do": "reorder-address-lines", "order": order}),
    st.permutations(range(7)).map(
        lambda order: {"do": "reorder-address-lines", "order": order, "word_bytes": 2}
    ),
    st.permutations(range(8)).map(lambda order: {"do": "reorder-data-lines", "order": order}),
    st.permutations(range(16)).map(
        lambda order: {"do": "reorder-data-lines", "order": order, "word_bytes": 2}
    ),
    st.integers(2, 4).map(lambda times: {"do": "repeat", "times": times}),
    st.integers(0, 3).map(lambda at: {"do": "place", "offset_bytes": at * 256, "size_bytes": 1 << 16}),
    st.just({"do": "fill", "to_bytes": 1 << 17}),
)


@given(steps=st.lists(WHOLE, max_size=4).filter(lambda steps: _grows_in_order(steps)))
def test_there_and_back_is_identity(steps: list[dict[str, Any]]) -> None:
    recipe = parse_steps(steps)
    made = transform(Image.raw(DATA), recipe)
    restored = restore(made.data, recipe, SIZE)
    assert restored.data == DATA
    assert restored.missing == ()


def _grows_in_order(steps: list[dict[str, Any]]) -> bool:
    """A place or a fill only goes on top of what is smaller."""
    size = SIZE
    for step in steps:
        if step["do"] == "repeat":
            size *= step["times"]
        if step["do"] == "place":
            if step["offset_bytes"] + size > step["size_bytes"]:
                return False
            size = step["size_bytes"]
        if step["do"] == "fill":
            if size > step["to_bytes"]:
                return False
            size = step["to_bytes"]
    return True


@given(
    steps=st.lists(
        st.one_of(
            WHOLE,
            st.integers(1, 300).map(lambda at: {"do": "skip-header", "length_bytes": at * 256 % 768 + 1}),
            st.integers(0, 200).map(lambda at: {"do": "slice", "start_bytes": at}),
            st.tuples(st.integers(2, 4), st.integers(0, 1)).map(
                lambda pair: {"do": "split", "ways": pair[0], "lane": pair[1]}
            ),
            st.integers(0, 900).map(lambda at: {"do": "patch", "offset_bytes": at, "write": "patched"}),
            st.integers(0, 900).map(lambda at: {"do": "patch-each", "offset_bytes": at, "writes": ["own"]}),
            st.integers(0, 900).map(lambda at: {"do": "serial", "offset_bytes": at, "length_bytes": 4}),
            st.integers(0, 900).map(lambda at: {"do": "checksum", "kind": "crc-32", "offset_bytes": at}),
        ),
        max_size=5,
    )
)
def test_what_is_told_is_true_and_the_rest_is_named(steps: list[dict[str, Any]]) -> None:
    recipe = parse_steps(steps)
    try:
        made = transform(Image.raw(DATA), recipe)
    except BenchError:
        return  # steps that do not suit; test_images_steps looks at what is said
    with contextlib.suppress(BenchError):
        restored = restore(made.data, recipe, SIZE)
        _is_true(restored)
        return
    # A patch on one of several copies makes them differ, and nothing else keeps content from coming back.
    assert any(step["do"] == "repeat" for step in steps)


def _is_true(restored: Restored) -> None:
    missing = {at for each in restored.missing for at in range(each.start_bytes, each.end_bytes)}
    assert all(restored.data[at] == DATA[at] for at in range(SIZE) if at not in missing)
    assert len(restored.data) == SIZE


def test_lost_bytes_are_named() -> None:
    steps = parse_steps(
        [
            {"do": "skip-header", "length_bytes": 16},
            {"do": "slice", "length_bytes": 512},
            {"do": "split", "lane": "odd"},
            {"do": "patch", "offset_bytes": 0, "write": "X"},
        ]
    )
    made = transform(Image.raw(DATA), steps)
    restored = restore(made.data, steps, SIZE)
    assert restored.missing[0] == Range(0, 19)  # header, an even byte, the patched one, an even byte
    assert restored.missing[1] == Range(20, 21)
    assert restored.missing[-1] == Range(528, SIZE) or restored.missing[-1].start_bytes == 528
    assert restored.data[19] == DATA[19]


def test_what_a_recipe_says_is_known_again() -> None:
    file = b"TERN" + DATA[4:]
    steps = parse_steps(
        [
            {"do": "skip-header", "length_bytes": 16, "magic": "TERN"},
            {"do": "patch", "offset_bytes": 2, "write": "XY", "was": [DATA[18], DATA[19]]},
        ]
    )
    restored = restore(transform(Image.raw(file), steps).data, steps, SIZE)
    assert restored.missing == (Range(4, 16),)
    assert restored.data[:4] == b"TERN"
    assert restored.data[16:] == file[16:]


def test_copies_that_differ_are_refused() -> None:
    steps = parse_steps([{"do": "repeat", "times": 2}])
    read = bytearray(transform(Image.raw(DATA), steps).data)
    read[SIZE + 7] ^= 0x10
    with pytest.raises(BenchError) as caught:
        restore(bytes(read), steps, SIZE)
    assert caught.value.code is Code.BOARD_REASSEMBLY
    assert "0x7" in caught.value.message
    assert f"{DATA[7] ^ 0x10:02X}" in caught.value.message


def test_sizes_that_do_not_suit_are_refused() -> None:
    steps = parse_steps([{"do": "split", "lane": 0}])
    with pytest.raises(BenchError) as caught:
        restore(bytes(100), steps, SIZE)
    assert "512" in caught.value.message
    with pytest.raises(BenchError, match="odd number"):
        restore(bytes(100), steps, 201)
    headed = parse_steps([{"do": "skip-header", "magic": "TERN"}])
    with pytest.raises(BenchError) as caught:
        restore(bytes(100), headed, SIZE)
    assert "length_bytes" in caught.value.hint


# Address maps


def rows(data: Image, *steps: dict[str, Any], **options: Any) -> list[str]:
    result = transform(data, parse_steps(list(steps)), name="rom", **options)
    assert result.map is not None
    return [row.words for row in result.map.rows]


def test_maps_say_where_bytes_come_from() -> None:
    plain = Image.raw(DATA)
    assert rows(plain) == ["0x00000 to 0x003ff: rom 0x00000 to 0x003ff"]
    assert rows(plain, {"do": "skip-header", "length_bytes": 16}) == [
        "0x00000 to 0x003ef: rom 0x00010 to 0x003ff"
    ]
    assert rows(plain, {"do": "split", "lane": "odd"}) == [
        "0x00000 to 0x001ff: rom 0x00001 to 0x003ff, one byte every 2"
    ]
    assert rows(plain, {"do": "split", "ways": 4, "lane": 1, "unit_bytes": 2}) == [
        "0x00000 to 0x000ff: rom 0x00002 to 0x003fb, 2 bytes every 8"
    ]
    assert rows(plain, {"do": "swap-bytes"}) == [
        "0x00000 to 0x003ff: rom 0x00000 to 0x003ff, each 2 in the order 1 0"
    ]
    assert rows(
        plain,
        {"do": "slice", "length_bytes": 64},
        {"do": "place", "offset_bytes": 32, "size_bytes": 128},
        {"do": "serial", "offset_bytes": 4, "length_bytes": 4},
    ) == [
        "0x00000 to 0x00003: fill",
        "0x00004 to 0x00007: made by a step",
        "0x00008 to 0x0001f: fill",
        "0x00020 to 0x0005f: rom 0x00000 to 0x0003f",
        "0x00060 to 0x0007f: fill",
    ]


def test_holes_of_a_file_are_missing_until_they_are_filled() -> None:
    image = Image.of([Segment(0x100, b"one"), Segment(0x108, b"two")])
    assert rows(image, base_address=0x100)[1] == "0x00003 to 0x00007: missing"
    assert rows(image, {"do": "fill"}, base_address=0x100)[1] == "0x00003 to 0x00007: fill"
    assert transform(image, (), base_address=0x100).gaps == (Range(3, 8),)
    with pytest.raises(BenchError) as caught:
        transform(image, (), base_address=0x101)
    assert "0x100" in caught.value.hint


@given(steps=st.lists(WHOLE, max_size=3).filter(lambda steps: _grows_in_order(steps)))
def test_complete_maps_rebuild_the_content(steps: list[dict[str, Any]]) -> None:
    recipe = [step for step in parse_steps(steps) if step.do != "reorder-data-lines"]
    result = transform(Image.raw(DATA), recipe)
    assert result.map is not None
    rebuilt = bytearray()
    for row in result.map.rows:
        assert row.start_bytes == len(rebuilt)
        if row.source is None:
            rebuilt += b"\xff" * (row.end_bytes - row.start_bytes)
        for group in range(row.groups if row.source else 0):
            first = row.source_start_bytes + group * row.stride_bytes
            rebuilt += bytes(DATA[first + offset] for offset in row.pattern)
    assert rebuilt == result.data[: len(rebuilt)]
    assert result.map.complete == (len(rebuilt) == len(result.data))


def test_maps_of_scattered_bytes_stop() -> None:
    large = hashlib.shake_256(b"large").digest(1 << 14)
    steps = parse_steps([{"do": "reorder-address-lines", "order": [*range(13, -1, -1)]}])
    result = transform(Image.raw(large), steps)
    assert result.map is not None
    assert not result.map.complete
    assert len(result.map.rows) == 64
