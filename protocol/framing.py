"""Frames: COBS between 0x00 delimiters, a three-byte header, CRC-32 at the end (`SPEC.md` section 2).

COBS: S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on
Networking 7(2), 1999.
CRC-32: CRC-32/ISO-HDLC, the one of zlib.
"""

import zlib
from dataclasses import dataclass

from cobs import cobs

from protocol.wire import NUMBER_SPACE, PAYLOAD_MAX, Kind

DELIMITER = b"\x00"
HEADER_BYTES = 3
SESSION_MAX = 0xFFFF
CRC_BYTES = 4
#: The largest content that any frame carries: a full payload and the arguments in front of it.
CONTENT_MAX = PAYLOAD_MAX + 32
BODY_MAX = HEADER_BYTES + CONTENT_MAX + CRC_BYTES
#: COBS adds one byte, and one more for each full 254.
ENCODED_MAX = BODY_MAX + 1 + BODY_MAX // 254


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame: `number` is a sequence number or a tag (0 to 31), `session` 0 to 65535."""

    kind: Kind
    number: int
    session: int
    content: bytes


def encode_frame(frame: Frame) -> bytes:
    """Return the frame's bytes on the wire, with the delimiter after it.

    Raises ValueError for a number, session or content outside the limits: our own mistake, never the peer's.
    """
    inside = 0 <= frame.number < NUMBER_SPACE and 0 <= frame.session <= SESSION_MAX
    if not inside or len(frame.content) > CONTENT_MAX:
        raise ValueError(
            f"frame outside the limits: number {frame.number}, session {frame.session}, "
            f"{len(frame.content)} bytes"
        )
    head = bytes((frame.kind << 5 | frame.number,)) + frame.session.to_bytes(2, "little")
    body = head + frame.content
    encoded: bytes = cobs.encode(body + zlib.crc32(body).to_bytes(CRC_BYTES, "little"))
    return encoded + DELIMITER


def decode_body(encoded: bytes) -> Frame | None:
    """Return the frame in one COBS block without its delimiter, or None if it is damaged."""
    try:
        body: bytes = cobs.decode(encoded)
    except cobs.DecodeError:
        return None
    if len(body) < HEADER_BYTES + CRC_BYTES or len(body) > BODY_MAX:
        return None
    if zlib.crc32(body[:-CRC_BYTES]) != int.from_bytes(body[-CRC_BYTES:], "little"):
        return None
    return Frame(Kind(body[0] >> 5), body[0] & 31, body[1] | body[2] << 8, body[HEADER_BYTES:-CRC_BYTES])


class FrameReader:
    """Turns received bytes, however they are cut, into frames. Memory is bounded by `ENCODED_MAX`.

    Two delimiters in a row are legal and mean nothing; everything between delimiters that is no frame counts
    once in `damaged`.
    """

    def __init__(self) -> None:
        self.damaged = 0
        self._partial = bytearray()
        self._skipping = False

    def feed(self, data: bytes) -> list[Frame | None]:
        """Return what `data` completed, in order; None stands for one damaged frame."""
        found: list[Frame | None] = []
        *blocks, rest = data.split(DELIMITER)
        for block in blocks:
            whole = bytes(self._partial) + block if self._partial else block
            self._partial.clear()
            if self._skipping or len(whole) > ENCODED_MAX:
                self._skipping = False
                found.append(None)
            elif whole:
                found.append(decode_body(whole))
        if not self._skipping:
            self._partial += rest
            if len(self._partial) > ENCODED_MAX:
                self._partial.clear()
                self._skipping = True
        self.damaged += found.count(None)
        return found
