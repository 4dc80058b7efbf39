#include "outcome.h"

static struct outcome kept[ROOM_WINDOW];
static uint8_t next;
static uint8_t count;

void detail_u8(struct outcome *outcome, uint8_t value)
{
    if (outcome->length < DETAIL_ROOM) {
        outcome->detail[outcome->length] = value;
        outcome->length++;
    }
}

void detail_u16(struct outcome *outcome, uint16_t value)
{
    detail_u8(outcome, (uint8_t)value);
    detail_u8(outcome, (uint8_t)(value >> 8));
}

void detail_u32(struct outcome *outcome, uint32_t value)
{
    detail_u16(outcome, (uint16_t)value);
    detail_u16(outcome, (uint16_t)(value >> 16));
}

void memory_clear(void)
{
    next = 0;
    count = 0;
}

void memory_keep(const struct outcome *outcome)
{
    kept[next] = *outcome;
    next = (uint8_t)((uint8_t)(next + 1u) < LIMIT_WINDOW ? next + 1 : 0);
    if (count < LIMIT_WINDOW) {
        count++;
    }
}

/* Newest first, so that a number that came round again is the new one. */
static uint8_t place_back(uint8_t back)
{
    return (uint8_t)(next > back ? next - 1u - back : next + LIMIT_WINDOW - 1u - back);
}

const struct outcome *memory_find(uint8_t number)
{
    for (uint8_t back = 0; back < count; back++) {
        const struct outcome *each = &kept[place_back(back)];
        if (each->number == number) {
            return each;
        }
    }
    return 0;
}

uint8_t memory_last(void)
{
    return count == 0 ? NO_REQUEST : kept[place_back(0)].number;
}
