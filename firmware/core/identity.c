#include "identity.h"

/* Where the value of a record begins, and its length; 0 if there is no such record. */
static uint8_t find(uint8_t tag, uint16_t *value_at)
{
    uint16_t end = hw_identity_bytes();
    for (uint16_t at = 0; at + 2u <= end;) {
        uint8_t length = hw_identity_byte((uint16_t)(at + 1u));
        if (hw_identity_byte(at) == tag) {
            *value_at = (uint16_t)(at + 2u);
            return length;
        }
        at = (uint16_t)(at + 2u + length);
    }
    return 0;
}

static uint16_t u16_at(uint16_t at)
{
    return (uint16_t)(hw_identity_byte(at) | (uint16_t)hw_identity_byte((uint16_t)(at + 1u)) << 8);
}

static uint32_t u32_at(uint16_t at)
{
    return u16_at(at) | (uint32_t)u16_at((uint16_t)(at + 2u)) << 16;
}

bool identity_has_pin(enum identity_tag mask, uint8_t pin)
{
    uint16_t at = 0;
    uint8_t length = find((uint8_t)mask, &at);
    uint8_t bit = (uint8_t)(pin - 1u);
    if (pin == 0 || bit / 8u >= length) {
        return false;
    }
    return ((unsigned)hw_identity_byte((uint16_t)(at + bit / 8u)) >> (bit & 7u) & 1u) != 0;
}

struct range identity_supply(enum supply which)
{
    uint16_t at = 0;
    struct range range = {.kind = SUPPLY_ABSENT};
    if (find((uint8_t)(IDENTITY_VCC + which), &at) != 0) {
        range.kind = hw_identity_byte(at);
        range.least_mv = u16_at((uint16_t)(at + 1u));
        range.greatest_mv = u16_at((uint16_t)(at + 3u));
        range.tolerance_mv = u16_at((uint16_t)(at + 7u));
    }
    return range;
}

void identity_pulse_range(uint32_t *least_ns, uint32_t *greatest_ns)
{
    uint16_t at = 0;
    *least_ns = 0;
    *greatest_ns = 0;
    if (find(IDENTITY_TIMING, &at) != 0) {
        *least_ns = u32_at(at);
        *greatest_ns = u32_at((uint16_t)(at + 4u));
    }
}
