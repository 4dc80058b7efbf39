#include "link.h"

#include "answers.h"
#include "control.h"
#include "send.h"
#include "supplies.h"

struct link link;
struct statistics statistics;

void link_start(void)
{
    link = (struct link){.running = NO_REQUEST, .abort_tag = NO_REQUEST};
    queue_clear();
    memory_clear();
    answers_clear();
}

static void nak(enum nak_reason reason)
{
    if (link.nak_out) {
        return;
    }
    link.nak_out = true;
    statistics.naks++;
    answers_add(ANSWER_NAK, link.expected, (uint8_t)reason);
}

void link_damaged(void)
{
    statistics.damaged++;
    if (link.session != 0) {
        nak(NAK_DAMAGED);
    }
}

static void heard(void)
{
    link.heard_ms = hw_now_ms();
}

/* D11. What was complete is answered from memory, what is not is acknowledged again. */
static void repeated(uint8_t number)
{
    if (number == link.running || queue_holds(number)) {
        statistics.repeats++;
        answers_add(ANSWER_ACCEPT, link.expected, 0);
    } else if (memory_find(number) != 0) {
        statistics.repeats++;
        answers_add(ANSWER_RESULT, number, 0);
    } else {
        statistics.damaged++; /* nobody had this number */
    }
}

static void next_request(uint8_t number, uint8_t opcode, struct cursor arguments, uint16_t frame_bytes)
{
    if (!queue_take(number, opcode, arguments, frame_bytes)) {
        nak(NAK_NO_ROOM);
        return;
    }
    link.nak_out = false;
    link.expected = (uint8_t)((number + 1u) % NUMBERS);
    answers_add(ANSWER_ACCEPT, link.expected, 0);
}

/* D10 */
static void request_frame(uint8_t number, uint8_t opcode, struct cursor arguments, uint16_t frame_bytes)
{
    uint8_t ahead = (uint8_t)((unsigned)(number - link.expected) & (NUMBERS - 1u));
    if (ahead == 0) {
        next_request(number, opcode, arguments, frame_bytes);
    } else if (ahead < LIMIT_WINDOW) {
        nak(NAK_GAP);
    } else if (ahead >= NUMBERS - LIMIT_WINDOW) {
        repeated(number);
    } else {
        statistics.damaged++;
    }
}

void link_frame(uint16_t length)
{
    struct cursor body = queue_frame(length);
    uint8_t first = take_u8(&body);
    uint8_t kind = (uint8_t)(first >> 5);
    uint8_t number = (uint8_t)(first & (NUMBERS - 1u));
    uint16_t session = take_u16(&body);
    body.left = (uint16_t)(body.left - CRC_BYTES);
    if (kind > KIND_REQUEST || body.left == 0) {
        link_damaged(); /* D1 */
        return;
    }
    uint8_t opcode = take_u8(&body);
    bool hello = kind == KIND_CONTROL && opcode == OP_HELLO && session == 0;
    if (hello && body.left < HELLO_ARGUMENT_BYTES) {
        link_damaged(); /* D16 */
        return;
    }
    statistics.frames++;
    if (hello) {
        control_hello(number, body);
        return;
    }
    if (session == 0 || session != link.session) {
        return; /* D8, D9 */
    }
    heard();
    if (kind == KIND_CONTROL) {
        control_frame(number, opcode);
    } else {
        request_frame(number, opcode, body, length);
    }
}

void link_stop(enum stop why)
{
    if (why > link.stop) {
        link.stop = (uint8_t)why;
    }
}

void link_fault(uint16_t fault)
{
    link.faults |= fault;
    answers_send(false);
    if (link.session == 0) {
        return;
    }
    frame_begin(KIND_EVENT, link.event_number, link.session);
    link.event_number = (uint8_t)((link.event_number + 1u) % NUMBERS);
    frame_u8(EVENT_FAULT);
    frame_u16(link.faults);
    frame_end();
}

static bool working(void)
{
    return supplies_energised() || link.running != NO_REQUEST || queue_count() != 0;
}

void link_watch(void)
{
    uint16_t seen = hw_faults();
    if (seen != 0 && supplies_energised()) {
        link.faults |= seen;
        link_stop(STOP_FAULT);
    }
    if (link.session != 0 && !link_stopping() && working() && hw_now_ms() - link.heard_ms >= LIMIT_WATCHDOG_MS) {
        link.faults |= FAULT_WATCHDOG;
        link_stop(STOP_WATCHDOG);
    }
}

void statistics_detail(struct outcome *outcome)
{
    detail_u32(outcome, statistics.frames);
    detail_u32(outcome, statistics.damaged);
    detail_u32(outcome, statistics.naks);
    detail_u32(outcome, statistics.repeats);
    detail_u32(outcome, statistics.executed);
    detail_u32(outcome, hw_now_ms());
}

void link_send_result(const struct outcome *outcome)
{
    frame_begin(KIND_RESULT, outcome->number, link.session);
    frame_u8(outcome->opcode);
    frame_u8(outcome->status);
    frame_u16(link.faults);
    for (uint8_t i = 0; i < outcome->length; i++) {
        frame_u8(outcome->detail[i]);
    }
    frame_end();
}

void link_complete(const struct outcome *outcome)
{
    memory_keep(outcome);
    link_send_result(outcome);
}

void link_begin_session(void)
{
    link.session_used++;
    if (link.session_used == 0) {
        link.session_used = 1;
    }
    link.session = link.session_used;
    link.nonce = link.hello_nonce;
    link.expected = 0;
    link.nak_out = false;
    link.event_number = 0;
    link.abort_tag = NO_REQUEST;
    queue_clear();
    memory_clear();
    answers_clear();
    heard();
    supplies_new_session();
}
