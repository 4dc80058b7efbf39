#include "work.h"

static uint32_t work_id;
static bool open;
static bool begun; /* an operation is under way */
static uint16_t highest;
static struct outcome result; /* of the highest */

void work_open(uint32_t id)
{
    if (open && id == work_id) {
        return;
    }
    open = true;
    work_id = id;
    highest = 0;
    begun = false;
}

bool work_may_begin(uint16_t operation, struct outcome *outcome)
{
    if (operation > highest) {
        return true;
    }
    if (operation < highest || operation == 0 || result.opcode != outcome->opcode) {
        outcome->status = STATUS_ALREADY_DONE;
        return false;
    }
    outcome->status = result.status;
    outcome->length = result.length;
    for (uint8_t i = 0; i < result.length; i++) {
        outcome->detail[i] = result.detail[i];
    }
    return false;
}

void work_begin(uint16_t operation)
{
    highest = operation;
    begun = true;
}

void work_end(const struct outcome *outcome)
{
    if (begun) {
        result = *outcome;
        begun = false;
    }
}
