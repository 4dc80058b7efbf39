/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The emulated hardware rig: an AVR core emulator, our board around it, and a modelled chip in its socket.
 *
 * This folder links libsimavr, which is under the GNU General Public License, version 3 or later. What is built from it
 * may be passed on under that licence only. It is a test tool: nothing of the product contains or needs it.
 */
#ifndef RIG_H
#define RIG_H

#include <stdbool.h>
#include <stdint.h>

#include <simavr/sim_avr.h>

#include "eprom.h"

enum { CYCLES_A_US = 16 };

struct options {
    const char *firmware;
    const char *chip;
    const char *dump;
    const char *content;
    uint32_t weak_per_mille;
    double speed; /* times real time; 0: as fast as it goes */
    bool empty;
    const char *controller; /* and with it the board around it */
};

extern struct options options;
extern avr_t *avr;
extern struct eprom chip;

static inline uint64_t now_ns(void)
{
    return (uint64_t)avr->cycle * 1000u / CYCLES_A_US;
}

/* Seconds of this machine's own clock. */
double wall_s(void);

/* A board: how a controller is wired to socket and supplies. */
struct board {
    const char *controller;
    uint8_t socket_pins;
    /* Ports to socket pins, supplies, measuring. */
    void (*connect)(void);
    /* Sets its timers, at the start and after a reset, which ends them. */
    void (*go_on)(void);
    /* Looks at all ports again, as after a reset. */
    void (*look)(void);
    /* Bits: 0 VCC on, 1 VPP on, 2 ID voltage on. */
    uint8_t (*supplies_on)(void);
};

extern const struct board board_2560, board_328;

/* What boards share. `lines` are the socket's pins from 1 on; the voltages are as they are at this moment, mV. */
extern uint8_t lines[LINES];
extern double vcc_mv, vpp_mv;
extern uint32_t vpp_alone;   /* VPP was on without VCC */
extern uint32_t two_drivers; /* a supply was switched to a pin that was driven */
static inline uint8_t driven(uint16_t ddr, uint16_t port)
{
    return avr->data[ddr] & avr->data[port];
}
void switch_on(uint8_t pin, enum line line);
void tell_chip(void);
void take_over(uint16_t address, avr_io_write_t write);
/* Prints what is on, in the socket, and what was counted. */
void report(const struct board *board);

/* The line: UART 0 to a pseudo-terminal, at the speed that the firmware has set. */
bool line_connect(void);
/* The same for its timer. */
void line_go_on(void);
void line_flush(void);
uint32_t line_overruns(void);

#endif
