"""Frames: damaged ones, empty blocks, cuts and merges, the two forms of COBS (D1 to D4)."""

import zlib

from protocol.conformance import frames
from protocol.conformance.check import Failed, Level, NotApplicable, about, check
from protocol.conformance.desk import Desk
from protocol.wire import Kind, NakReason, Opcode

_HEAR = "Drop a damaged frame whole before anything else looks at it, and start anew after the next zero."


def _only_a_nak(desk: Desk, what: str) -> None:
    """Raise when what was sent had another effect than one NAK at most."""
    heard = desk.link.listen(desk.quiet_s)
    naks = [each for each in heard if each.kind is Kind.NAK]
    if len(naks) < len(heard):
        other = next(each for each in heard if each.kind is not Kind.NAK)
        words = frames.words_of(other.kind, other.number, other.session, other.content)
        raise Failed(f"nothing but a NAK for {what}", words, _HEAR, requirement="D1")
    if len(naks) > 1:
        raise Failed(f"one NAK at most for {what}", f"{len(naks)} NAKs", requirement="D15")
    if naks and (naks[0].number != desk.number or naks[0].content[2:3] != bytes((NakReason.DAMAGED,))):
        nak = naks[0]
        believed = nak.content[2:3] == bytes((NakReason.GAP,))
        raise Failed(
            f"NAK {desk.number}, reason 2, for {what}",
            frames.words_of(nak.kind, nak.number, nak.session, nak.content),
            "Its number was believed, though the frame is damaged." if believed else "",
            requirement="D1" if believed else "D15",
        )
    standing = desk.standing()
    if standing.expected != desk.number:
        raise Failed(f"{desk.number} expected after {what}", str(standing.expected), _HEAR, requirement="D1")


def _counted(desk: Desk, before: int, least: int) -> None:
    after = desk.stats().damaged
    if (after - before) % (1 << 32) < least:
        raise Failed(
            f"at least {least} more damaged frames in STATS",
            f"{after - before} more",
            "Count every frame that is dropped as damaged.",
            requirement="D1",
        )


@check("D1", "D15", level=Level.WIRE)
def any_bit_flipped(desk: Desk) -> None:
    """A request with one bit changed anywhere has no effect but a NAK, and is counted."""
    before = desk.stats().damaged
    content = bytes((Opcode.MEASURE, 0x55, 0xAA))
    sent = 0
    for place in range(3 + len(content) + 4):
        body = frames.body_of(Kind.REQUEST, desk.number, desk.session, content)
        bit = 1 << desk.random.randrange(8)
        spoilt = body[:place] + bytes((body[place] ^ bit,)) + body[place + 1 :]
        desk.link.send(frames.stuffed(spoilt))
        sent += 1
        _only_a_nak(desk, f"a frame with byte {place} changed")
        # The expected request re-arms the NAK, so that each damage shows.
        desk.ok(Opcode.MEASURE)
    _counted(desk, before, sent)


@check("D1", level=Level.WIRE)
def bad_stuffing(desk: Desk) -> None:
    """A COBS block whose code byte points behind its end is dropped."""
    before = desk.stats().damaged
    sound = desk.request_frame(Opcode.MEASURE, number=desk.number)
    for first in (0xF0, sound[0] + 1, 0xFF):
        desk.link.send(bytes((first,)) + sound[1:])
        _only_a_nak(desk, f"a block that begins with {first:02x}")
    _counted(desk, before, 3)


@check("D1", level=Level.WIRE)
def too_short(desk: Desk) -> None:
    """Blocks of fewer than 7 bytes are dropped, even with a CRC that is right."""
    before = desk.stats().damaged
    six = bytes((Kind.REQUEST << 5 | desk.number, desk.session & 0xFF))
    for body in (b"", six[:1], six):
        crc = zlib.crc32(body).to_bytes(4, "little")
        desk.link.send(frames.stuffed(body + crc))
        _only_a_nak(desk, f"a body of {len(body) + 4} bytes")
    for block in (b"\x01", b"\x02\x11", b"\x05\x11\x22\x33\x44"):
        desk.link.send(block + b"\0")
        _only_a_nak(desk, f"the block {block.hex(' ')}")
    _counted(desk, before, 6)


@check("D1", level=Level.WIRE)
def too_long(desk: Desk) -> None:
    """A block longer than any frame is dropped, and what follows its delimiter is heard."""
    before = desk.stats().damaged
    piece = b"\x7e" * 250
    for _ in range(20):
        desk.link.send(piece)
    desk.link.send(b"\0")
    desk.link.listen(desk.quiet_s)
    _only_a_nak(desk, "5000 bytes without a zero")
    _counted(desk, before, 1)


@check("D1", level=Level.WIRE)
def kinds_of_devices(desk: Desk) -> None:
    """Frames of kinds that only devices send are dropped."""
    before = desk.stats().damaged
    sent = 0
    for kind in Kind:
        if kind in (Kind.CONTROL, Kind.REQUEST):
            continue
        desk.link.send(frames.frame(kind, desk.number, desk.session, bytes((Opcode.MEASURE, 0, 0, 0))))
        sent += 1
        _only_a_nak(desk, f"a frame of kind {kind.name}")
    _counted(desk, before, sent)


@check("D1", level=Level.WIRE)
def without_opcode(desk: Desk) -> None:
    """CONTROL and REQUEST without an opcode are dropped."""
    before = desk.stats().damaged
    for kind in (Kind.CONTROL, Kind.REQUEST):
        desk.link.send(frames.frame(kind, desk.number, desk.session, b""))
        _only_a_nak(desk, f"{kind.name} without an opcode")
    _counted(desk, before, 2)


@check("D1", "D2", level=Level.WIRE)
def garbage_between(desk: Desk) -> None:
    """Random bytes between frames cost nothing but themselves."""
    for _ in range(8):
        noise = desk.random.randbytes(desk.random.randrange(1, 60))
        desk.link.send(noise + b"\0")
        _only_a_nak(desk, "random bytes")
        desk.ok(Opcode.MEASURE)


@check("D2", level=Level.WIRE)
def empty_blocks(desk: Desk) -> None:
    """Zeros between frames mean nothing: no NAK, nothing counted."""
    before = desk.stats().damaged
    desk.link.send(b"\0" * 9)
    desk.expect_silence("for nine zeros", look="Two zeros in a row hold no frame.")
    tag = desk.random.randrange(32)
    sound = frames.frame(Kind.CONTROL, tag, desk.session, bytes((Opcode.KEEPALIVE,)))
    desk.link.send(b"\0\0" + sound + b"\0\0")
    desk.reply(tag, Opcode.KEEPALIVE)
    after = desk.stats().damaged
    if after != before:
        raise Failed("no more damaged frames in STATS", f"{after - before} more")


@check("D3", level=Level.WIRE)
def cut_and_merged(desk: Desk) -> None:
    """Frames come whole, however their bytes are cut and merged."""
    for size in (1, 2, 5):
        number = desk.number
        sound = desk.request_frame(Opcode.MEASURE)
        for at in range(0, len(sound), size):
            desk.link.send(sound[at : at + size])
            desk.link.take(lambda _each: False, desk.link.now_s() + 0.002)
        with about("D3", "A frame ends at a zero and nowhere else, however long it takes to come."):
            desk.accepted(number)
        desk.result(number, Opcode.MEASURE)
    tags = [(desk.number + shift) % 32 for shift in range(3)]
    merged = b"".join(
        frames.frame(Kind.CONTROL, tag, desk.session, bytes((Opcode.KEEPALIVE,))) for tag in tags
    )
    desk.link.send(merged[:-4])
    desk.link.take(lambda _each: False, desk.link.now_s() + 0.02)
    desk.link.send(merged[-4:])
    with about("D3"):
        for tag in tags:
            desk.reply(tag, Opcode.KEEPALIVE)


@check("D4", level=Level.WIRE)
def both_forms_of_stuffing(desk: Desk) -> None:
    """A frame that ends in 254 bytes without a zero is taken in both forms of COBS."""
    if desk.told.max_payload + 16 < 252:
        raise NotApplicable("its frames are too short for a run of 254 bytes")
    for long in (False, True):
        body = _ending_in_254(desk)
        desk.link.send(frames.stuffed_long(body) if long else frames.stuffed(body))
        number, desk.number = desk.number, (desk.number + 1) % 32
        form = "with" if long else "without"
        try:
            desk.accepted(number)
        except Failed as failed:
            raise Failed(
                f"{failed.expected} for the form {form} the final 01", failed.seen,
                "A code byte of FF stands for 254 bytes and no zero after them; the block may end there.",
            ) from None  # fmt: skip
        desk.result(number, 0x7E)


def _ending_in_254(desk: Desk) -> bytes:
    """Return a request with an opcode that nobody knows, whose last 254 bytes hold no zero."""
    while True:
        # Opcode, a zero, then 250 bytes and the CRC's four.
        fill = bytes(desk.random.randrange(1, 256) for _ in range(250))
        body = frames.body_of(Kind.REQUEST, desk.number, desk.session, bytes((0x7E, 0)) + fill)
        if 0 not in body[-4:]:
            return body


@check("D1", "D4", level=Level.WIRE)
def its_own_frames(desk: Desk) -> None:
    """Every frame from the device is sound."""
    for _ in range(40):
        desk.stats()
        desk.standing()
    if desk.link.damaged:
        raise Failed(
            "frames with a right CRC in right COBS", frames.hex_words(desk.link.damaged[0]),
            "vectors.json has the CRC and COBS of many frames, with a run of 254 bytes among them.",
        )  # fmt: skip
