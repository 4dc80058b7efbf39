"""Steps that change values: patches, checksums, serial numbers, and data lines out of order."""

from dataclasses import replace

import numpy as np

from daemon.images.content import Bytes, Content, Origin, StepFault
from daemon.images.crc import Crc, crc_named, crc_of
from daemon.images.moving_steps import ReorderDataLines
from daemon.images.value_steps import (
    CHECKSUM_BYTES,
    CRC_WIDTHS,
    DEFAULT_CRCS,
    Checksum,
    ChecksumKind,
    CrcTable,
    OwnBytes,
    Patch,
    PatchEach,
    Serial,
    SerialForm,
)
from daemon.images.values import spelled

_OWN_VALUE = {OwnBytes.ZERO: 0, OwnBytes.BLANK: 0xFF}
_COMPLEMENTS = (ChecksumKind.TWOS_COMPLEMENT_8, ChecksumKind.TWOS_COMPLEMENT_16)


def patched(step: Patch, content: Content) -> Content:
    """Write the patch. Raises StepFault outside the content, or where `was` is not what is there."""
    _inside("offset_bytes", step.offset_bytes, len(step.write), len(content))
    if step.was is not None:
        there = content.data[step.offset_bytes : step.offset_bytes + len(step.was)].tobytes()
        if there != step.was:
            raise StepFault(
                "was",
                f"at {step.offset_bytes:#x} stands '{spelled(there)}', not '{spelled(step.was)}'",
                "Check that it is the right file; leave `was` out to patch whatever is there.",
            )
    return written(content, step.offset_bytes, step.write)


def written(content: Content, offset: int, field: bytes) -> Content:
    """Return the content with a field of made-up bytes in it."""
    data = content.data.copy()
    data[offset : offset + len(field)] = np.frombuffer(field, dtype=np.uint8)
    origin = None
    if content.origin is not None:
        origin = content.origin.copy()
        origin[offset : offset + len(field)] = Origin.MADE
    return Content(data, origin)


def patched_each(step: PatchEach, content: Content, copy: int) -> Content:
    """Write what copy `copy`, counted from 0, has of its own. Raises StepFault when none is listed for it."""
    _inside("offset_bytes", step.offset_bytes, step.length_bytes, len(content))
    if copy >= len(step.writes):
        raise StepFault(
            "writes",
            f"lists bytes for {len(step.writes)} copies; this is copy {copy + 1}",
            "Add what the others get, or make fewer copies.",
        )
    return written(content, step.offset_bytes, step.writes[copy])


# Serial numbers


def numbered(step: Serial, content: Content, copy: int) -> Content:
    """Write the serial number of copy `copy`, counted from 0."""
    _inside("offset_bytes", step.offset_bytes, step.length_bytes, len(content))
    number = step.start + copy * step.step
    if number > step.largest:
        most = (step.largest - step.start) // step.step + 1
        raise StepFault(
            "length_bytes",
            f"copy {copy + 1} would get number {number}; {step.length_bytes} bytes ({step.form})"
            f" hold {step.largest}",
            f"At most {most} copies are accepted, or a longer field.",
        )
    return written(content, step.offset_bytes, serial_field(step, number))


def serial_field(step: Serial, number: int) -> bytes:
    """Return the bytes of a serial number."""
    length = step.length_bytes
    match step.form:
        case SerialForm.LITTLE:
            field = number.to_bytes(length, "little")
        case SerialForm.BIG:
            field = number.to_bytes(length, "big")
        case SerialForm.DECIMAL:
            field = f"{number:0{length}d}".encode("ascii")
        case SerialForm.HEX:
            field = f"{number:0{length}X}".encode("ascii")
        case SerialForm.BCD:
            field = bytes.fromhex(f"{number:0{2 * length}d}")
    return field


# Checksums


def checked(step: Checksum, content: Content) -> Content:
    """Work the checksum out and write it into its field."""
    size, width = len(content), CHECKSUM_BYTES[step.kind]
    _inside("offset_bytes", step.offset_bytes, width, size)
    length = size - step.start_bytes if step.length_bytes is None else step.length_bytes
    if length <= 0:
        _inside("start_bytes", step.start_bytes, 1, size)
    _inside("length_bytes" if step.length_bytes else "start_bytes", step.start_bytes, length, size)
    end = step.start_bytes + length
    value = _value(step, _counted(step, content.data, end, width))
    return written(content, step.offset_bytes, value.to_bytes(width, step.byte_order.value))


def _counted(step: Checksum, data: Bytes, end: int, width: int) -> Bytes:
    """Return the bytes that the checksum is of."""
    start = step.start_bytes
    first, last = max(step.offset_bytes, start), min(step.offset_bytes + width, end)
    if first >= last:
        return data[start:end]
    if step.own_bytes is OwnBytes.SKIP:
        if step.unit_bytes == 2 and (first - start) % 2:
            raise StepFault(
                "own_bytes",
                f"the field at {step.offset_bytes:#x} begins in the middle of a word",
                'An offset an even number of bytes from start_bytes is accepted, or own_bytes = "zero".',
            )
        return np.concatenate([data[start:first], data[last:end]])
    counted = data[start:end].copy()
    counted[first - start : last - start] = _OWN_VALUE[step.own_bytes]
    return counted


def _value(step: Checksum, data: Bytes) -> int:
    bits = 8 * CHECKSUM_BYTES[step.kind]
    if step.kind in CRC_WIDTHS:
        return crc_of(data.tobytes(), _crc(step))
    if step.unit_bytes == 2:
        if len(data) % 2:
            raise StepFault(
                "length_bytes",
                f"{len(data):,} bytes are no whole number of 16-bit words",
                "Choose an even length, or unit_bytes = 1.",
            )
        units = np.ascontiguousarray(data).view("<u2" if step.byte_order.value == "little" else ">u2")
        total = int(units.sum(dtype=np.uint64))
    else:
        total = int(data.sum(dtype=np.uint64))
    signed = -total if step.kind in _COMPLEMENTS else total
    return signed & ((1 << bits) - 1)


def _crc(step: Checksum) -> Crc:
    width = CRC_WIDTHS[step.kind]
    if isinstance(step.crc, CrcTable):
        table = step.crc
        return Crc(
            width, table.polynomial, table.initial, table.reflect_in, table.reflect_out, table.final_xor
        )
    return crc_named(width, step.crc or DEFAULT_CRCS[step.kind])


# Data lines


def rewired(step: ReorderDataLines, content: Content) -> Content:
    """Put the bits of each word where the chip has them."""
    return replace(
        content, data=permute_bits(content.data, step.resolved(8 * step.word_bytes), step.word_bytes)
    )


def restored_lines(step: ReorderDataLines, data: Bytes) -> Bytes:
    """Undo `rewired`."""
    order = step.resolved(8 * step.word_bytes)
    inverse = tuple(order.index(bit) for bit in range(len(order)))
    return permute_bits(data, inverse, step.word_bytes)


def permute_bits(data: Bytes, order: tuple[int, ...], word_bytes: int) -> Bytes:
    """Return words in which bit i is bit `order[i]` of the word before; low byte first."""
    if len(data) % word_bytes:
        raise StepFault(
            "do",
            f"{len(data):,} bytes are no whole number of {word_bytes}-byte words",
            "An even number of bytes is accepted.",
        )
    kind = np.dtype("<u2") if word_bytes == 2 else np.dtype(np.uint8)
    every = np.arange(1 << 8 * word_bytes, dtype=np.uint32)
    table = np.zeros_like(every)
    for bit, source in enumerate(order):
        table |= (every >> np.uint32(source) & np.uint32(1)) << np.uint32(bit)
    words = np.ascontiguousarray(data).view(kind)
    moved: Bytes = table.astype(kind)[words].view(np.uint8)
    return moved


def _inside(field: str, offset: int, length: int, size: int) -> None:
    """Refuse a field that does not lie within the content."""
    if offset + length > size:
        last = f"0x0 to {size - length:#x}" if size >= length else "no offset"
        raise StepFault(
            field,
            f"{length:,} bytes at {offset:#x} pass the end: there are {size:,} bytes, 0x0 to {size - 1:#x}",
            f"For {length:,} bytes {last} is accepted as offset.",
        )
