/* Short answers that are due: they wait here until the line may have them.
 *
 * The link decides what to answer while a frame is being received, perhaps in the middle of a pulse or of a DATA frame;
 * sending comes later, in the same order. An answer that finds no place is lost, as the line might have lost it. */
#ifndef ANSWERS_H
#define ANSWERS_H

#include "hw.h"

enum answer {
    ANSWER_ACCEPT,      /* number: next expected */
    ANSWER_NAK,         /* number: where to go back to; extra: reason */
    ANSWER_RESULT,      /* number: of a request that completed before */
    ANSWER_HELLO,       /* number: tag; extra: status */
    ANSWER_KEEPALIVE,   /* number: tag */
    ANSWER_ABORT,       /* number: tag of an ABORT that was carried out */
    ANSWER_NO_CONTROL,  /* number: tag; extra: opcode */
};

void answers_clear(void);
void answers_add(enum answer what, uint8_t number, uint8_t extra);
extern uint8_t answers_waiting;
static inline bool answers_due(void)
{
    return answers_waiting != 0;
}

/* Sends what is due; with `only_what_fits`, leaves what would have to wait. Nothing while a frame is under way. */
void answers_send(bool only_what_fits);

#endif
