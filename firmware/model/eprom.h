/* A model of byte-wide EPROMs for tests: what the pins are at and when goes in, what the chip drives comes out.
 *
 * It knows nothing of the firmware. It also keeps a list of what a data sheet would not allow. Times are of the
 * 27C-series as data sheets of several makers agree (from memory): 2 us of set-up and hold around a programming pulse.
 */
#ifndef EPROM_H
#define EPROM_H

#include <stdbool.h>
#include <stdint.h>

enum { LINES = 41 }; /* socket pins 1 to 40 */

/* What is at a pin. */
enum line { LINE_FLOAT, LINE_LOW, LINE_HIGH, LINE_VCC, LINE_VPP, LINE_ID };

/* Where the programming pulse goes, and where VPP is. */
enum style {
    STYLE_PGM,     /* /PGM low while /CE is low and VPP is on its own pin */
    STYLE_CE,      /* /CE low while /OE is high and VPP is on its own pin */
    STYLE_OE_VPP,  /* /CE low while /OE has VPP */
    STYLE_WE,      /* no VPP: /WE low while /CE is low and /OE is high; replaces the byte */
};

struct eprom_kind {
    const char *name;
    uint8_t pins;
    enum style style;
    uint32_t size;
    uint8_t ce, oe, pgm, vpp, vcc, ground; /* package pins; pgm is /WE in STYLE_WE */
    uint8_t address[20];
    uint8_t data[8];
    uint8_t maker, device;
    uint32_t pulse_us;  /* of the maker's loop */
    uint16_t vpp_mv;    /* what it programs with */
    uint16_t access_ns;
};

/* Pulses that would not do, and what else the pins did wrong. */
struct eprom_faults {
    uint32_t width;        /* a pulse outside 5 percent of the maker's */
    uint32_t moved;        /* address or data changed inside a pulse */
    uint32_t setup;        /* they changed less than 2 us before it */
    uint32_t hold;         /* or less than 2 us after it */
    uint32_t contention;   /* programmer and chip drove different levels */
    uint32_t vpp_alone;    /* VPP at a pin without VCC, or before it */
    uint32_t wrong_pin;    /* VPP or the ID voltage at a pin that does not take it */
    uint32_t early;        /* read before the access time was over */
};

struct eprom {
    const struct eprom_kind *kind;
    uint8_t *cells;
    uint8_t *progress;     /* pulses that a byte with weak cells has had */
    uint8_t offset;        /* package pin 1 is at socket pin 1 + offset */
    bool empty;            /* nothing is in the socket */
    bool any_width;        /* a pulse of any length programs, as in the worked exchanges */
    uint32_t weak_per_mille;
    int32_t dead_address;  /* a byte that cannot be programmed, or -1 */
    struct eprom_faults faults;
    uint32_t pulses;
    uint64_t shortest_ns, longest_ns;
    uint64_t first_ns, last_ns; /* when the first pulse began, and the last */
    /* present state */
    uint32_t address;
    uint16_t vcc_mv, vpp_mv;
    uint8_t driven;        /* by the programmer, on the data pins */
    bool is_driven, selected, enabled, id_on;
    bool in_pulse;
    uint8_t echo;          /* what the data lines were last at: an empty socket keeps it for a while */
    uint64_t pulse_from_ns, pulse_to_ns, moved_ns, changed_ns;
};

const struct eprom_kind *eprom_find(const char *name);
/* A chip in a socket of so many pins; all erased. False without memory. */
bool eprom_insert(struct eprom *chip, const struct eprom_kind *kind, uint8_t socket_pins);
/* The pins are like this now. `lines` counts from 1. */
void eprom_pins(struct eprom *chip, const uint8_t *lines, uint16_t vcc_mv, uint16_t vpp_mv, uint64_t now_ns);
/* What a look at the data pins sees. */
uint8_t eprom_sense(struct eprom *chip, uint64_t now_ns);
uint32_t eprom_fault_count(const struct eprom *chip);

#endif
