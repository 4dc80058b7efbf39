/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the boards share, and the report. Part of the rig, see rig.h. */
#include <stdio.h>

#include "rig.h"

uint8_t lines[LINES];
double vcc_mv, vpp_mv;
uint32_t vpp_alone;
uint32_t two_drivers;

void switch_on(uint8_t pin, enum line line)
{
    if (lines[pin] == LINE_LOW || lines[pin] == LINE_HIGH) {
        two_drivers++;
    }
    lines[pin] = (uint8_t)line;
}

void tell_chip(void)
{
    eprom_pins(&chip, lines, (uint16_t)(vcc_mv + 0.5), (uint16_t)(vpp_mv + 0.5), now_ns());
}

void take_over(uint16_t address, avr_io_write_t write)
{
    avr->io[AVR_DATA_TO_IO(address)].w.c = write;
}

void report(const struct board *board)
{
    uint32_t high = 0;
    for (uint8_t pin = 1; pin < LINES; pin++) {
        high += lines[pin] >= LINE_HIGH;
    }
    uint8_t on = board->supplies_on();
    const struct eprom_faults *f = &chip.faults;
    printf("vcc-mv %.0f vpp-mv %.0f vcc-on %u vpp-on %u id-on %u pins %u ", vcc_mv, vpp_mv, on & 1, on >> 1 & 1,
           on >> 2 & 1, high);
    printf("pulses %u shortest-ns %llu longest-ns %llu ", chip.pulses,
           (unsigned long long)(chip.pulses == 0 ? 0 : chip.shortest_ns), (unsigned long long)chip.longest_ns);
    printf("pulsing-ns %llu ", (unsigned long long)(chip.last_ns - chip.first_ns));
    printf("width %u moved %u setup %u hold %u contention %u vpp-alone %u wrong-pin %u early %u ", f->width, f->moved,
           f->setup, f->hold, f->contention, f->vpp_alone + vpp_alone, f->wrong_pin, f->early);
    printf("wall-us %llu ", (unsigned long long)(wall_s() * 1e6));
    printf("two-drivers %u overruns %u cycles %llu\n", two_drivers, line_overruns(), (unsigned long long)avr->cycle);
    fflush(stdout);
}
