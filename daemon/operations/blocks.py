"""Cutting content into blocks that one PROGRAM request carries."""

from daemon.catalogue.model import Part
from daemon.images.fit import FittedContent
from daemon.operations.socketed import Block
from protocol.descriptor import LoopKind, PartDescriptor


def blocks_of(
    content: FittedContent, part: Part, descriptor: PartDescriptor, payload_bytes: int, *, sparse: bool
) -> list[Block]:
    """Return the blocks to program, ascending, each at most `payload_bytes` long and within one page.

    With `sparse`, blocks that hold only the erased value are left out, and so is what the image does not
    cover; without it, all of the part is written.
    """
    size = payload_bytes // part.word_bytes * part.word_bytes
    if descriptor.loop.kind is LoopKind.PAGE_WRITE and descriptor.page is not None:
        # The largest whole part of a page that fits, so that no block crosses into the next one.
        page_bytes = descriptor.page.words * part.word_bytes
        while page_bytes > size:
            page_bytes //= 2
        size = page_bytes
    ranges = (
        [(each.start_bytes, each.end_bytes) for each in content.ranges] if sparse else [(0, part.size_bytes)]
    )
    blank = bytes([part.blank_byte])
    blocks: list[Block] = []
    for start, end in ranges:
        at = start
        while at < end:
            upto = min(at - at % size + size, end)
            data = content.data[at:upto]
            if not sparse or data.count(blank) != len(data):
                blocks.append(Block(at // part.word_bytes, data))
            at = upto
    return blocks
