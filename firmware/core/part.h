/* The part that is set up: its descriptor (section 6) as it came, and what is read from it. */
#ifndef PART_H
#define PART_H

#include "hw.h"

enum { CONTROL_PINS_ROOM = 16 };

struct pins {
    uint16_t at; /* in part_text */
    uint8_t count;
};

struct part {
    bool ready;
    uint8_t width_bits;
    uint8_t semantics;
    uint8_t loop;
    uint8_t most_pulses;
    uint8_t over_factor;
    uint8_t polling;
    uint8_t method;
    bool has_page;
    bool has_erase_pulse;
    uint16_t erased;
    uint16_t access_ns;
    uint16_t vcc_read_mv, vcc_low_mv, vcc_high_mv, vcc_program_mv, vpp_program_mv, id_mv;
    uint16_t vcc_tolerance_mv, vpp_tolerance_mv, vcc_max_mv, vpp_max_mv, id_max_mv;
    uint16_t erase_vcc_mv, erase_vpp_mv, erase_id_mv;
    uint32_t erase_pulse_us;
    uint32_t size_words;
    uint32_t pulse_ns;
    uint32_t cycle_us;
    uint32_t maker_address, device_address;
    struct pins address, data, control, vcc, ground;
    uint16_t mode_at[MODES]; /* where its levels stand in part_text; 0 if it has no such mode */
};

extern struct part part;
extern uint8_t part_text[ROOM_DESCRIPTOR];

static inline uint8_t part_pin(const struct pins *pins, uint8_t i)
{
    return part_text[pins->at + i];
}

static inline bool part_has_mode(uint8_t mode)
{
    return mode < MODES && part.mode_at[mode] != 0;
}

/* The level of control pin `i` in a mode that is there. */
static inline uint8_t part_level(uint8_t mode, uint8_t i)
{
    return part_text[part.mode_at[mode] + i];
}

/* Reads the records of part_text into `part`; false if they are malformed or contradict themselves. */
bool part_read(uint16_t length);
/* The part can be handled: STATUS_OK, or why not and for which record. */
uint8_t part_judge(uint16_t length, uint8_t *tag, uint8_t *index);

#endif
