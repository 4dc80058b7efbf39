/* What this device says of itself (section 5), asked by the rest of the core: one source for the wire and the checks. */
#ifndef IDENTITY_H
#define IDENTITY_H

#include "hw.h"

struct range {
    uint8_t kind; /* enum supply_kind */
    uint16_t least_mv;
    uint16_t greatest_mv;
    uint16_t tolerance_mv;
};

/* Whether a mask record has this socket pin; pins count from 1. */
bool identity_has_pin(enum identity_tag mask, uint8_t pin);
struct range identity_supply(enum supply which);
void identity_pulse_range(uint32_t *least_ns, uint32_t *greatest_ns);

#endif
