#include "control.h"

#include "answers.h"
#include "link.h"

void control_hello(uint8_t tag, struct cursor arguments)
{
    uint32_t nonce = take_u32(&arguments);
    uint8_t major = take_u8(&arguments);
    link.abort_tag = NO_REQUEST;
    if (major != WIRE_MAJOR) {
        link.refused_nonce = nonce;
        answers_add(ANSWER_HELLO, tag, STATUS_UNKNOWN_VERSION);
    } else if (link.session != 0 && nonce == link.nonce && link.stop != STOP_HELLO) {
        answers_add(ANSWER_HELLO, tag, STATUS_OK);
    } else {
        link.hello_nonce = nonce;
        link.stop_tag = tag;
        link_stop(STOP_HELLO);
    }
}

static void control_abort(uint8_t tag)
{
    if (tag == link.abort_tag) {
        answers_add(ANSWER_ABORT, tag, 0); /* a copy: its answer was lost */
        return;
    }
    if (link.stop < STOP_HELLO) {
        link.stop_tag = tag;
        link_stop(STOP_ABORT);
    }
}

void control_frame(uint8_t tag, uint8_t opcode)
{
    if (opcode == OP_ABORT) {
        control_abort(tag);
        return;
    }
    link.abort_tag = NO_REQUEST;
    if (opcode == OP_KEEPALIVE) {
        answers_add(ANSWER_KEEPALIVE, tag, 0);
    } else {
        answers_add(ANSWER_NO_CONTROL, tag, opcode);
    }
}
