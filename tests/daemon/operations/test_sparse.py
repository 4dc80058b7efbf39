"""Sparse images cost what they hold, and nothing stale survives: judged on bytes that know of no blocks."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.catalogue.loader import Catalogue
from daemon.catalogue.terms import Semantics
from daemon.images.fit import fit
from daemon.images.model import Image, Segment
from daemon.operations.blocks import Block, blocks_of, is_sparse
from daemon.programmers.fitting import describe, fit_directly
from daemon.store.model import JobKind, JobState
from protocol.descriptor import LoopKind
from protocol.wire import Capability
from simulator.programmer.profile import full
from simulator.stock import Stock
from tests.support.identities import FULL
from tests.support.virtual_bench import small_limits, virtual_bench

PARTS = Catalogue()
#: Clear-only of both widths, overwritten by bytes and by pages, flash by pages, and erased first.
EVERY = (
    "st-m27c64a", "amd-am27c1024", "atmel-at28c16", "atmel-at28c64b", "atmel-at29c256", "sst-39sf010a",
)  # fmt: skip
BOTH = Capability.FILL | Capability.COPY


@st.composite
def images(draw, size_bytes):
    """An image in segments, of stretches that are random, constant, blank, or stood before, at odd places."""
    rng = random.Random(draw(st.integers(0, 1 << 30)))
    data, at, segments = bytearray(), 0, []
    for _ in range(draw(st.integers(1, 8))):
        length = rng.choice((1, 3, 64, 127, 128, 250, 256, 1000, 2048))
        match rng.randrange(5):
            case 0:
                stretch = rng.randbytes(length)
            case 1:
                stretch = bytes([rng.randrange(256)]) * length
            case 2:
                stretch = b"\xff" * length
            case 3 if len(data) > 256:
                start = rng.randrange(0, len(data) - 128) & ~63
                stretch = bytes(data[start : start + length])
            case _:
                stretch = (rng.randbytes(2) * length)[:length]
        if rng.random() < 0.3:
            at += rng.choice((1, 64, 200, 1024))
        if at + len(stretch) > size_bytes:
            break
        segments.append(Segment(at, stretch))
        data += stretch
        at += len(stretch)
    return Image.of(segments or [Segment(0, b"\x5a")])


def planned(part, image, payload_bytes, can):
    content = fit(image, part.size_bytes, part.word_bytes)
    descriptor = describe(fit_directly(part, FULL), FULL)
    blocks = blocks_of(content, part, descriptor, payload_bytes, sparse=is_sparse(part), can=can)
    return content, descriptor, blocks


def put(memory: bytearray, part, block: Block):
    """Do to bytes what SPEC.md section 8 says that PROGRAM, FILL and COPY do."""
    start, length = block.address * part.word_bytes, len(block.data)
    if block.value is not None:
        new = block.value.to_bytes(part.word_bytes, "little") * (length // part.word_bytes)
    elif block.source is not None:
        source = block.source * part.word_bytes
        new = bytes(memory[source : source + length])
    else:
        new = block.data
    for at, byte in enumerate(new, start):
        memory[at] = byte if part.write.semantics is Semantics.OVERWRITE else memory[at] & byte


@settings(max_examples=120)
@given(st.data(), st.sampled_from(EVERY), st.sampled_from((64, 100, 128, 250, 1024)), st.integers(0, 3))
def test_blocks_put_exactly_the_image_into_a_chip(data, part_id, payload_bytes, can):
    part = PARTS.get(part_id)
    if part_id == "atmel-at29c256":
        payload_bytes = max(payload_bytes, 64)
    image = data.draw(images(part.size_bytes))
    can = (Capability.NONE, Capability.FILL, Capability.COPY, BOTH)[can]
    content, descriptor, blocks = planned(part, image, payload_bytes, can)
    overwritten = part.write.semantics is Semantics.OVERWRITE
    memory = bytearray(
        random.Random(1).randbytes(part.size_bytes) if overwritten else b"\xff" * part.size_bytes
    )
    for block in blocks:
        assert len(block.data) % part.word_bytes == 0
        assert block.data
        assert block.carried_bytes <= payload_bytes
        if descriptor.loop.kind is LoopKind.PAGE_WRITE and block.carried_bytes:
            last = block.address + len(block.data) // part.word_bytes - 1
            assert block.address // descriptor.page.words == last // descriptor.page.words
        put(memory, part, block)
    assert bytes(memory) == content.data


def test_constant_stretches_and_repeats_hardly_cross_the_wire():
    part = PARTS.get("st-m27c512")
    rng = random.Random(2)
    quarter = rng.randbytes(8192) + b"\x00" * 4096 + b"\xff" * 4096
    _, _, blocks = planned(part, Image.raw(quarter * 4), 1024, BOTH)
    assert sum(block.carried_bytes for block in blocks) == 8192
    # 8192 bytes in blocks of up to 1024, four constant stretches, and three repeats in chunks of 5000 words.
    assert len(blocks) < 45
    assert sum(len(block.data) for block in blocks) == 4 * 12288


def wire_bytes(tmp_path, part_id, content, kind=JobKind.PROGRAM, stock=Stock.BLANK):
    with virtual_bench(tmp_path, part_id, stock) as bench:
        before = bench.session.counters.bytes_out
        job = bench.run(kind, part_id, content)
        assert job.state is JobState.SUCCEEDED, job.outcome
        data = content.flatten(PARTS.get(part_id).size_bytes, 0xFF)
        assert bench.held == data
        return bench.session.counters.bytes_out - before, job.outcome["numbers"]


@pytest.mark.parametrize("part_id", ["st-m27c64a", "ti-tms27c128", "amd-am27c1024"])
def test_a_sparse_image_costs_what_it_holds(tmp_path, part_id):
    part = PARTS.get(part_id)
    some = random.Random(3).randbytes(512)
    segments = [Segment(0, some), Segment(4096, some), Segment(part.size_bytes * 3 // 4, b"\x11" * 2048)]
    (tmp_path / "sparse").mkdir()
    (tmp_path / "full").mkdir()
    (tmp_path / "none").mkdir()
    few, numbers = wire_bytes(tmp_path / "sparse", part_id, Image.of(segments))
    all_of_it, _ = wire_bytes(
        tmp_path / "full", part_id, Image.raw(random.Random(3).randbytes(part.size_bytes))
    )
    none, _ = wire_bytes(tmp_path / "none", part_id, Image.of([Segment(0, b"\xff" * 64)]))
    # What is random stands twice: it crosses once. The rest is some short requests.
    assert few - none < 512 + 1000
    assert all_of_it > part.size_bytes
    blanks = sum(
        some[at : at + part.word_bytes].count(0xFF) == part.word_bytes
        for at in range(0, 512, part.word_bytes)
    )
    pulsed = (2 * 512 + 2048) // part.word_bytes - 2 * blanks
    # Words that take more than one pulse are few (simulator: about one in ten thousand).
    assert pulsed <= numbers["pulses"] <= pulsed + 20


@pytest.mark.parametrize("part_id", EVERY)
@pytest.mark.parametrize("seed", [1, 2])
def test_nothing_stale_survives_on_a_simulated_chip(tmp_path, part_id, seed):
    part = PARTS.get(part_id)
    rng = random.Random(seed)
    stretches = [rng.randbytes(300), b"\xff" * 500, b"\x00\x01" * 200, b"\x77" * 333]
    data = b"".join(rng.choice(stretches) for _ in range(rng.randrange(4, 9)))[: part.size_bytes - 512]
    at = rng.randrange(0, part.size_bytes - len(data))
    content = Image.of([Segment(at, data)])
    overwritten = part.write.semantics is Semantics.OVERWRITE
    stock = Stock.BLANK if part.write.semantics is Semantics.CLEAR_ONLY else Stock.USED
    profile = small_limits(full("SIM-1"), max_payload=256, rx_bytes=1200) if seed == 2 else None
    with virtual_bench(tmp_path, part_id, stock, profile=profile) as bench:
        job = bench.run(JobKind.WRITE if overwritten else JobKind.PROGRAM, part_id, content)
        assert job.state is JobState.SUCCEEDED, job.outcome
        assert bench.held == content.flatten(part.size_bytes, 0xFF)
        # And over the same chip again: less, other and other places.
        if overwritten:
            other = Image.of([Segment(part.size_bytes // 3, rng.randbytes(77))])
            assert bench.run(JobKind.PROGRAM, part_id, other).state is JobState.SUCCEEDED
            assert bench.held == other.flatten(part.size_bytes, 0xFF)
