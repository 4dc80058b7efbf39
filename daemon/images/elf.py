"""Reading ELF files: what a linker made, as the bytes that go into memory and their load addresses.

The library walks sections within loadable segments, and takes them at the segment's physical address: there
content lies before a start-up routine copies it (TIS Portable Formats Specification 1.1, part 1). It
believes what headers say, so the headers are looked over first.
"""

import io
from itertools import pairwise
from typing import Any, NamedTuple

from daemon.errors import BenchError, Code
from daemon.images.model import ADDRESS_LIMIT, Segment

ELF_MARK = b"\x7fELF"

_HEADER_PAIRS_MAX = 100_000
"""Most segments x sections looked at: linked programs for small memories have a few hundred."""

_ALLOCATED = 2  # SHF_ALLOC


class _Section(NamedTuple):
    address: int
    size: int
    offset: int
    name: str


def elf_segments(data: bytes, max_span_bytes: int) -> tuple[list[Segment], list[str]]:
    """Return the content of an ELF file by load address, and warnings.

    Raises BenchError: `image-format` for a file that is damaged or not linked, `image-empty` for one without
    content, `image-span` and `image-overlap` naming the sections.
    """
    sections = sorted(_look_over(data))
    if not sections:
        raise BenchError(
            Code.IMAGE_EMPTY,
            "The ELF file has no loadable sections: there is nothing to program.",
            hint="Use the linked program with its section headers; object files have nothing loadable.",
        )
    _refuse_overlaps(sections)
    first, end = sections[0].address, max(each.address + each.size for each in sections)
    if end > ADDRESS_LIMIT or end - first > max_span_bytes:
        far = sections[-1]
        raise BenchError(
            Code.IMAGE_SPAN,
            f"The sections span {end - first:,} bytes, from {first:#x} to {end - 1:#x} (section {far.name});"
            f" the limit is {max_span_bytes:,}.",
            hint="Link the parts for each chip by themselves, or write them as separate raw files.",
            details={"lowest": first, "end": end, "limit_bytes": max_span_bytes},
        )
    return _read(data), []


def _look_over(data: bytes) -> list[_Section]:
    """Return the sections that will be taken, checked against the file."""
    from elftools.elf.elffile import ELFFile  # late: it costs 0.1 s

    try:
        return _sections_of(ELFFile(io.BytesIO(data)), len(data))
    except BenchError:
        raise
    except Exception as error:
        raise _damaged("its headers cannot be read") from error  # a parser may raise anything on damage


def _sections_of(elf: Any, file_bytes: int) -> list[_Section]:
    if elf.num_segments() * elf.num_sections() > _HEADER_PAIRS_MAX:
        raise _damaged(f"it claims {elf.num_segments():,} segments and {elf.num_sections():,} sections")
    sections = list(elf.iter_sections())
    found = []
    for segment in elf.iter_segments(type="PT_LOAD"):
        start, end = segment["p_offset"], segment["p_offset"] + segment["p_filesz"]
        for section in sections:
            offset, size = section["sh_offset"], section["sh_size"]
            if not size or not start <= offset < end or section["sh_type"] == "SHT_NOBITS":
                continue
            if not section["sh_flags"] & _ALLOCATED:
                continue
            if offset + size > file_bytes:
                raise _damaged(f"section {section.name} ends at byte {offset + size:,} of {file_bytes:,}")
            found.append(_Section(segment["p_paddr"] + offset - start, size, offset, section.name))
    return found


def _refuse_overlaps(sections: list[_Section]) -> None:
    for one, other in pairwise(sections):
        if other.address < one.address + one.size:
            raise BenchError(
                Code.IMAGE_OVERLAP,
                f"Sections {one.name} and {other.name} both claim address {other.address:#x}.",
                hint="Give them different load addresses where the program is linked.",
                details={"address": other.address},
            )


def _read(data: bytes) -> list[Segment]:
    import bincopy

    file = bincopy.BinFile()
    file.add_elf(data)
    return [Segment(each.minimum_address, bytes(each.data)) for each in file.segments]


def _damaged(why: str) -> BenchError:
    return BenchError(
        Code.IMAGE_FORMAT,
        f"The ELF file is not usable: {why}.",
        hint="Link it again, or write it as Intel HEX.",
    )
