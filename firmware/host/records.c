#include "records.h"

#include <stdlib.h>
#include <string.h>

#include "hw.h"

uint8_t records[512];
uint16_t records_bytes;

static void add(uint8_t tag, const void *value, uint8_t length)
{
    records[records_bytes] = tag;
    records[records_bytes + 1] = length;
    memcpy(&records[records_bytes + 2], value, length);
    records_bytes = (uint16_t)(records_bytes + 2 + length);
}

static void add_text(uint8_t tag, const char *text)
{
    add(tag, text, (uint8_t)strlen(text));
}

static void add_mask(uint8_t tag, uint32_t mask)
{
    uint8_t bytes[4] = {(uint8_t)mask, (uint8_t)(mask >> 8), (uint8_t)(mask >> 16), (uint8_t)(mask >> 24)};
    add(tag, bytes, sizeof bytes);
}

static void add_numbers(uint8_t tag, uint8_t kind, const uint16_t *values, uint8_t count)
{
    uint8_t bytes[32];
    uint8_t length = 0;
    if (kind != 0) {
        bytes[length++] = kind;
    }
    for (uint8_t i = 0; i < count; i++) {
        bytes[length++] = (uint8_t)values[i];
        bytes[length++] = (uint8_t)(values[i] >> 8);
    }
    add(tag, bytes, length);
}

static uint32_t pin(uint8_t number)
{
    return UINT32_C(1) << (number - 1);
}

void records_default(uint16_t capabilities)
{
    /* least, greatest, step, tolerance in mV; limit in mA */
    static const uint16_t vcc[] = {3000, 7000, 10, 50, 200};
    static const uint16_t vpp[] = {5000, 25500, 50, 100, 60};
    static const uint16_t id[] = {11500, 12500, 50, 100, 20};
    /* 1 us to 500 ms; 2 us a word read, 10 us more a word programmed; settled in 10 ms; strobe to 100 ns */
    static const uint16_t timing[] = {1000, 0, 0x6500, 0x1DCD, 2000, 0, 10000, 0, 10, 100};
    static const uint16_t descriptor_max[] = {ROOM_DESCRIPTOR};
    const uint32_t logic = ~(pin(16));
    records_bytes = 0;
    add_text(0x01, "romwright reference 1.0");
    add_text(0x02, "host build, modelled chip");
    add_text(0x03, "");
    add_mask(IDENTITY_CAPABILITIES, capabilities);
    add(IDENTITY_SOCKET_PINS, (const uint8_t[]){32}, 1);
    add_numbers(IDENTITY_DESCRIPTOR_MAX, 0, descriptor_max, 1);
    add_mask(IDENTITY_DRIVE, logic);
    add_mask(IDENTITY_SENSE, logic);
    add_mask(IDENTITY_VCC_PINS, pin(1) | pin(3) | pin(28) | pin(30) | pin(32));
    add_mask(IDENTITY_VPP_PINS, pin(1) | pin(3) | pin(24) | pin(25));
    add_mask(IDENTITY_ID_PINS, pin(26));
    add_mask(IDENTITY_GROUND_PINS, pin(16));
    add_numbers(IDENTITY_VCC, SUPPLY_ADJUSTABLE, vcc, 5);
    add_numbers(IDENTITY_VPP, SUPPLY_ADJUSTABLE, vpp, 5);
    add_numbers(IDENTITY_ID, SUPPLY_ADJUSTABLE, id, 5);
    add_numbers(IDENTITY_TIMING, 0, timing, 10);
}

static int digit(char c)
{
    const char *digits = "0123456789abcdef";
    const char *found = c == '\0' ? NULL : strchr(digits, c);
    return found == NULL ? -1 : (int)(found - digits);
}

static const uint8_t *value_of(uint8_t tag, uint8_t least_bytes)
{
    for (size_t at = 0; at + 2 <= records_bytes; at += 2u + records[at + 1]) {
        if (records[at] == tag && records[at + 1] >= least_bytes) {
            return &records[at + 2];
        }
    }
    return NULL;
}

bool records_from_hex(const char *text)
{
    records_bytes = 0;
    for (; text[0] != '\0'; text += 2) {
        int high = digit(text[0]);
        int low = high < 0 ? -1 : digit(text[1]);
        if (low < 0 || records_bytes == sizeof records) {
            return false;
        }
        records[records_bytes++] = (uint8_t)(high << 4 | low);
    }
    const uint8_t *capabilities = value_of(IDENTITY_CAPABILITIES, 4);
    const uint8_t *timing = value_of(IDENTITY_TIMING, 20);
    limits.capabilities = 0;
    limits.settle_ms = 0;
    if (capabilities != NULL) {
        limits.capabilities = (uint16_t)(capabilities[0] | capabilities[1] << 8);
    }
    if (timing != NULL) {
        limits.settle_ms = (uint16_t)(timing[16] | timing[17] << 8);
    }
    return true;
}

uint8_t records_socket_pins(void)
{
    const uint8_t *pins = value_of(IDENTITY_SOCKET_PINS, 1);
    return pins == NULL ? 32 : pins[0];
}
