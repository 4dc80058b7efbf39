#include "part.h"

struct part part;
uint8_t part_text[ROOM_DESCRIPTOR];

enum {
    GEOMETRY_BYTES = 10,
    SUPPLIES_BYTES = 22,
    LOOP_BYTES = 7,
    PAGE_BYTES = 9,
    ERASE_BYTES = 12,
    SIGNATURE_BYTES = 9,
    ERASE_PULSE_BYTES = 10,
    STEP_BYTES = 8,
    NEEDED = 8,      /* tags 0x01 to 0x08 must be there */
    ONE_EACH = 0x0C, /* tags up to this one may be there once */
    WIDEST_ADDRESS = 32,
};

static uint16_t u16_at(uint16_t at)
{
    return (uint16_t)(part_text[at] | (uint16_t)part_text[at + 1u] << 8);
}

static uint32_t u32_at(uint16_t at)
{
    return u16_at(at) | (uint32_t)u16_at((uint16_t)(at + 2u)) << 16;
}

static bool read_geometry(uint16_t at, uint8_t length)
{
    if (length < GEOMETRY_BYTES) {
        return false;
    }
    part.width_bits = part_text[at];
    part.semantics = part_text[at + 1u];
    part.size_words = u32_at((uint16_t)(at + 2u));
    part.erased = u16_at((uint16_t)(at + 6u));
    part.access_ns = u16_at((uint16_t)(at + 8u));
    return (part.width_bits == 8 || part.width_bits == 16) && part.size_words != 0;
}

static bool read_supplies(uint16_t at, uint8_t length)
{
    if (length < SUPPLIES_BYTES) {
        return false;
    }
    uint16_t *const values[SUPPLIES_BYTES / 2] = {
        &part.vcc_read_mv,    &part.vcc_low_mv,       &part.vcc_high_mv,      &part.vcc_program_mv,
        &part.vpp_program_mv, &part.id_mv,            &part.vcc_tolerance_mv, &part.vpp_tolerance_mv,
        &part.vcc_max_mv,     &part.vpp_max_mv,       &part.id_max_mv,
    };
    for (uint8_t i = 0; i < SUPPLIES_BYTES / 2; i++) {
        *values[i] = u16_at((uint16_t)(at + 2u * i));
    }
    return part.vcc_low_mv <= part.vcc_high_mv;
}

static bool read_loop(uint16_t at, uint8_t length)
{
    if (length < LOOP_BYTES) {
        return false;
    }
    part.loop = part_text[at];
    part.pulse_ns = u32_at((uint16_t)(at + 1u));
    part.most_pulses = part_text[at + 5u];
    part.over_factor = part_text[at + 6u];
    return true;
}

static bool read_page(uint16_t at, uint8_t length)
{
    if (length < PAGE_BYTES) {
        return false;
    }
    part.has_page = true;
    part.cycle_us = u32_at((uint16_t)(at + 4u));
    part.polling = part_text[at + 8u];
    return true;
}

static bool read_signature(uint16_t at, uint8_t length)
{
    if (length < SIGNATURE_BYTES) {
        return false;
    }
    part.method = part_text[at];
    part.maker_address = u32_at((uint16_t)(at + 1u));
    part.device_address = u32_at((uint16_t)(at + 5u));
    return true;
}

static bool read_erase_pulse(uint16_t at, uint8_t length)
{
    if (length < ERASE_PULSE_BYTES) {
        return false;
    }
    part.has_erase_pulse = true;
    part.erase_vcc_mv = u16_at(at);
    part.erase_vpp_mv = u16_at((uint16_t)(at + 2u));
    part.erase_id_mv = u16_at((uint16_t)(at + 4u));
    part.erase_pulse_us = u32_at((uint16_t)(at + 6u));
    return true;
}

static bool read_mode(uint16_t at, uint8_t length)
{
    if (length == 0) {
        return false;
    }
    uint8_t mode = part_text[at];
    if (mode >= MODES) {
        return true; /* unknown: judged later */
    }
    if (part.mode_at[mode] != 0) {
        return false;
    }
    part.mode_at[mode] = (uint16_t)(at + 1u);
    return length - 1u == part.control.count;
}

static bool read_pins(struct pins *pins, uint16_t at, uint8_t length)
{
    *pins = (struct pins){.at = at, .count = length};
    return true;
}

static bool read_record(uint8_t tag, uint16_t at, uint8_t length)
{
    switch (tag) {
    case PART_GEOMETRY:
        return read_geometry(at, length);
    case PART_ADDRESS_PINS:
        return read_pins(&part.address, at, length);
    case PART_DATA_PINS:
        return read_pins(&part.data, at, length);
    case PART_CONTROL_PINS:
        return read_pins(&part.control, at, length) && length <= CONTROL_PINS_ROOM;
    case PART_VCC_PINS:
        return read_pins(&part.vcc, at, length);
    case PART_GROUND_PINS:
        return read_pins(&part.ground, at, length);
    case PART_SUPPLIES:
        return read_supplies(at, length);
    case PART_LOOP:
        return read_loop(at, length);
    case PART_PAGE:
        return read_page(at, length);
    case PART_ERASE:
        return length >= ERASE_BYTES;
    case PART_SIGNATURE:
        return read_signature(at, length);
    case PART_ERASE_PULSE:
        return read_erase_pulse(at, length);
    case PART_SEQUENCE:
        return length != 0 && (length - 1u) % STEP_BYTES == 0;
    default:
        return true;
    }
}

/* Reads all records but the modes, which need to know the control pins, wherever those stand. */
static bool read_records(uint16_t length, bool modes)
{
    uint16_t seen = 0;
    for (uint16_t at = 0; at != length;) {
        if (at + 2u > length || at + 2u + part_text[at + 1u] > length) {
            return false;
        }
        uint8_t tag = part_text[at];
        uint8_t bytes = part_text[at + 1u];
        if (tag != 0 && tag <= ONE_EACH) {
            if (((unsigned)seen >> tag & 1u) != 0) {
                return false;
            }
            seen = (uint16_t)(seen | 1u << tag);
        }
        uint16_t value = (uint16_t)(at + 2u);
        if (modes ? tag == PART_MODE && !read_mode(value, bytes) : !read_record(tag, value, bytes)) {
            return false;
        }
        at = (uint16_t)(value + bytes);
    }
    return (seen & 0x1FEu) == 0x1FEu;
}

static bool sequences_differ(uint16_t length)
{
    uint16_t seen = 0;
    for (uint16_t at = 0; at != length; at = (uint16_t)(at + 2u + part_text[at + 1u])) {
        if (part_text[at] == PART_SEQUENCE && part_text[at + 2u] < 16) {
            uint16_t bit = (uint16_t)(1u << part_text[at + 2u]);
            if ((seen & bit) != 0) {
                return false;
            }
            seen |= bit;
        }
    }
    return true;
}

static bool among(const struct pins *pins, uint8_t pin)
{
    for (uint8_t i = 0; i < pins->count; i++) {
        if (part_pin(pins, i) == pin) {
            return true;
        }
    }
    return false;
}

static bool all_differ(const struct pins *some, const struct pins *others)
{
    for (uint8_t i = 0; i < some->count; i++) {
        for (uint8_t j = (uint8_t)(some == others ? i + 1u : 0u); j < others->count; j++) {
            if (part_pin(some, i) == part_pin(others, j)) {
                return false;
            }
        }
    }
    return true;
}

/* No pin with two roles that no mode decides between: a control pin may be an address or data pin, too. */
static bool roles_clear(void)
{
    const struct pins *const roles[] = {&part.address, &part.data, &part.vcc, &part.ground, &part.control};
    enum { ROLES = sizeof roles / sizeof roles[0], CONTROL = ROLES - 1 };
    for (uint8_t i = 0; i < ROLES; i++) {
        for (uint8_t j = i; j < ROLES; j++) {
            bool by_mode = j == CONTROL && i < 2;
            if (!by_mode && !all_differ(roles[i], roles[j])) {
                return false;
            }
        }
    }
    return true;
}

/* "Address" and "data" are levels only of a pin that has that role. */
static bool levels_true(void)
{
    for (uint8_t mode = 0; mode < MODES; mode++) {
        for (uint8_t i = 0; part_has_mode(mode) && i < part.control.count; i++) {
            uint8_t level = part_level(mode, i);
            uint8_t pin = part_pin(&part.control, i);
            if ((level == LEVEL_ADDRESS && !among(&part.address, pin)) ||
                (level == LEVEL_DATA && !among(&part.data, pin))) {
                return false;
            }
        }
    }
    return true;
}

static bool addresses_reach(void)
{
    uint8_t lines = part.address.count;
    if (lines > WIDEST_ADDRESS) {
        return false;
    }
    return lines == WIDEST_ADDRESS || part.size_words - 1u < UINT32_C(1) << lines;
}

bool part_read(uint16_t length)
{
    part = (struct part){.ready = false};
    return read_records(length, false) && read_records(length, true) && sequences_differ(length) &&
           part.data.count == part.width_bits && addresses_reach() && roles_clear() && levels_true() &&
           (part.has_erase_pulse || !part_has_mode(MODE_ERASE));
}
