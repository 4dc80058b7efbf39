/* Exactly once (D18): operation numbers within one work, and the result of the highest that began. */
#ifndef WORK_H
#define WORK_H

#include "outcome.h"

/* The first piece of a SETUP: another work starts again at 0. */
void work_open(uint32_t id);
/* What is known of this operation: STATUS_OK: it may begin. Else the outcome is filled with what to answer. */
bool work_may_begin(uint16_t operation, struct outcome *outcome);
void work_begin(uint16_t operation);
/* The running operation has ended like this; nothing if none has begun. */
void work_end(const struct outcome *outcome);

#endif
