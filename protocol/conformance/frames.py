"""Frames as this kit makes and reads them, sound or damaged on purpose, and what they say in words."""

import zlib
from dataclasses import dataclass

from cobs import cobs

from protocol.wire import EventCode, Fault, Kind, NakReason, Opcode, Status

_HEADER_BYTES = 3
_CRC_BYTES = 4
_SHOWN_BYTES = 40


@dataclass(frozen=True, slots=True)
class Seen:
    """A sound frame from the device: when its delimiter was read, its parts, and its block on the wire."""

    at_s: float
    kind: Kind
    number: int
    session: int
    content: bytes
    block: bytes


@dataclass(frozen=True, slots=True)
class Answer:
    """What a RESULT or REPLY says. `status` is the bare number: a device may send one that nobody knows."""

    opcode: int
    status: int
    faults: int
    detail: bytes
    at_s: float


def body_of(kind: int, number: int, session: int, content: bytes) -> bytes:
    """Return a frame's body with its CRC, before byte stuffing."""
    body = bytes((kind << 5 | number,)) + session.to_bytes(2, "little") + content
    return body + zlib.crc32(body).to_bytes(_CRC_BYTES, "little")


def stuffed(body: bytes) -> bytes:
    """Return any body as a block with its delimiter, whatever its CRC."""
    block: bytes = cobs.encode(body)
    return block + b"\0"


def frame(kind: int, number: int, session: int, content: bytes) -> bytes:
    """Return a sound frame as it goes over the wire."""
    return stuffed(body_of(kind, number, session, content))


def stuffed_long(body: bytes) -> bytes:
    """Return a body that ends in 254 bytes without a zero in COBS's longer form (D4).

    Raises ValueError for any other body: it has only one form.
    """
    tail = body.rsplit(b"\0", 1)[-1]
    if not tail or len(tail) % 254:
        raise ValueError("the body does not end in a multiple of 254 bytes without a zero")
    return stuffed(body)[:-1] + b"\x01\0"


def read_block(block: bytes, at_s: float) -> Seen | None:
    """Return the frame in one block, None when it is damaged."""
    try:
        body: bytes = cobs.decode(block)
    except cobs.DecodeError:
        return None
    if len(body) < _HEADER_BYTES + _CRC_BYTES:
        return None
    inside, crc = body[:-_CRC_BYTES], int.from_bytes(body[-_CRC_BYTES:], "little")
    if zlib.crc32(inside) != crc:
        return None
    return Seen(at_s, Kind(body[0] >> 5), body[0] & 31, body[1] | body[2] << 8, inside[_HEADER_BYTES:], block)


def read_answer(seen: Seen) -> Answer | None:
    """Return what a RESULT or REPLY says, None when it is cut short."""
    if len(seen.content) < 4:
        return None
    opcode, status = seen.content[0], seen.content[1]
    return Answer(opcode, status, int.from_bytes(seen.content[2:4], "little"), seen.content[4:], seen.at_s)


def named(kind: type[Opcode] | type[Status] | type[NakReason] | type[EventCode], value: int) -> str:
    """Return a number's name in the tables of the wire, or the number."""
    try:
        return kind(value).name
    except ValueError:
        return f"0x{value:02X}"


def fault_words(faults: int) -> str:
    """Return latched faults by name; "" for none."""
    names = [each.name or "" for each in Fault if each and each & faults]
    rest = faults & ~sum(int(each) for each in Fault)
    return " and ".join([*names, *([f"0x{rest:04X}"] if rest else [])])


def words_of(kind: int, number: int, session: int, content: bytes) -> str:
    """Return what a frame says, for people."""
    told = f"{Kind(kind).name} {number} of session {session}"
    match Kind(kind):
        case Kind.CONTROL | Kind.REQUEST:
            return f"{told}: {named(Opcode, content[0]) if content else 'no opcode'}"
        case Kind.ACCEPT:
            return f"{told}{_with_faults(content)}"
        case Kind.NAK:
            reason = named(NakReason, content[2]) if len(content) > 2 else "no reason"
            return f"{told}: {reason}{_with_faults(content)}"
        case Kind.DATA:
            return f"{told}: block {int.from_bytes(content[:2], 'little')}, {max(0, len(content) - 2)} bytes"
        case Kind.EVENT:
            event = named(EventCode, content[0]) if content else "nothing"
            return f"{told}: {event}{_with_faults(content[1:])}"
        case _:
            if len(content) < 4:
                return f"{told}: cut short"
            outcome = f"{named(Opcode, content[0])} {named(Status, content[1])}"
            return f"{told}: {outcome}{_with_faults(content[2:])}"


def _with_faults(content: bytes) -> str:
    faults = int.from_bytes(content[:2], "little")
    return f", latched {fault_words(faults)}" if faults else ""


def hex_words(data: bytes) -> str:
    """Return bytes in hexadecimal; of a long run the beginning."""
    shown = data[:_SHOWN_BYTES].hex(" ")
    return shown if len(data) <= _SHOWN_BYTES else f"{shown} ... {len(data)} bytes in all"


def block_words(block: bytes) -> str:
    """Return what a block on the wire (without its delimiter) says, for people."""
    seen = read_block(block, 0.0)
    if seen is None:
        return "damaged or no frame"
    return words_of(seen.kind, seen.number, seen.session, seen.content)
