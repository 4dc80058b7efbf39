/* What requests there are, what each needs, and how it is carried out (section 8). */
#ifndef REQUESTS_H
#define REQUESTS_H

#include "outcome.h"
#include "queue.h"

enum need { NEED_SETUP = 1, NEED_VCC = 2, NEED_OFF = 4, NEED_NO_FAULT = 8 };

/* Carries a request out and fills its outcome. */
void requests_carry_out(const struct request *request, struct outcome *outcome);
/* The outcome of a request that was stopped before it began. */
void requests_not_begun(const struct request *request, struct outcome *outcome);
/* STATUS_OK if all needs are met, else why not. */
uint8_t requests_lack(uint8_t needs);

#endif
