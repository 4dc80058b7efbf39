"""Content cut into blocks: nothing lost, nothing twice, no page crossed."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.catalogue.loader import Catalogue
from daemon.images.fit import fit
from daemon.images.model import Image, Segment
from daemon.operations.blocks import blocks_of
from daemon.programmers.fitting import describe, fit_directly
from tests.support.identities import FULL

PARTS = Catalogue()


def cut(part_id, segments, payload_bytes, *, sparse):
    part = PARTS.get(part_id)
    content = fit(Image.of(segments), part.size_bytes, part.word_bytes)
    descriptor = describe(fit_directly(part, FULL), FULL)
    return part, content, blocks_of(content, part, descriptor, payload_bytes, sparse=sparse)


@given(
    st.sampled_from(["st-m27256", "amd-am27c1024"]),
    st.integers(0, 20_000),
    st.binary(min_size=1, max_size=3000),
    st.sampled_from([64, 128, 250, 1024]),
)
def test_sparse_blocks_hold_all_that_is_not_blank(part_id, start, data, payload_bytes):
    part, content, blocks = cut(part_id, [Segment(start, data)], payload_bytes, sparse=True)
    rebuilt = bytearray(b"\xff" * part.size_bytes)
    for block in blocks:
        at = block.address * part.word_bytes
        assert 0 < len(block.data) <= payload_bytes
        assert len(block.data) % part.word_bytes == 0
        assert block.data.count(0xFF) != len(block.data)
        assert rebuilt[at : at + len(block.data)] == b"\xff" * len(block.data)
        rebuilt[at : at + len(block.data)] = block.data
    assert bytes(rebuilt) == content.data


@pytest.mark.parametrize("payload_bytes", [64, 100, 128, 1024])
def test_blocks_of_a_page_write_part_stay_in_their_page(payload_bytes):
    # Atmel AT28C256, 0006M-PEEPR-12/09: pages of 64 bytes that share A6 to A14.
    part, content, blocks = cut("atmel-at28c256", [Segment(10, b"x" * 300)], payload_bytes, sparse=False)
    assert b"".join(block.data for block in blocks) == content.data
    assert all(block.address // 64 == (block.address + len(block.data) - 1) // 64 for block in blocks)
    assert sum(len(block.data) for block in blocks) == part.size_bytes


def test_a_blank_image_needs_no_block():
    _, _, blocks = cut("st-m27c512", [Segment(0, b"\xff" * 1000)], 256, sparse=True)
    assert blocks == []
