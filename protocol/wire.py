"""The numbers of the wire: kinds, opcodes, statuses, faults, modes. `SPEC.md` explains each."""

from enum import IntEnum, IntFlag

MAJOR = 1
MINOR = 0

#: Sequence numbers and tags take five bits; a window is at most half of that space.
NUMBER_SPACE = 32
WINDOW_MAX = NUMBER_SPACE // 2

PAYLOAD_MIN = 64
PAYLOAD_MAX = 1024

#: "No address" and "not measured" in results.
NONE_U32 = 0xFFFF_FFFF
NONE_U16 = 0xFFFF
NONE_U8 = 0xFF


class Kind(IntEnum):
    """What a frame is: the top three bits of its first byte."""

    CONTROL = 0
    REQUEST = 1
    ACCEPT = 2
    NAK = 3
    RESULT = 4
    DATA = 5
    EVENT = 6
    REPLY = 7


FROM_HOST = frozenset({Kind.CONTROL, Kind.REQUEST})


class Opcode(IntEnum):
    """What the host asks for. Below 0x10: control, outside the window. From 0x20 on: alters the chip."""

    HELLO = 0x01
    KEEPALIVE = 0x02
    ABORT = 0x03

    SETUP = 0x10
    SUPPLY = 0x11
    CONTACT = 0x12
    IDENTIFY = 0x13
    READ = 0x14
    BLANK = 0x15
    DIGEST = 0x16
    MEASURE = 0x17
    STATS = 0x18
    CLEAR_FAULT = 0x19

    PROGRAM = 0x20
    FILL = 0x21
    COPY = 0x22
    ERASE = 0x23
    SEQUENCE = 0x24


class Status(IntEnum):
    """How a request ended. 0 is success; 1 to 0x1F the request was refused; from 0x20 on it was tried."""

    OK = 0x00
    UNKNOWN_OPCODE = 0x01
    MALFORMED = 0x02
    UNKNOWN_VERSION = 0x03
    NO_SETUP = 0x04
    OUT_OF_RANGE = 0x05
    PAGE_CROSSING = 0x06
    CANNOT = 0x07
    LIMIT = 0x08
    WRONG_STATE = 0x09
    SUPPLY_NOT_SET = 0x0A
    NEEDS_CONFIRMATION = 0x0B
    FAULTED = 0x0C
    ALREADY_DONE = 0x0D

    ABORTED = 0x20
    SUPPLY_OUT_OF_TOLERANCE = 0x21
    OVER_CURRENT = 0x22
    PROGRAM_FAILED = 0x23
    TIMED_OUT = 0x24
    HARDWARE = 0x25


class Fault(IntFlag):
    """Latched troubles of the device; they ride in every frame from it but DATA, until CLEAR_FAULT."""

    NONE = 0
    VCC_OVER_CURRENT = 1 << 0
    VPP_OVER_CURRENT = 1 << 1
    VCC_OUT_OF_TOLERANCE = 1 << 2
    VPP_OUT_OF_TOLERANCE = 1 << 3
    WATCHDOG = 1 << 4
    SOCKET_OPENED = 1 << 5
    INTERNAL = 1 << 6


class NakReason(IntEnum):
    """Why the device asks for frames again from the sequence number it names."""

    GAP = 1
    DAMAGED = 2
    NO_ROOM = 3


class EventCode(IntEnum):
    """What a device tells unasked."""

    FAULT = 1
    BUTTON = 2
    SOCKET_OPENED = 3
    SOCKET_CLOSED = 4


class Mode(IntEnum):
    """The rows of the descriptor's mode table."""

    STANDBY = 0
    READ = 1
    PROGRAM = 2
    VERIFY = 3
    INHIBIT = 4
    SIGNATURE = 5
    WRITE = 6
    MARGIN_SET = 7
    MARGIN_RESET = 8
    ERASE = 9


class Level(IntEnum):
    """What a control pin gets in a mode."""

    LOW = 0
    HIGH = 1
    VPP = 2
    ID = 3
    PULSE_LOW = 4
    PULSE_HIGH = 5
    DATA = 6
    ADDRESS = 7
    VCC = 8
    FLOAT = 9


class SupplyAction(IntEnum):
    """What SUPPLY is to do."""

    DISCHARGE = 0
    APPLY = 1
    CONFIRM = 2


class Pass(IntEnum):
    """Which part of the part's loop a PROGRAM, FILL or COPY is to run."""

    FULL = 0
    FIRST = 1
    VERIFY = 2
    RESUME = 3


class EraseScope(IntEnum):
    """How much ERASE erases."""

    CHIP = 0
    SECTOR = 1


class PinState(IntEnum):
    """What CONTACT found at one socket pin (four bits)."""

    OPEN = 0
    CHIP = 1
    REVERSED = 2
    SHORT_TO_GROUND = 3
    SHORT_TO_VCC = 4
    BRIDGED = 5
    NOT_TESTED = 15


class SupplyKind(IntEnum):
    """How a supply of the device comes by its voltage."""

    ABSENT = 0
    FIXED = 1
    HAND_SET = 2
    ADJUSTABLE = 3


class Capability(IntFlag):
    """What a device can do beyond READ, BLANK, SUPPLY and the framing, which all must."""

    NONE = 0
    CONTACT = 1 << 0
    ID_VOLTAGE = 1 << 1
    MEASURE_VCC = 1 << 2
    MEASURE_VPP = 1 << 3
    LOOP_VERIFY_EACH = 1 << 4
    LOOP_FIRST_PASS = 1 << 5
    OVERPROGRAM = 1 << 6
    BYTE_WRITE = 1 << 7
    PAGE_WRITE = 1 << 8
    COMMANDS = 1 << 9
    DIGEST = 1 << 10
    FILL = 1 << 11
    COPY = 1 << 12
    BUTTON = 1 << 13
    SOCKET_SENSOR = 1 << 14
