"""The host build of the firmware, broken on purpose: in one place each, by a text that stands there once."""

from tests.support.firmware_variants import Change

LINK, CONTROL, RECEIVE, ANSWERS = "core/link.c", "core/control.c", "core/receive.c", "core/answers.c"
REQUESTS, SETTING, SUPPLIES, JUDGE = "core/requests.c", "core/setting.c", "core/supplies.c", "core/judge.c"
READING, PROGRAMMING, WORK, DEVICE = "core/reading.c", "core/programming.c", "core/work.c", "core/device.c"

#: What is wrong, the requirement that must be named, and the one line that makes it so.
BROKEN: list[tuple[str, str, Change | tuple[Change, ...]]] = [
    ("the CRC is not checked", "D1", (RECEIVE, " && coming.crc == CRC32_SOUND", "")),
    ("kinds of devices are taken", "D1", (LINK, "kind > KIND_REQUEST || body.left", "body.left")),
    ("damage is not counted", "D1", (LINK, "    statistics.damaged++;\n    if", "    if")),
    ("an empty block is damage", "D2", (RECEIVE, "if (length == 0 &&", "if (false &&")),
    ("one form of COBS only", "D4", (RECEIVE, "zero_due = byte != 0xFF;", "zero_due = true;")),
    ("a new session for the same nonce", "D5", (CONTROL, "nonce == link.nonce &&", "false &&")),
    ("boot_id stays", "D6", (ANSWERS, "hw_boot_id()", "7")),
    ("every major is spoken", "D7", (CONTROL, "if (major != WIRE_MAJOR) {", "if (major == 0) {")),
    (
        "strangers feed the watchdog",
        "D8",
        (LINK, "statistics.frames++;\n", "statistics.frames++; heard();\n"),
    ),
    ("answers before HELLO", "D9", (LINK, "session == 0 || session !=", "session !=")),
    ("the sequence is not checked", "D10", (LINK, "(number - link.expected) & (NUMBERS - 1u)", "0")),
    ("a stray is not counted", "D10", (LINK, "} else {\n        statistics.damaged++;\n    }", "}")),
    (
        "a repeat is carried out",
        "D11",
        (LINK, "        repeated(number);", "        next_request(number, opcode, arguments, frame_bytes);"),
    ),
    ("results are not kept", "D11", (LINK, "    memory_keep(outcome);\n", "")),
    (
        "a result comes twice",
        "D12",
        (LINK, "    memory_keep(outcome);\n", "    memory_keep(outcome);\n    link_send_result(outcome);\n"),
    ),
    (
        "deaf while it pulses",
        "D13",
        (
            "core/pump.c",
            "pump_in_pulse(void)\n{\n    pump_receive();\n    answers_send(true);",
            "pump_in_pulse(void)\n{",
        ),
    ),
    ("what is malformed is taken", "D14", (REQUESTS, "arguments.left < row->least_bytes", "false")),
    ("NAKs without end", "D15", (LINK, "    link.nak_out = true;\n", "")),
    ("KEEPALIVE hides what runs", "D16", (ANSWERS, "frame_u8(link.running);", "frame_u8(NO_REQUEST);")),
    ("ABORT is ignored", "D17", (CONTROL, "        control_abort(tag);\n", "")),
    ("a copy of ABORT stops again", "D17", (CONTROL, "if (tag == link.abort_tag) {", "if (false) {")),
    ("operations are carried out twice", "D18", (WORK, "if (operation > highest) {", "if (operation > 0) {")),
    ("no watchdog", "D19", (LINK, ">= LIMIT_WATCHDOG_MS", ">= 1000000000u")),
    (
        "supplies stay on after the watchdog",
        "D19",
        (
            DEVICE,
            "    supplies_off();\n    enum",
            "    if (link.stop != STOP_WATCHDOG) supplies_off();\n    enum",
        ),
    ),
    (
        "faults are not in RESULT",
        "D20",
        (
            LINK,
            "frame_u8(outcome->status);\n    frame_u16(link.faults);",
            "frame_u8(outcome->status);\n    frame_u16(0);",
        ),
    ),
    ("a fault stops nothing", "D20", (REQUESTS, "(needs & NEED_NO_FAULT) != 0 && link.faults != 0", "false")),
    (
        "unknown records are skipped",
        "D22",
        (
            JUDGE,
            "    default:\n        return STATUS_CANNOT;\n    }\n}\n\nuint8_t part_judge",
            "    default:\n        return STATUS_OK;\n    }\n}\n\nuint8_t part_judge",
        ),
    ),
    ("any pulse will do", "D22", (JUDGE, "pulse_possible(part.pulse_ns) && ", "")),
    (
        "pins are not compared",
        "D22",
        (JUDGE, "if (!identity_has_pin(mask, part_pin(pins, i))) {", "if (false) {"),
    ),
    (
        "SETUP while energised",
        "D23",
        (REQUESTS, "{OP_SETUP, 8, NO_CHOICE, 0, NEED_OFF,", "{OP_SETUP, 8, NO_CHOICE, 0, 0,"),
    ),
    ("a refused part stays", "D23", (SETTING, "part.ready = status == STATUS_OK;", "part.ready = true;")),
    ("VPP without VCC", "D25", (SUPPLIES, "if (vpp_mv != 0 && vcc_mv == 0) {", "if (false) {")),
    (
        "its own tolerance is forgotten",
        "D25",
        (SUPPLIES, "(uint32_t)millivolts + range.tolerance_mv >", "millivolts >"),
    ),
    (
        "discharge wants a part",
        "D27",
        (SETTING, "if (action != ACTION_DISCHARGE) {", "if (action != ACTION_DISCHARGE || !part.ready) {"),
    ),
    (
        "any VCC will do",
        "D28",
        (READING, "take_u16(arguments) != supplies_vcc_mv()", "take_u16(arguments) == 0"),
    ),
    (
        "the cap on pulses is ignored",
        "D30",
        (PROGRAMMING, "if (given == limit) {", "if (given == limit + 3) {"),
    ),
    (
        "unknown opcodes are met with silence",
        "D31",
        (CONTROL, "answers_add(ANSWER_NO_CONTROL, tag, opcode);", ";"),
    ),
    (
        "a longer HELLO is damage",
        "D31",
        (LINK, "body.left < HELLO_ARGUMENT_BYTES", "body.left != HELLO_ARGUMENT_BYTES"),
    ),
    ("more than max_payload", "D32", (PROGRAMMING, "run.data.left > LIMIT_PAYLOAD", "false")),
    ("the end of the range is ignored", "D33", (READING, " && count <= part.size_words - address", "")),
    (
        "a sum overflows",
        "D33",
        (
            READING,
            "address < part.size_words && count <= part.size_words - address",
            "address + count <= part.size_words",
        ),
    ),
    (
        "blocks are numbered from 1",
        "D34",
        (READING, "frame_u16(block);", "frame_u16((uint16_t)(block + 1u));"),
    ),
    (
        "pulses of half the length",
        "D35",
        (
            PROGRAMMING,
            "pulsed(run, wanted, part.pulse_ns, given)",
            "pulsed(run, wanted, part.pulse_ns / 2u, given)",
        ),
    ),
    (
        "erased words are pulsed",
        "D35",
        (PROGRAMMING, "part.semantics == CLEAR_ONLY && wanted == part.erased", "false"),
    ),
    ("an echo is believed", "D35", ("core/socket.c", "    hw_drive((uint16_t)~driven);\n", "")),
    ("IDENTIFY without a look", "D36", ("core/special.c", "!part_was_looked_at()", "false")),
    (
        "a pause in a frame loses its beginning",
        "D3",
        ("core/pump.c", "    }\n    link_watch();", "    }\n    receive_start();\n    link_watch();"),
    ),
    (
        "HELLO forgets the part",
        "D24",
        (
            (LINK, '#include "send.h"', '#include "part.h"\n#include "send.h"'),
            (LINK, "    supplies_new_session();", "    supplies_new_session();\n    part.ready = false;"),
        ),
    ),
    (
        "nobody confirms what is set by hand",
        "D26",
        (
            ("host/records.c", "(IDENTITY_VPP, SUPPLY_ADJUSTABLE", "(IDENTITY_VPP, SUPPLY_BY_HAND"),
            (SUPPLIES, "return by_hand && !(", "return false && !("),
        ),
    ),
    (
        "less room than HELLO promises",
        "D32",
        ("core/queue.c", "queue_frame_room() > ROOM_ARENA) {", "queue_frame_room() > 1000) {"),
    ),
]
