"""Operations that only look at the socket: READ, BLANK, DIGEST, CONTACT, IDENTIFY."""

import zlib
from collections.abc import Generator

import numpy as np

from protocol.descriptor import LoopKind, SequenceId, Signature, SignatureMethod
from protocol.device import DeviceLink, Outcome
from protocol.messages import (
    BlankResult,
    ContactResult,
    DigestResult,
    IdentifyResult,
    Nothing,
    Range,
    Read,
    ReadResult,
)
from protocol.wire import NONE_U32, Capability, Mode, Status
from simulator.programmer.board import Board
from simulator.programmer.commands import run_sequence
from simulator.programmer.ports import Addresses, Words
from simulator.programmer.power import discharge_id
from simulator.programmer.steps import WHEN_DRAINED, Steps

#: How many words BLANK and DIGEST sense at a time: an ABORT need not wait for them.
_CHUNK_WORDS = 4096
#: Time that the pin check takes for each socket pin (ours).
_CONTACT_S = 0.0001
_BLOCKS_MAX = 0xFFFF
#: A READ or its like must not pulse or lift a pin to the ID voltage, whatever mode it names.
_SENSING = frozenset({Mode.READ, Mode.VERIFY})


def addresses_of(address: int, count: int) -> Addresses:
    """Return `count` addresses from `address` on."""
    return np.arange(address, address + count, dtype=np.uint32)


def bytes_of(words: Words, width_bits: int) -> bytes:
    """Return the bytes of words, the low byte of each first."""
    return words.astype("u1" if width_bits == 8 else "<u2").tobytes()


def range_refused(board: Board, request: Read | Range) -> Status | None:
    """Return why a range cannot be sensed as asked (D28), None when it can."""
    if request.mode not in _SENSING or request.mode not in board.part.modes:
        return Status.CANNOT
    if request.vcc_mv != board.vcc_mv:
        return Status.SUPPLY_NOT_SET
    return outside(board, request.address, request.count)


def outside(board: Board, address: int, count: int) -> Status | None:
    """Return OUT_OF_RANGE for no words, or some that the part does not have."""
    fits = count > 0 and address + count <= board.part.geometry.size_words
    return None if fits else Status.OUT_OF_RANGE


def read(board: Board, link: DeviceLink, request: Read) -> Steps:
    """Stream a range as DATA, no faster than it is taken from the link."""
    width_bits = board.part.geometry.width_bits
    block_words, rest = divmod(request.block_bytes, width_bits // 8)
    refusal = range_refused(board, request)
    if refusal is not None:
        return Outcome(refusal)
    blocks = -(-request.count // block_words) if block_words else 0
    if rest or not 0 < blocks <= _BLOCKS_MAX or request.block_bytes > link.limits.max_payload:
        return Outcome(Status.OUT_OF_RANGE)
    chunk_words = block_words * max(1, board.profile.tx_bytes // request.block_bytes)
    crc = 0
    block = 0
    for words in sensed(board, request, chunk_words):
        yield board.now_s + len(words) * board.read_s
        data = bytes_of(words, width_bits)
        crc = zlib.crc32(data, crc)
        for at in range(0, len(data), request.block_bytes):
            link.send_data(block, data[at : at + request.block_bytes])
            block += 1
        while link.pending_bytes >= board.profile.tx_bytes:
            yield WHEN_DRAINED
    board.looked = True
    return Outcome(Status.OK, ReadResult(request.count, crc))


def blank(board: Board, _link: DeviceLink, request: Range) -> Steps:
    """Count the bits that are not as erased."""
    refusal = range_refused(board, request)
    if refusal is not None:
        return Outcome(refusal)
    erased = np.uint16(board.part.geometry.blank_word)
    bits, first_address, got = 0, NONE_U32, 0
    address = request.address
    for words in sensed(board, request, _CHUNK_WORDS):
        yield board.now_s + len(words) * board.read_s
        differing = words ^ erased
        found = np.flatnonzero(differing)
        if found.size:
            bits += int(np.bitwise_count(differing).sum())
            if first_address == NONE_U32:
                first_address, got = address + int(found[0]), int(words[found[0]])
        address += len(words)
    board.looked = True
    return Outcome(Status.OK, BlankResult(bits, first_address, got))


def digest(board: Board, _link: DeviceLink, request: Range) -> Steps:
    """Compute the CRC-32 of a range."""
    if Capability.DIGEST not in board.profile.identity.capabilities:
        return Outcome(Status.CANNOT)
    refusal = range_refused(board, request)
    if refusal is not None:
        return Outcome(refusal)
    crc = 0
    for words in sensed(board, request, _CHUNK_WORDS):
        yield board.now_s + len(words) * board.read_s
        crc = zlib.crc32(bytes_of(words, board.part.geometry.width_bits), crc)
    board.looked = True
    return Outcome(Status.OK, DigestResult(crc))


def sensed(board: Board, request: Read | Range, chunk_words: int) -> Generator[Words, None, None]:
    """Yield the words of a range, sensed chunk by chunk as the caller comes back for them."""
    for at in range(0, request.count, chunk_words):
        count = min(chunk_words, request.count - at)
        begun_s, before = board.now_s, at

        def progress(now_s: float, begun_s: float = begun_s, before: int = before, most: int = count) -> int:
            return before + max(0, min(most, int((now_s - begun_s) / board.read_s)))

        board.progress = progress
        rails = board.rails(request.mode)
        yield board.bus.read(request.mode, addresses_of(request.address + at, count), rails)


def contact(board: Board, _link: DeviceLink, _request: Nothing) -> Steps:
    """Check the pins without power."""
    if Capability.CONTACT not in board.profile.identity.capabilities:
        return Outcome(Status.CANNOT)
    states = board.socket.contact(board.part.ground_pins)
    yield board.now_s + _CONTACT_S * len(states)
    nibbles = sum(int(state) << 4 * place for place, state in enumerate(states))
    packed = nibbles.to_bytes((len(states) + 1) // 2, "little")
    return Outcome(Status.OK, ContactResult(len(states), packed))


def identify(board: Board, _link: DeviceLink, _request: Nothing) -> Steps:
    """Read maker and device code by the method that the descriptor names."""
    signature = board.part.signature
    if signature is None or signature.method is SignatureMethod.NONE:
        return Outcome(Status.CANNOT)
    if signature.method is SignatureMethod.ID_VOLTAGE:
        return (yield from _identify_by_voltage(board, signature))
    if not {SequenceId.ID_ENTER, SequenceId.ID_EXIT} <= board.part.sequences.keys():
        return Outcome(Status.CANNOT)
    yield from run_sequence(board, SequenceId.ID_ENTER)
    yield board.now_s + _id_pause_s(board)
    words = board.bus.read(Mode.READ, _signature_addresses(signature), board.rails(Mode.READ))
    yield board.now_s + 2 * board.read_s
    yield from run_sequence(board, SequenceId.ID_EXIT)
    yield board.now_s + _id_pause_s(board)
    return Outcome(Status.OK, IdentifyResult(int(words[0]), int(words[1])))


def _id_pause_s(board: Board) -> float:
    """Return how long a part takes an ID command in: one that is written by pages as long as a page."""
    page = board.part.page
    by_pages = page is not None and board.part.loop.kind is LoopKind.PAGE_WRITE
    return page.cycle_us / 1e6 if page is not None and by_pages else 0.0


def _identify_by_voltage(board: Board, signature: Signature) -> Steps:
    asked, own = board.part.supplies, board.profile.identity.id
    if not board.looked:
        return Outcome(Status.WRONG_STATE)
    if asked.id_mv + own.tolerance_mv > asked.id_max_mv:
        return Outcome(Status.LIMIT)
    board.supplies.id.set_mv(asked.id_mv, board.now_s)
    yield board.now_s + board.settle_s
    words = board.bus.read(Mode.SIGNATURE, _signature_addresses(signature), board.rails(Mode.SIGNATURE))
    yield board.now_s + 2 * board.read_s
    yield from discharge_id(board)
    return Outcome(Status.OK, IdentifyResult(int(words[0]), int(words[1])))


def _signature_addresses(signature: Signature) -> Addresses:
    return np.array([signature.maker_address, signature.device_address], dtype=np.uint32)
