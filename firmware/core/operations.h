/* The operations. Each takes its arguments, adds the detail of its answer and returns a status. */
#ifndef OPERATIONS_H
#define OPERATIONS_H

#include "outcome.h"
#include "queue.h"

typedef uint8_t operation(struct cursor *arguments, struct outcome *outcome);

operation do_setup;
operation do_supply;
operation do_identify;
operation do_read;
operation do_blank;
operation do_digest;
operation do_measure;
operation do_stats;
operation do_clear_fault;
operation do_program;
operation do_fill;
operation do_copy;
operation do_erase;

/* The detail of an operation that was stopped before it did anything. */
void detail_of_nothing(struct outcome *outcome);
/* What a stop makes of the running request. */
uint8_t status_of_stop(void);
/* Words `address` to `address + count - 1` are words of the part. */
bool in_part(uint32_t address, uint32_t count);
/* The part has been looked at since SETUP, so IDENTIFY may use the ID voltage. */
void part_looked_at(void);
bool part_was_looked_at(void);

#endif
