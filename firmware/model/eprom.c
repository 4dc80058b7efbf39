#include "eprom.h"

#include <stdlib.h>
#include <string.h>

#define JEDEC_28_LOW 10, 9, 8, 7, 6, 5, 4, 3, 25, 24, 21, 23, 2
#define JEDEC_28_DATA {11, 12, 13, 15, 16, 17, 18, 19}
#define JEDEC_32_LOW 12, 11, 10, 9, 8, 7, 6, 5, 27, 26, 23, 25, 4, 28, 29, 3, 2
#define JEDEC_32_DATA {13, 14, 15, 17, 18, 19, 20, 21}

/* Pins as JEDEC's byte-wide standard has them; codes and pulses as the catalogue of this project. */
static const struct eprom_kind kinds[] = {
    {"trivial", 28, STYLE_PGM, 1024, 20, 22, 27, 1, 28, 14, {10, 9, 8, 7, 6, 5, 4, 3, 25, 24}, JEDEC_28_DATA,
     0, 0, 10000, 12750, 200},
    {"27c64", 28, STYLE_PGM, 8192, 20, 22, 27, 1, 28, 14, {JEDEC_28_LOW}, JEDEC_28_DATA, 0x01, 0x15, 100, 12750, 200},
    {"27c128", 28, STYLE_PGM, 16384, 20, 22, 27, 1, 28, 14, {JEDEC_28_LOW, 26}, JEDEC_28_DATA,
     0x01, 0x16, 100, 12750, 200},
    {"27c256", 28, STYLE_CE, 32768, 20, 22, 0, 1, 28, 14, {JEDEC_28_LOW, 26, 27}, JEDEC_28_DATA,
     0x01, 0x10, 100, 12750, 200},
    {"27c512", 28, STYLE_OE_VPP, 65536, 20, 22, 0, 22, 28, 14, {JEDEC_28_LOW, 26, 27, 1}, JEDEC_28_DATA,
     0x01, 0x91, 100, 12750, 200},
    {"27c010", 32, STYLE_PGM, 131072, 22, 24, 31, 1, 32, 16, {JEDEC_32_LOW}, JEDEC_32_DATA, 0x01, 0x0E, 100, 12750, 200},
    {"28c64", 28, STYLE_WE, 8192, 20, 22, 27, 0, 28, 14, {JEDEC_28_LOW}, JEDEC_28_DATA, 0, 0, 0, 0, 200},
};

enum { STEADY_NS = 2000, VCC_LEAST_MV = 2500 };

const struct eprom_kind *eprom_find(const char *name)
{
    for (size_t i = 0; i < sizeof kinds / sizeof kinds[0]; i++) {
        if (strcmp(kinds[i].name, name) == 0) {
            return &kinds[i];
        }
    }
    return NULL;
}

bool eprom_insert(struct eprom *chip, const struct eprom_kind *kind, uint8_t socket_pins)
{
    *chip = (struct eprom){.kind = kind, .dead_address = -1, .shortest_ns = UINT64_MAX};
    chip->offset = (uint8_t)((socket_pins - kind->pins) / 2);
    chip->cells = malloc(kind->size);
    chip->progress = calloc(kind->size, 1);
    if (chip->cells == NULL || chip->progress == NULL) {
        return false;
    }
    memset(chip->cells, 0xFF, kind->size);
    return true;
}

static uint8_t at(const struct eprom *chip, const uint8_t *lines, uint8_t package_pin)
{
    return package_pin == 0 ? LINE_FLOAT : lines[package_pin + chip->offset];
}

/* Inputs see VCC and the programming voltages as high. Floating ones are pulled up in no socket: taken as low. */
static bool is_high(uint8_t line)
{
    return line >= LINE_HIGH;
}

static uint32_t address_of(const struct eprom *chip, const uint8_t *lines)
{
    uint32_t address = 0;
    for (uint32_t i = 0; (UINT32_C(1) << i) < chip->kind->size; i++) {
        address |= (uint32_t)is_high(at(chip, lines, chip->kind->address[i])) << i;
    }
    return address;
}

static void check_high_voltages(struct eprom *chip, const uint8_t *lines)
{
    uint8_t a9 = (uint8_t)(chip->kind->address[9] + chip->offset);
    uint8_t vpp = chip->kind->vpp == 0 ? 0 : (uint8_t)(chip->kind->vpp + chip->offset);
    for (uint8_t pin = 1; pin < LINES; pin++) {
        if ((lines[pin] == LINE_VPP && pin != vpp && chip->vpp_mv != 0) || (lines[pin] == LINE_ID && pin != a9)) {
            chip->faults.wrong_pin++;
        }
        if (lines[pin] == LINE_VPP && chip->vpp_mv > VCC_LEAST_MV && chip->vcc_mv < VCC_LEAST_MV) {
            chip->faults.vpp_alone++;
        }
    }
}

static bool vpp_is_on(const struct eprom *chip, const uint8_t *lines)
{
    uint16_t mv = chip->vpp_mv;
    return at(chip, lines, chip->kind->vpp) == LINE_VPP && mv + 500 > chip->kind->vpp_mv && mv < chip->kind->vpp_mv + 500;
}

static bool pulse_condition(const struct eprom *chip, const uint8_t *lines)
{
    const struct eprom_kind *kind = chip->kind;
    bool ce = at(chip, lines, kind->ce) == LINE_LOW;
    bool oe_high = is_high(at(chip, lines, kind->oe));
    if (chip->vcc_mv < VCC_LEAST_MV || !ce || chip->empty) {
        return false;
    }
    switch (kind->style) {
    case STYLE_PGM:
        return at(chip, lines, kind->pgm) == LINE_LOW && oe_high && vpp_is_on(chip, lines);
    case STYLE_CE:
        return oe_high && vpp_is_on(chip, lines);
    case STYLE_OE_VPP:
        return vpp_is_on(chip, lines);
    case STYLE_WE:
        return at(chip, lines, kind->pgm) == LINE_LOW && oe_high;
    }
    return false;
}

static bool is_weak(const struct eprom *chip, uint32_t address)
{
    uint32_t scattered = (address * UINT32_C(2654435761)) >> 16;
    return scattered % 1000u < chip->weak_per_mille && chip->kind->style != STYLE_WE;
}

static void apply_pulse(struct eprom *chip, uint64_t width_ns)
{
    uint64_t nominal = (uint64_t)chip->kind->pulse_us * 1000u;
    bool any_width = chip->any_width || chip->kind->style == STYLE_WE;
    bool counts = true;
    chip->pulses++;
    if (width_ns < chip->shortest_ns) {
        chip->shortest_ns = width_ns;
    }
    if (width_ns > chip->longest_ns) {
        chip->longest_ns = width_ns;
    }
    if (!any_width && (width_ns < nominal * 95 / 100 || width_ns > nominal * 105 / 100)) {
        chip->faults.width++;
        counts = width_ns > nominal; /* a short one does nothing, a long one too much */
    }
    if (!counts || (int32_t)chip->address == chip->dead_address) {
        return;
    }
    if (is_weak(chip, chip->address) && chip->progress[chip->address] == 0) {
        chip->progress[chip->address] = 1;
        return;
    }
    uint8_t *cell = &chip->cells[chip->address];
    *cell = chip->kind->style == STYLE_WE ? chip->driven : (uint8_t)(*cell & chip->driven);
}

static void follow_pulse(struct eprom *chip, bool pulse, bool moved, uint64_t now_ns)
{
    if (chip->in_pulse && (moved || !chip->is_driven)) {
        chip->faults.moved++;
    }
    if (moved && !chip->in_pulse && chip->pulse_to_ns != 0 && now_ns < chip->pulse_to_ns + STEADY_NS &&
        chip->kind->style != STYLE_WE) {
        chip->faults.hold++;
    }
    if (pulse && !chip->in_pulse) {
        if ((moved || now_ns < chip->moved_ns + STEADY_NS) && chip->kind->style != STYLE_WE) {
            chip->faults.setup++;
        }
        chip->first_ns = chip->pulses == 0 ? now_ns : chip->first_ns;
        chip->last_ns = now_ns;
        chip->pulse_from_ns = now_ns;
    } else if (!pulse && chip->in_pulse) {
        chip->pulse_to_ns = now_ns;
        apply_pulse(chip, now_ns - chip->pulse_from_ns);
    }
    chip->in_pulse = pulse;
    if (moved) {
        chip->moved_ns = now_ns;
    }
}

static uint8_t content(const struct eprom *chip)
{
    if (chip->id_on) {
        return (chip->address & 1u) == 0 ? chip->kind->maker : chip->kind->device; /* the maker's code at A0 low */
    }
    return chip->cells[chip->address];
}

static bool drives(const struct eprom *chip)
{
    return !chip->empty && chip->enabled && chip->vcc_mv >= VCC_LEAST_MV;
}

void eprom_pins(struct eprom *chip, const uint8_t *lines, uint16_t vcc_mv, uint16_t vpp_mv, uint64_t now_ns)
{
    const struct eprom_kind *kind = chip->kind;
    uint32_t address = address_of(chip, lines);
    uint8_t data = 0;
    bool driven = at(chip, lines, kind->data[0]) != LINE_FLOAT;
    for (uint8_t i = 0; i < 8; i++) {
        data = (uint8_t)(data | (is_high(at(chip, lines, kind->data[i])) ? 1u << i : 0u));
    }
    chip->vcc_mv = at(chip, lines, kind->vcc) == LINE_VCC ? vcc_mv : 0;
    chip->vpp_mv = vpp_mv;
    check_high_voltages(chip, lines);
    bool pulse = pulse_condition(chip, lines);
    /* The end of a pulse is seen with the address and data that it had. */
    bool moved = address != chip->address || driven != chip->is_driven || (driven && data != chip->driven);
    follow_pulse(chip, pulse, moved, now_ns);
    bool oe = at(chip, lines, kind->oe) == LINE_LOW;
    bool ce = at(chip, lines, kind->ce) == LINE_LOW;
    bool reads = oe && (ce || (kind->style == STYLE_CE && vpp_is_on(chip, lines))) && !pulse;
    bool id_on = at(chip, lines, kind->address[9]) == LINE_ID;
    if (reads != chip->enabled || address != chip->address || id_on != chip->id_on) {
        chip->changed_ns = now_ns;
    }
    chip->enabled = reads;
    chip->id_on = id_on;
    chip->address = address;
    chip->driven = data;
    chip->is_driven = driven;
    if (driven) {
        chip->echo = data;
        if (drives(chip) && content(chip) != data) {
            chip->faults.contention++;
        }
    }
}

uint8_t eprom_sense(struct eprom *chip, uint64_t now_ns)
{
    if (!drives(chip) || chip->is_driven) {
        return chip->echo;
    }
    if (now_ns < chip->changed_ns + chip->kind->access_ns) {
        chip->faults.early++;
        return (uint8_t)~content(chip);
    }
    return content(chip);
}

uint32_t eprom_fault_count(const struct eprom *chip)
{
    const struct eprom_faults *f = &chip->faults;
    return f->width + f->moved + f->setup + f->hold + f->contention + f->vpp_alone + f->wrong_pin + f->early;
}
