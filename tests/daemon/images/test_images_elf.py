"""ELF files: linked by binutils, compared with what objcopy takes out of them; and damaged ones."""

import contextlib
import struct
from collections.abc import Callable

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.errors import BenchError, Code
from daemon.images import Image, ImageFormat, dump, load

Link = Callable[[str, bytes], bytes]
CONTENT = bytes(range(256)) * 3 + b"end"
ONE = "SECTIONS { .rom 0x8000 : { *(.data) } }"
APART = """
MEMORY { rom (rx) : ORIGIN = 0x1000, LENGTH = 64K
         ram (rw) : ORIGIN = 0x20000000, LENGTH = 64K }
SECTIONS {
  .vectors : { LONG(0x12345678) LONG(0x9ABCDEF0) } > rom
  .later 0x4000 : { *(.data) } > rom
  .start : { LONG(0x11223344) } > ram AT > rom
  .bss (NOLOAD) : { . = . + 64; } > ram
}"""


def test_content_and_address_are_those_that_objcopy_takes(objcopy: Callable[..., bytes], link: Link) -> None:
    elf = link(ONE, CONTENT)
    loaded = load(elf)
    assert loaded.format is ImageFormat.ELF
    assert "ELF" in loaded.reason
    assert loaded.image.lowest == 0x8000
    assert dump(loaded.image, ImageFormat.RAW) == objcopy(elf, "-O", "binary") == CONTENT


def test_sections_apart_lie_at_their_load_addresses(objcopy: Callable[..., bytes], link: Link) -> None:
    # .start runs at 0x20000000 and is loaded behind .later: an image for a chip has it there.
    elf = link(APART, CONTENT)
    image = load(elf).image
    assert image == load(objcopy(elf, "-O", "ihex")).image
    assert image.lowest == 0x1000
    assert image.segments[0].data == struct.pack("<II", 0x12345678, 0x9ABCDEF0)
    assert image.segments[1].start_bytes == 0x4000
    assert image.segments[1].data.startswith(CONTENT)


def refused(data: bytes, code: Code, **options: int) -> BenchError:
    with pytest.raises(BenchError) as caught:
        load(data, format=ImageFormat.ELF, **options)
    assert caught.value.code is code
    assert caught.value.hint
    return caught.value


def test_what_cannot_be_used_is_refused(objcopy: Callable[..., bytes], link: Link) -> None:
    elf = link(ONE, CONTENT)
    refused(b"\x7fELF\x02", Code.IMAGE_FORMAT)
    refused(b"no ELF at all", Code.IMAGE_FORMAT)
    refused(elf[:200], Code.IMAGE_FORMAT)
    assert "object" in refused(objcopy(CONTENT, "-I", "binary", "-O", "elf32-little"), Code.IMAGE_EMPTY).hint
    far = "SECTIONS { .low 0 : { LONG(1) } .high 0x8000000 : { *(.data) } }"
    assert ".high" in refused(link(far, CONTENT), Code.IMAGE_SPAN).message
    assert "64" in refused(elf, Code.IMAGE_SPAN, max_span_bytes=64).message


def test_a_section_longer_than_the_file_is_refused(link: Link) -> None:
    elf = bytearray(link(ONE, CONTENT))
    # e_shoff of a 64-bit header at 0x28 (TIS ELF specification); section 1 is .rom, its sh_size at 0x20.
    assert elf[4] == 2, "the linker of this machine makes 64-bit files"
    (headers,) = struct.unpack_from("<Q", elf, 0x28)
    struct.pack_into("<Q", elf, headers + 64 + 0x20, 1 << 40)
    assert ".rom" in refused(bytes(elf), Code.IMAGE_FORMAT).message


def test_sections_that_claim_one_address_are_refused(link: Link) -> None:
    script = "SECTIONS { .one 0x100 : { *(.data) } .two 0x8000 : AT(0x9000) { LONG(1) } }"
    elf = bytearray(link(script, CONTENT))
    # In a 64-bit header e_phoff is at 0x20, e_phnum at 0x38; a segment has 56 bytes, its p_paddr at 0x18.
    (headers,) = struct.unpack_from("<Q", elf, 0x20)
    (count,) = struct.unpack_from("<H", elf, 0x38)
    places = [headers + 56 * index + 0x18 for index in range(count)]
    (two,) = [at for at in places if struct.unpack_from("<Q", elf, at)[0] == 0x9000]
    struct.pack_into("<Q", elf, two, 0x140)
    error = refused(bytes(elf), Code.IMAGE_OVERLAP)
    assert ".one" in error.message
    assert "0x140" in error.message


def test_elf_files_are_not_written() -> None:
    with pytest.raises(BenchError) as caught:
        dump(Image.raw(b"x"), ImageFormat.ELF)
    assert caught.value.code is Code.IMAGE_FORMAT


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)
@given(changes=st.lists(st.tuples(st.integers(0, 1 << 16), st.integers(0, 255)), min_size=1, max_size=8))
def test_damaged_files_raise_nothing_else(link: Link, changes: list[tuple[int, int]]) -> None:
    global _elf
    if not _elf:
        _elf = link(APART, CONTENT)
    damaged = bytearray(_elf)
    for at, value in changes:
        # Headers stand at both ends of the file; damage to the content in between is no damage to them.
        place = at % 256 if at % 2 else len(damaged) - 1 - at % 1024
        damaged[place] = value
    with contextlib.suppress(BenchError):
        load(bytes(damaged), format=ImageFormat.ELF)


_elf = b""
