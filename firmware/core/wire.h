/* The numbers of the wire, version 1.0, as protocol/SPEC.md has them. */
#ifndef WIRE_H
#define WIRE_H

enum {
    WIRE_MAJOR = 1,
    WIRE_MINOR = 0,
    NUMBERS = 32,            /* sequence numbers and tags run from 0 to 31 */
    HEADER_BYTES = 3,        /* kind and number, session */
    CRC_BYTES = 4,
    FRAME_LEAST_BYTES = HEADER_BYTES + CRC_BYTES,
    FRAME_SPARE_BYTES = 32,  /* rx_bytes is at least max_payload and this */
    NO_REQUEST = 0xFF,       /* KEEPALIVE: nothing runs, nothing is done */
};

enum frame_kind {
    KIND_CONTROL = 0,
    KIND_REQUEST = 1,
    KIND_ACCEPT = 2,
    KIND_NAK = 3,
    KIND_RESULT = 4,
    KIND_DATA = 5,
    KIND_EVENT = 6,
    KIND_REPLY = 7,
};

enum opcode {
    OP_HELLO = 0x01,
    OP_KEEPALIVE = 0x02,
    OP_ABORT = 0x03,
    OP_SETUP = 0x10,
    OP_SUPPLY = 0x11,
    OP_CONTACT = 0x12,
    OP_IDENTIFY = 0x13,
    OP_READ = 0x14,
    OP_BLANK = 0x15,
    OP_DIGEST = 0x16,
    OP_MEASURE = 0x17,
    OP_STATS = 0x18,
    OP_CLEAR_FAULT = 0x19,
    OP_PROGRAM = 0x20,
    OP_FILL = 0x21,
    OP_COPY = 0x22,
    OP_ERASE = 0x23,
    OP_SEQUENCE = 0x24,
};

enum status {
    STATUS_OK = 0x00,
    STATUS_UNKNOWN_OPCODE = 0x01,
    STATUS_MALFORMED = 0x02,
    STATUS_UNKNOWN_VERSION = 0x03,
    STATUS_NO_SETUP = 0x04,
    STATUS_OUT_OF_RANGE = 0x05,
    STATUS_PAGE_CROSSING = 0x06,
    STATUS_CANNOT = 0x07,
    STATUS_LIMIT = 0x08,
    STATUS_WRONG_STATE = 0x09,
    STATUS_SUPPLY_NOT_SET = 0x0A,
    STATUS_NEEDS_CONFIRMATION = 0x0B,
    STATUS_FAULTED = 0x0C,
    STATUS_ALREADY_DONE = 0x0D,
    STATUS_ABORTED = 0x20, /* from here on something was tried */
    STATUS_SUPPLY_OUT_OF_TOLERANCE = 0x21,
    STATUS_OVER_CURRENT = 0x22,
    STATUS_PROGRAM_FAILED = 0x23,
    STATUS_TIMED_OUT = 0x24,
    STATUS_HARDWARE = 0x25,
};

enum nak_reason { NAK_GAP = 1, NAK_DAMAGED = 2, NAK_NO_ROOM = 3 };

enum event { EVENT_FAULT = 1, EVENT_BUTTON = 2, EVENT_SOCKET_OPENED = 3, EVENT_SOCKET_CLOSED = 4 };

enum fault {
    FAULT_VCC_OVER_CURRENT = 0x01,
    FAULT_VPP_OVER_CURRENT = 0x02,
    FAULT_VCC_TOLERANCE = 0x04,
    FAULT_VPP_TOLERANCE = 0x08,
    FAULT_WATCHDOG = 0x10,
    FAULT_SOCKET_OPENED = 0x20,
    FAULT_INTERNAL = 0x40,
};

/* Records of a device about itself (section 5). */
enum identity_tag {
    IDENTITY_CAPABILITIES = 0x04,
    IDENTITY_SOCKET_PINS = 0x05,
    IDENTITY_DESCRIPTOR_MAX = 0x06,
    IDENTITY_DRIVE = 0x10,
    IDENTITY_SENSE = 0x11,
    IDENTITY_VCC_PINS = 0x12,
    IDENTITY_VPP_PINS = 0x13,
    IDENTITY_ID_PINS = 0x14,
    IDENTITY_GROUND_PINS = 0x15,
    IDENTITY_VCC = 0x20,
    IDENTITY_VPP = 0x21,
    IDENTITY_ID = 0x22,
    IDENTITY_TIMING = 0x30,
};

enum supply_kind { SUPPLY_ABSENT = 0, SUPPLY_FIXED = 1, SUPPLY_BY_HAND = 2, SUPPLY_ADJUSTABLE = 3 };

enum capability {
    CAN_CONTACT = 0x0001,
    CAN_ID_VOLTAGE = 0x0002,
    CAN_MEASURE_VCC = 0x0004,
    CAN_MEASURE_VPP = 0x0008,
    CAN_VERIFY_EACH = 0x0010,
    CAN_FIRST_PASS = 0x0020,
    CAN_OVERPROGRAM = 0x0040,
    CAN_BYTE_WRITE = 0x0080,
    CAN_PAGE_WRITE = 0x0100,
    CAN_COMMANDS = 0x0200,
    CAN_DIGEST = 0x0400,
    CAN_FILL = 0x0800,
    CAN_COPY = 0x1000,
    CAN_BUTTON = 0x2000,
    CAN_SOCKET_SENSOR = 0x4000,
};

/* Records of a part descriptor (section 6). */
enum part_tag {
    PART_GEOMETRY = 0x01,
    PART_ADDRESS_PINS = 0x02,
    PART_DATA_PINS = 0x03,
    PART_CONTROL_PINS = 0x04,
    PART_VCC_PINS = 0x05,
    PART_GROUND_PINS = 0x06,
    PART_SUPPLIES = 0x07,
    PART_LOOP = 0x08,
    PART_PAGE = 0x09,
    PART_ERASE = 0x0A,
    PART_SIGNATURE = 0x0B,
    PART_ERASE_PULSE = 0x0C,
    PART_MODE = 0x10,
    PART_SEQUENCE = 0x11,
};

enum semantics { CLEAR_ONLY = 0, OVERWRITE = 1, ERASE_FIRST = 2 };

enum loop_kind {
    LOOP_NONE = 0,
    LOOP_VERIFY_EACH = 1,
    LOOP_FIRST_PASS = 2,
    LOOP_BYTE_WRITE = 3,
    LOOP_PAGE_WRITE = 4,
    LOOP_COMMAND = 5,
};

enum mode {
    MODE_STANDBY = 0,
    MODE_READ = 1,
    MODE_PROGRAM = 2,
    MODE_VERIFY = 3,
    MODE_INHIBIT = 4,
    MODE_SIGNATURE = 5,
    MODE_WRITE = 6,
    MODE_MARGIN_SET = 7,
    MODE_MARGIN_RESET = 8,
    MODE_ERASE = 9,
    MODES = 10,
};

enum level {
    LEVEL_LOW = 0,
    LEVEL_HIGH = 1,
    LEVEL_VPP = 2,
    LEVEL_ID = 3,
    LEVEL_LOW_PULSE = 4,
    LEVEL_HIGH_PULSE = 5,
    LEVEL_DATA = 6,
    LEVEL_ADDRESS = 7,
    LEVEL_VCC = 8,
    LEVEL_FLOAT = 9,
    LEVELS = 10,
};

enum pass { PASS_FULL = 0, PASS_FIRST = 1, PASS_VERIFY = 2, PASS_RESUME = 3, PASSES = 4 };

enum supply_action { ACTION_DISCHARGE = 0, ACTION_APPLY = 1, ACTION_CONFIRM = 2 };

enum { METHOD_NONE = 0, METHOD_ID_VOLTAGE = 1, METHOD_COMMAND = 2 };

enum { SCOPE_CHIP = 0, SCOPE_SECTOR = 1 };

#define NO_ADDRESS UINT32_C(0xFFFFFFFF)
#define NOT_MEASURED UINT16_C(0xFFFF)

#endif
