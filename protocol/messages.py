"""The message table of the wire: every content, its fields, and what must hold before the device acts.

Codec, device checks and the appendix of `SPEC.md` all derive from here.
"""

from dataclasses import dataclass, field
from enum import Flag, auto
from typing import Annotated, Any

from protocol.fields import U8, U16, U32, Rest, Scalar
from protocol.wire import (
    EraseScope,
    EventCode,
    Fault,
    Mode,
    NakReason,
    Opcode,
    Pass,
    Status,
    SupplyAction,
)

FaultBits = Annotated[Fault, Scalar(2)]
StatusByte = Annotated[Status, Scalar(1)]
#: Replies and results name the opcode that they answer; an unknown one comes back as it came.
OpcodeByte = U8


@dataclass(frozen=True, slots=True)
class Nothing:
    """A request or result without fields."""


@dataclass(frozen=True, slots=True)
class Hello:
    """Starts a session. `nonce` is random: the answer repeats it, so an old answer is never believed."""

    nonce: U32
    major: U8
    minor: U8


@dataclass(frozen=True, slots=True)
class HelloReply:
    """Who the device is; `fields` are the records of section 5."""

    nonce: U32
    major: U8
    minor: U8
    boot_id: U32
    max_payload: U16
    window: U8
    rx_bytes: U16
    watchdog_ms: U16
    fields: Rest


@dataclass(frozen=True, slots=True)
class KeepaliveReply:
    """Where the device stands: next number expected, running, last completed (0xFF for none)."""

    expected: U8
    running: U8
    done: U8
    energised: U8
    progress_words: U32


@dataclass(frozen=True, slots=True)
class AbortReply:
    """What was stopped: the next sequence number, and how many requests end as aborted."""

    expected: U8
    dropped: U8


@dataclass(frozen=True, slots=True)
class Setup:
    """One piece of a part descriptor. The last piece (offset + length = total) makes the device judge it."""

    work_id: U32
    total_bytes: U16
    offset_bytes: U16
    piece: Rest


@dataclass(frozen=True, slots=True)
class SetupResult:
    """The descriptor record that cannot be honoured: its tag and its place in the descriptor, from 0."""

    tag: U8
    index: U8


@dataclass(frozen=True, slots=True)
class Supply:
    """Sets the supplies. 0 mV means off."""

    action: Annotated[SupplyAction, Scalar(1)]
    vcc_mv: U16
    vpp_mv: U16


@dataclass(frozen=True, slots=True)
class Measured:
    """Supplies as measured, mV; 0xFFFF where the device cannot."""

    vcc_mv: U16
    vpp_mv: U16
    id_mv: U16


@dataclass(frozen=True, slots=True)
class ContactResult:
    """Four bits a socket pin (section 8), pin 1 in the low half of the first byte."""

    pins: U8
    states: Rest


@dataclass(frozen=True, slots=True)
class IdentifyResult:
    """The words at the two signature addresses."""

    maker: U16
    device: U16


@dataclass(frozen=True, slots=True)
class Read:
    """Streams `count` words from `address` as DATA frames of `block_bytes` each (the last may be shorter)."""

    address: U32
    count: U32
    mode: Annotated[Mode, Scalar(1)]
    vcc_mv: U16
    block_bytes: U16


@dataclass(frozen=True, slots=True)
class ReadResult:
    """How many words were sent and the CRC-32 of their bytes."""

    count: U32
    crc: U32


@dataclass(frozen=True, slots=True)
class Range:
    """A range of words, in a mode, at a supply that must already be set."""

    address: U32
    count: U32
    mode: Annotated[Mode, Scalar(1)]
    vcc_mv: U16


@dataclass(frozen=True, slots=True)
class BlankResult:
    """Bits that are not in the erased state, and the first word that holds one."""

    bits: U32
    first_address: U32
    got: U16


@dataclass(frozen=True, slots=True)
class DigestResult:
    """CRC-32 of the range's bytes, low byte of each word first."""

    crc: U32


@dataclass(frozen=True, slots=True)
class StatsResult:
    """Since boot: sound and damaged frames, NAKs sent, repeats, requests carried out, and the time."""

    frames: U32
    damaged: U32
    naks: U32
    repeats: U32
    executed: U32
    uptime_ms: U32


@dataclass(frozen=True, slots=True)
class ClearFault:
    """Which latched faults to clear."""

    faults: FaultBits


@dataclass(frozen=True, slots=True)
class Program:
    """Runs the part's loop over words that lie one after another from `address`."""

    op: U16
    address: U32
    pass_: Annotated[Pass, Scalar(1)]
    data: Rest


@dataclass(frozen=True, slots=True)
class Fill:
    """Runs the part's loop over `count` words that all get `value`."""

    op: U16
    address: U32
    count: U32
    pass_: Annotated[Pass, Scalar(1)]
    value: U16


@dataclass(frozen=True, slots=True)
class Copy:
    """Reads `count` words at `source` from the chip and runs the loop with them from `address`."""

    op: U16
    address: U32
    count: U32
    pass_: Annotated[Pass, Scalar(1)]
    source: U32


@dataclass(frozen=True, slots=True)
class ProgramResult:
    """What the loop did: words done, pulses in all and on the worst word, the word that failed if one did."""

    words: U32
    pulses: U32
    most: U8
    failed_address: U32
    wanted: U16
    got: U16


@dataclass(frozen=True, slots=True)
class Erase:
    """Erases the chip, or the sector that holds `address`, electrically."""

    op: U16
    scope: Annotated[EraseScope, Scalar(1)]
    address: U32


@dataclass(frozen=True, slots=True)
class EraseResult:
    """How long it took."""

    took_ms: U32


@dataclass(frozen=True, slots=True)
class Sequence:
    """Runs one of the descriptor's command sequences (section 6)."""

    op: U16
    sequence: U8


@dataclass(frozen=True, slots=True)
class Accept:
    """Content of ACCEPT; the frame's number is the next sequence number expected."""

    faults: FaultBits


@dataclass(frozen=True, slots=True)
class Nak:
    """Content of NAK; the frame's number is the sequence number to go back to."""

    faults: FaultBits
    reason: Annotated[NakReason, Scalar(1)]


@dataclass(frozen=True, slots=True)
class Answer:
    """Head of RESULT and REPLY; `detail` is the operation's own result, empty when it was refused."""

    opcode: OpcodeByte
    status: StatusByte
    faults: FaultBits
    detail: Rest


@dataclass(frozen=True, slots=True)
class Data:
    """Content of DATA: block number and bytes, at byte offset block x block_bytes of the READ."""

    block: U16
    data: Rest


@dataclass(frozen=True, slots=True)
class EventMessage:
    """Content of EVENT."""

    event: Annotated[EventCode, Scalar(1)]
    faults: FaultBits


class Needs(Flag):
    """What must hold before the device acts on a request."""

    NOTHING = 0
    SETUP = auto()
    VCC_ON = auto()
    SUPPLIES_OFF = auto()
    NO_FAULT = auto()


@dataclass(frozen=True, slots=True)
class Operation:
    """One row of the table."""

    opcode: Opcode
    request: type[Any]
    result: type[Any]
    needs: Needs = Needs.NOTHING
    #: Statuses besides OK whose answer carries the result, too.
    detail_on: frozenset[Status] = field(default_factory=frozenset)

    @property
    def control(self) -> bool:
        """Whether it travels outside the window."""
        return self.opcode < 0x10

    @property
    def alters(self) -> bool:
        """Whether it can alter the chip: such a request carries an operation number."""
        return self.opcode >= 0x20


_RANGE = Needs.SETUP | Needs.VCC_ON
_ALTER = Needs.SETUP | Needs.VCC_ON | Needs.NO_FAULT
_PARTLY = frozenset({Status.PROGRAM_FAILED, Status.ABORTED, Status.TIMED_OUT, Status.OVER_CURRENT,
                     Status.SUPPLY_OUT_OF_TOLERANCE})  # fmt: skip

OPERATIONS: dict[Opcode, Operation] = {
    operation.opcode: operation
    for operation in (
        Operation(Opcode.HELLO, Hello, HelloReply, detail_on=frozenset({Status.UNKNOWN_VERSION})),
        Operation(Opcode.KEEPALIVE, Nothing, KeepaliveReply),
        Operation(Opcode.ABORT, Nothing, AbortReply),
        Operation(
            Opcode.SETUP, Setup, SetupResult, Needs.SUPPLIES_OFF, frozenset({Status.CANNOT, Status.LIMIT})
        ),
        Operation(
            Opcode.SUPPLY,
            Supply,
            Measured,
            Needs.SETUP,
            frozenset({Status.SUPPLY_OUT_OF_TOLERANCE, Status.OVER_CURRENT}),
        ),
        Operation(Opcode.CONTACT, Nothing, ContactResult, Needs.SETUP | Needs.SUPPLIES_OFF),
        Operation(Opcode.IDENTIFY, Nothing, IdentifyResult, _ALTER),
        Operation(Opcode.READ, Read, ReadResult, _RANGE),
        Operation(Opcode.BLANK, Range, BlankResult, _RANGE),
        Operation(Opcode.DIGEST, Range, DigestResult, _RANGE),
        Operation(Opcode.MEASURE, Nothing, Measured),
        Operation(Opcode.STATS, Nothing, StatsResult),
        Operation(Opcode.CLEAR_FAULT, ClearFault, Nothing),
        Operation(Opcode.PROGRAM, Program, ProgramResult, _ALTER, _PARTLY),
        Operation(Opcode.FILL, Fill, ProgramResult, _ALTER, _PARTLY),
        Operation(Opcode.COPY, Copy, ProgramResult, _ALTER, _PARTLY),
        Operation(Opcode.ERASE, Erase, EraseResult, _ALTER, frozenset({Status.TIMED_OUT})),
        Operation(Opcode.SEQUENCE, Sequence, Nothing, _ALTER),
    )
}
