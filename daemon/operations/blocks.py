"""Cutting content into blocks that one PROGRAM request carries."""

from daemon.catalogue.model import Part
from daemon.catalogue.terms import Kind, Semantics
from daemon.errors import BenchError, Code
from daemon.images.fit import FittedContent
from daemon.operations.socketed import Block
from protocol.descriptor import LoopKind, PartDescriptor


def is_sparse(part: Part) -> bool:
    """Tell whether what an image leaves blank need not be written.

    Padding equals the erased state on a part that only clears bits, and was erased on one that is erased
    first; on a part that replaces bytes, old content could show through.
    """
    return part.write is not None and part.write.semantics is not Semantics.OVERWRITE


def blocks_of(
    content: FittedContent, part: Part, descriptor: PartDescriptor, payload_bytes: int, *, sparse: bool
) -> list[Block]:
    """Return the blocks to program, ascending, each at most `payload_bytes` long and within one page.

    With `sparse`, blocks that hold only the erased value are left out, and so is what the image does not
    cover; without it, all of the part is written. Raises BenchError `programmer-cannot` for flash with larger
    pages than one request carries: it erases all of a page with each write to it.
    """
    size = payload_bytes // part.word_bytes * part.word_bytes
    if descriptor.loop.kind is LoopKind.PAGE_WRITE and descriptor.page is not None:
        page_bytes = descriptor.page.words * part.word_bytes
        if page_bytes > size and part.kind is Kind.FLASH:
            raise BenchError(
                Code.PROGRAMMER_CANNOT,
                f"{part.name} is written by pages of {page_bytes} bytes; the programmer takes {size} at once",
                hint="Use a programmer with more memory.",
                field="part",
            )
        # The largest whole part of a page that fits, so that no block crosses into the next one.
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
