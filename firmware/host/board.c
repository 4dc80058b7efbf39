/* The board of the host build: its socket holds the modelled chip. Every socket pin can do everything. */
#include <string.h>

#include "host.h"
#include "hw.h"
#include "part.h"
#include "records.h"

struct limits limits;
struct eprom chip;
uint64_t now_ns;

static uint8_t lines[LINES];
static uint8_t mode_now = MODES;
static bool in_pulse;
static uint64_t pulse_end_ns;
static uint32_t prepared_ns;
static uint32_t address_now;
static uint16_t data_now;
static bool driving;
static uint16_t set_mv[SUPPLIES];

static uint8_t level_line(uint8_t level)
{
    bool active = in_pulse;
    switch (level) {
    case LEVEL_LOW:
        return LINE_LOW;
    case LEVEL_LOW_PULSE:
        return active ? LINE_LOW : LINE_HIGH;
    case LEVEL_HIGH_PULSE:
        return active ? LINE_HIGH : LINE_LOW;
    case LEVEL_VPP:
        return LINE_VPP;
    case LEVEL_ID:
        return set_mv[SUPPLY_ID] != 0 ? LINE_ID : LINE_FLOAT;
    case LEVEL_VCC:
        return LINE_VCC;
    case LEVEL_FLOAT:
        return LINE_FLOAT;
    default:
        return LINE_HIGH;
    }
}

static void lay_logic(const struct pins *pins, uint32_t value)
{
    for (uint8_t i = 0; i < pins->count; i++) {
        lines[part_pin(pins, i)] = (value >> i & 1u) != 0 ? LINE_HIGH : LINE_LOW;
    }
}

static void lay_control(void)
{
    for (uint8_t i = 0; i < part.control.count; i++) {
        uint8_t level = part_level(mode_now, i);
        if (level != LEVEL_ADDRESS && level != LEVEL_DATA) {
            lines[part_pin(&part.control, i)] = level_line(level);
        }
    }
}

static void lay_pins(void)
{
    memset(lines, LINE_FLOAT, sizeof lines);
    for (uint8_t i = 0; part.ready && i < part.vcc.count; i++) {
        lines[part_pin(&part.vcc, i)] = LINE_VCC;
    }
    if (mode_now != MODES) {
        lay_logic(&part.address, address_now);
        if (driving) {
            lay_logic(&part.data, data_now);
        }
        lay_control();
    }
    eprom_pins(&chip, lines, set_mv[SUPPLY_VCC], set_mv[SUPPLY_VPP], now_ns);
}

void hw_start(void)
{
}

uint32_t hw_boot_id(void)
{
    return options.boot_id;
}

uint16_t hw_identity_bytes(void)
{
    return records_bytes;
}

uint8_t hw_identity_byte(uint16_t offset)
{
    return records[offset];
}

uint32_t hw_now_ms(void)
{
    return (uint32_t)(now_ns / 1000000u);
}

void hw_idle(void)
{
    line_rest(now_ns / 1000000u * 1000000u + 1000000u);
}

void hw_delay_us(uint16_t microseconds)
{
    now_ns += microseconds * UINT64_C(1000);
}

void hw_poll(void)
{
    line_poll();
}

void hw_tx_kick(void)
{
    line_send();
}

void hw_supply_set(enum supply which, uint16_t millivolts)
{
    set_mv[which] = millivolts;
    lay_pins();
}

uint16_t hw_supply_mv(enum supply which)
{
    int32_t error = which == SUPPLY_VCC ? options.vcc_error_mv : options.vpp_error_mv;
    if (!options.measures || which == SUPPLY_ID) {
        return NOT_MEASURED;
    }
    return (uint16_t)(set_mv[which] == 0 ? 0 : set_mv[which] + error);
}

bool hw_discharged(void)
{
    return true;
}

uint16_t hw_faults(void)
{
    bool too_much = options.over_current_at != 0 && chip.pulses >= options.over_current_at && set_mv[SUPPLY_VPP] != 0;
    return too_much ? FAULT_VPP_OVER_CURRENT : 0;
}

uint8_t hw_fit_part(void)
{
    return part.width_bits == 8 ? 0 : PART_GEOMETRY; /* the modelled chips are byte-wide */
}

void hw_pins_off(void)
{
    mode_now = MODES;
    driving = false;
    in_pulse = false;
    lay_pins();
}

bool hw_mode(uint8_t mode)
{
    mode_now = mode;
    lay_pins();
    return false;
}

bool hw_quick(void)
{
    return true;
}

uint8_t hw_quick_level(uint8_t mode)
{
    return mode;
}

void hw_quick_set(uint8_t level)
{
    (void)hw_mode(level);
}

void hw_steady_before(void)
{
    hw_delay_us(2);
}

void hw_steady_after(void)
{
    hw_delay_us(2);
}

void hw_pulse_prepare(uint32_t nanoseconds)
{
    prepared_ns = nanoseconds;
}

void hw_pulse_again(void)
{
    hw_steady_before();
    hw_pulse_start(prepared_ns);
}

void hw_address(uint32_t address)
{
    address_now = address;
    lay_pins();
}

void hw_low_address(uint8_t low)
{
    hw_address((address_now & ~UINT32_C(0xFF)) | low);
}

void hw_drive(uint16_t word)
{
    data_now = word;
    driving = true;
    lay_pins();
}

void hw_release(void)
{
    driving = false;
    lay_pins();
}

uint16_t hw_sense(void)
{
    return eprom_sense(&chip, now_ns);
}

void hw_access_wait(void)
{
    now_ns += part.access_ns;
}

void hw_pulse_start(uint32_t nanoseconds)
{
    in_pulse = true;
    pulse_end_ns = now_ns + nanoseconds;
    lay_pins();
}

uint32_t hw_pulse_left_us(void)
{
    return pulse_end_ns > now_ns ? (uint32_t)((pulse_end_ns - now_ns) / 1000u) : 0;
}

void hw_pulse_idle(void)
{
    uint64_t millisecond = now_ns / 1000000u * 1000000u + 1000000u;
    if (pulse_end_ns <= now_ns + 1000000u) {
        now_ns = pulse_end_ns; /* what is short need not be real */
    } else {
        line_rest(millisecond < pulse_end_ns ? millisecond : pulse_end_ns);
    }
}

void hw_pulse_finish(void)
{
    if (now_ns < pulse_end_ns) {
        now_ns = pulse_end_ns;
    }
    hw_pulse_cut();
}

void hw_pulse_cut(void)
{
    in_pulse = false;
    lay_pins();
}

void hw_strobe(void)
{
    in_pulse = true;
    lay_pins();
    now_ns += 200;
    hw_pulse_cut();
}
