#include "answers.h"

#include "link.h"
#include "send.h"
#include "supplies.h"

enum {
    ROOM_ANSWERS = ROOM_WINDOW + 4,
    SHORT_ANSWER_BYTES = 48, /* more than any answer but that to HELLO takes on the line */
    HELLO_FIXED_BYTES = 40,
};

struct due {
    uint8_t what;
    uint8_t number;
    uint8_t extra;
};

static struct due due[ROOM_ANSWERS];
static uint8_t first;
uint8_t answers_waiting;

void answers_clear(void)
{
    answers_waiting = 0;
}

void answers_add(enum answer what, uint8_t number, uint8_t extra)
{
    if (answers_waiting == ROOM_ANSWERS) {
        return;
    }
    uint8_t place = (uint8_t)(first + answers_waiting);
    if (place >= ROOM_ANSWERS) {
        place = (uint8_t)(place - ROOM_ANSWERS);
    }
    due[place] = (struct due){.what = (uint8_t)what, .number = number, .extra = extra};
    answers_waiting++;
}

static void begin_reply(uint8_t tag, uint16_t session, uint8_t opcode, uint8_t status)
{
    frame_begin(KIND_REPLY, tag, session);
    frame_u8(opcode);
    frame_u8(status);
    frame_u16(link.faults);
}

static void send_hello(uint8_t tag, uint8_t status)
{
    bool known = status == STATUS_OK;
    begin_reply(tag, known ? link.session : 0, OP_HELLO, status);
    frame_u32(known ? link.nonce : link.refused_nonce);
    frame_u8(WIRE_MAJOR);
    frame_u8(WIRE_MINOR);
    frame_u32(hw_boot_id());
    frame_u16(LIMIT_PAYLOAD);
    frame_u8(LIMIT_WINDOW);
    frame_u16(LIMIT_RX);
    frame_u16(LIMIT_WATCHDOG_MS);
    uint16_t bytes = hw_identity_bytes();
    for (uint16_t i = 0; i < bytes; i++) {
        frame_u8(hw_identity_byte(i));
    }
}

static void send_keepalive(uint8_t tag)
{
    begin_reply(tag, link.session, OP_KEEPALIVE, STATUS_OK);
    frame_u8(link.expected);
    frame_u8(link.running);
    frame_u8(memory_last());
    frame_u8(supplies_energised() ? 1 : 0);
    frame_u32(link.running == NO_REQUEST ? 0 : link.progress);
}

static void send_abort(uint8_t tag)
{
    begin_reply(tag, link.session, OP_ABORT, STATUS_OK);
    frame_u8(link.abort_expected);
    frame_u8(link.abort_dropped);
}

static void send_short(struct due each)
{
    if (each.what == ANSWER_NO_CONTROL) {
        begin_reply(each.number, link.session, each.extra, STATUS_UNKNOWN_OPCODE);
        return;
    }
    frame_begin(each.what == ANSWER_NAK ? KIND_NAK : KIND_ACCEPT, each.number, link.session);
    frame_u16(link.faults);
    if (each.what == ANSWER_NAK) {
        frame_u8(each.extra);
    }
}

static void send_one(struct due each)
{
    switch (each.what) {
    case ANSWER_RESULT: {
        const struct outcome *outcome = memory_find(each.number);
        if (outcome != 0) {
            link_send_result(outcome);
        }
        return;
    }
    case ANSWER_HELLO:
        send_hello(each.number, each.extra);
        break;
    case ANSWER_KEEPALIVE:
        send_keepalive(each.number);
        break;
    case ANSWER_ABORT:
        send_abort(each.number);
        break;
    default:
        send_short(each);
        break;
    }
    frame_end();
}

void answers_send(bool only_what_fits)
{
    while (answers_due() && !send_busy()) {
        struct due next = due[first];
        uint16_t need = SHORT_ANSWER_BYTES;
        if (next.what == ANSWER_HELLO) {
            need = (uint16_t)(hw_identity_bytes() + HELLO_FIXED_BYTES);
        }
        if (only_what_fits && (send_room() < need || hw_pulse_left_us() < 1000u)) {
            return;
        }
        first = (uint8_t)(first + 1 < ROOM_ANSWERS ? first + 1 : 0);
        answers_waiting--;
        send_one(next);
    }
}
