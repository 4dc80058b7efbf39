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
    const char *controller; /* another one than the ATmega2560 has its line only: no board, no socket */
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

/* The board: ports to socket pins, supplies, measuring. */
void board_connect(void);
/* Which controller has this board. */
#define BOARD_CONTROLLER "atmega2560"
/* Looks at all ports again, as after a reset. */
void board_look(void);
/* What is on now: mV at the supplies, and how many socket pins are driven. */
void board_report(void);

/* The line: UART 0 to a pseudo-terminal, at the speed that the firmware has set. */
bool line_connect(void);
/* A reset ends all timers of the emulator: ours are to be set again. */
void line_go_on(void);
void board_go_on(void);
void line_flush(void);
uint32_t line_overruns(void);

#endif
