/* How a request ended: status and detail. The last ones are remembered (D11). */
#ifndef OUTCOME_H
#define OUTCOME_H

#include "hw.h"

enum { DETAIL_ROOM = 24 }; /* STATS */

struct outcome {
    uint8_t number;
    uint8_t opcode;
    uint8_t status;
    uint8_t length; /* of the detail */
    uint8_t detail[DETAIL_ROOM];
};

void detail_u8(struct outcome *outcome, uint8_t value);
void detail_u16(struct outcome *outcome, uint16_t value);
void detail_u32(struct outcome *outcome, uint32_t value);

/* The memory of the session. */
void memory_clear(void);
void memory_keep(const struct outcome *outcome);
/* The outcome of the last request with this number, or none. */
const struct outcome *memory_find(uint8_t number);
/* The number of the last request that completed, or NO_REQUEST. */
uint8_t memory_last(void);

#endif
