/* D22: can this device handle the part? Record by record, in the order of the descriptor. */
#include "identity.h"
#include "part.h"

static bool all_in(const struct pins *pins, enum identity_tag mask)
{
    for (uint8_t i = 0; i < pins->count; i++) {
        if (!identity_has_pin(mask, part_pin(pins, i))) {
            return false;
        }
    }
    return true;
}

/* Within 5 percent of what the device makes. */
static bool pulse_possible(uint32_t nanoseconds)
{
    uint32_t least;
    uint32_t greatest;
    identity_pulse_range(&least, &greatest);
    uint32_t slack = nanoseconds / 20u;
    return (nanoseconds >= least || least - nanoseconds <= slack) &&
           (nanoseconds <= greatest || nanoseconds - greatest <= slack);
}

static bool supply_possible(enum supply which, uint16_t millivolts, uint16_t tolerance)
{
    struct range range = identity_supply(which);
    if (millivolts == 0) {
        return true;
    }
    if (range.kind == SUPPLY_ABSENT) {
        return false;
    }
    return (uint32_t)millivolts + tolerance >= range.least_mv &&
           millivolts <= (uint32_t)range.greatest_mv + tolerance;
}

static uint8_t judge_supplies(void)
{
    if (part.vcc_read_mv > part.vcc_max_mv || part.vcc_high_mv > part.vcc_max_mv ||
        part.vcc_program_mv > part.vcc_max_mv || part.vpp_program_mv > part.vpp_max_mv || part.id_mv > part.id_max_mv) {
        return STATUS_LIMIT;
    }
    bool writes = part.loop != LOOP_NONE;
    if (!supply_possible(SUPPLY_VCC, part.vcc_read_mv, part.vcc_tolerance_mv) ||
        (writes && !supply_possible(SUPPLY_VCC, part.vcc_program_mv, part.vcc_tolerance_mv)) ||
        (writes && !supply_possible(SUPPLY_VPP, part.vpp_program_mv, part.vpp_tolerance_mv))) {
        return STATUS_CANNOT;
    }
    return STATUS_OK;
}

static bool overprogram_possible(void)
{
    if (part.over_factor == 0) {
        return true;
    }
    uint32_t pulses = (uint32_t)part.over_factor * part.most_pulses;
    return (DEVICE_CAN & CAN_OVERPROGRAM) != 0 && (pulses == 0 || part.pulse_ns <= UINT32_MAX / pulses) &&
           pulse_possible(part.pulse_ns * pulses);
}

static uint8_t judge_loop(void)
{
    bool pulsed = part_has_mode(MODE_PROGRAM) && part_has_mode(MODE_VERIFY) && part.most_pulses != 0 &&
                  pulse_possible(part.pulse_ns) && overprogram_possible();
    bool good = false;
    switch (part.loop) {
    case LOOP_NONE:
        good = true;
        break;
    case LOOP_VERIFY_EACH:
        good = (DEVICE_CAN & CAN_VERIFY_EACH) != 0 && pulsed;
        break;
    case LOOP_FIRST_PASS:
        good = (DEVICE_CAN & CAN_FIRST_PASS) != 0 && pulsed;
        break;
    case LOOP_BYTE_WRITE:
        good = (DEVICE_CAN & CAN_BYTE_WRITE) != 0 && part_has_mode(MODE_WRITE) && part_has_mode(MODE_READ) &&
               part.most_pulses != 0;
        break;
    default:
        break;
    }
    return good ? STATUS_OK : STATUS_CANNOT;
}

static uint8_t judge_signature(void)
{
    if (part.method == METHOD_NONE) {
        return STATUS_OK;
    }
    if (part.method != METHOD_ID_VOLTAGE || (DEVICE_CAN & CAN_ID_VOLTAGE) == 0 || !part_has_mode(MODE_SIGNATURE) ||
        !supply_possible(SUPPLY_ID, part.id_mv, 0)) {
        return STATUS_CANNOT;
    }
    return STATUS_OK;
}

static uint8_t judge_erase_pulse(void)
{
    if (part.erase_vcc_mv > part.vcc_max_mv || part.erase_vpp_mv > part.vpp_max_mv ||
        part.erase_id_mv > part.id_max_mv) {
        return STATUS_LIMIT;
    }
    bool good = part_has_mode(MODE_ERASE) && part.erase_pulse_us <= UINT32_MAX / 1000u &&
                pulse_possible(part.erase_pulse_us * 1000u) &&
                supply_possible(SUPPLY_VCC, part.erase_vcc_mv, part.vcc_tolerance_mv) &&
                supply_possible(SUPPLY_VPP, part.erase_vpp_mv, part.vpp_tolerance_mv) &&
                supply_possible(SUPPLY_ID, part.erase_id_mv, 0);
    return good ? STATUS_OK : STATUS_CANNOT;
}

static bool level_possible(uint8_t level, uint8_t pin)
{
    switch (level) {
    case LEVEL_VPP:
        return identity_has_pin(IDENTITY_VPP_PINS, pin);
    case LEVEL_ID:
        return (DEVICE_CAN & CAN_ID_VOLTAGE) != 0 && identity_has_pin(IDENTITY_ID_PINS, pin);
    case LEVEL_VCC:
        return identity_has_pin(IDENTITY_VCC_PINS, pin);
    case LEVEL_FLOAT:
    case LEVEL_DATA:
    case LEVEL_ADDRESS:
        return true;
    default:
        return level < LEVELS && identity_has_pin(IDENTITY_DRIVE, pin);
    }
}

static uint8_t judge_mode(uint8_t mode)
{
    if (mode >= MODES) {
        return STATUS_CANNOT;
    }
    for (uint8_t i = 0; i < part.control.count; i++) {
        if (!level_possible(part_level(mode, i), part_pin(&part.control, i))) {
            return STATUS_CANNOT;
        }
    }
    return STATUS_OK;
}

static uint8_t cannot_unless(bool good)
{
    return good ? STATUS_OK : STATUS_CANNOT;
}

static uint8_t judge_record(uint8_t tag, uint16_t value)
{
    switch (tag) {
    case PART_GEOMETRY:
        return cannot_unless(part.semantics <= ERASE_FIRST);
    case PART_ADDRESS_PINS:
        return cannot_unless(all_in(&part.address, IDENTITY_DRIVE));
    case PART_DATA_PINS:
        return cannot_unless(all_in(&part.data, IDENTITY_DRIVE) && all_in(&part.data, IDENTITY_SENSE));
    case PART_CONTROL_PINS:
    case PART_PAGE:
    case PART_ERASE:
        return STATUS_OK;
    case PART_VCC_PINS:
        return cannot_unless(all_in(&part.vcc, IDENTITY_VCC_PINS));
    case PART_GROUND_PINS:
        return cannot_unless(all_in(&part.ground, IDENTITY_GROUND_PINS));
    case PART_SUPPLIES:
        return judge_supplies();
    case PART_LOOP:
        return judge_loop();
    case PART_SIGNATURE:
        return judge_signature();
    case PART_ERASE_PULSE:
        return judge_erase_pulse();
    case PART_MODE:
        return judge_mode(part_text[value]);
    default:
        return STATUS_CANNOT;
    }
}

uint8_t part_judge(uint16_t length, uint8_t *tag, uint8_t *index)
{
    uint8_t place = 0;
    for (uint16_t at = 0; at != length; at = (uint16_t)(at + 2u + part_text[at + 1u])) {
        uint8_t status = judge_record(part_text[at], (uint16_t)(at + 2u));
        if (status != STATUS_OK) {
            *tag = part_text[at];
            *index = place;
            return status;
        }
        place++;
    }
    uint8_t unfit = hw_fit_part();
    if (unfit == 0) {
        return STATUS_OK;
    }
    place = 0;
    for (uint16_t at = 0; at != length && part_text[at] != unfit; at = (uint16_t)(at + 2u + part_text[at + 1u])) {
        place++;
    }
    *tag = unfit;
    *index = place;
    return STATUS_CANNOT;
}
