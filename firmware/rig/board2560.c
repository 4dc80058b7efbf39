/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The board around the ATmega2560, as firmware/README.md wires it. Part of the rig: GPL-3.0-or-later, see rig.h. */
#include <stdio.h>
#include <string.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/sim_time.h>

#include "rig.h"

struct port {
    char name;
    uint16_t pin, ddr, port; /* addresses in data space */
    uint8_t socket[8];       /* socket pin of each bit, 0 none */
};

/* ATmega2560 data sheet (2549), register summary. */
static const struct port ports[] = {
    {'A', 0x20, 0x21, 0x22, {13, 14, 15, 17, 18, 19, 20, 21}},
    {'C', 0x26, 0x27, 0x28, {12, 11, 10, 9, 8, 7, 6, 5}},
    {'K', 0x106, 0x107, 0x108, {1, 2, 3, 4, 22, 23, 24, 25}},
    {'L', 0x109, 0x10A, 0x10B, {26, 27, 28, 29, 30, 31, 32, 0}},
};
enum { PORTS = sizeof ports / sizeof ports[0] };
enum { DDR_B = 0x24, PORT_B = 0x25, DDR_H = 0x101, PORT_H = 0x102, DDR_J = 0x104, PORT_J = 0x105, PIN_D = 0x29 };

static const uint8_t vcc_switch_h[] = {32, 30, 28};
static const uint8_t vpp_switch_h[] = {1, 3, 24, 25};
static const uint8_t vcc_switch_j[] = {1, 3, 25};

static uint16_t code[2];     /* of the DAC */
static uint16_t shifted;
static uint8_t b_before;

static void lay_lines(void)
{
    memset(lines, LINE_FLOAT, sizeof lines);
    for (int i = 0; i < PORTS; i++) {
        uint8_t ddr = avr->data[ports[i].ddr];
        uint8_t level = avr->data[ports[i].port];
        for (int bit = 0; ddr != 0 && bit < 8; bit++) {
            if ((ddr >> bit & 1) != 0) {
                lines[ports[i].socket[bit]] = (level >> bit & 1) != 0 ? LINE_HIGH : LINE_LOW;
            }
        }
    }
    uint8_t h = driven(DDR_H, PORT_H);
    uint8_t j = driven(DDR_J, PORT_J);
    for (int i = 0; i < 3; i++) {
        if ((h >> i & 1) != 0) {
            switch_on(vcc_switch_h[i], LINE_VCC);
        }
        if ((j >> i & 1) != 0) {
            switch_on(vcc_switch_j[i], LINE_VCC);
        }
    }
    for (int i = 0; i < 4; i++) {
        if ((h >> (3 + i) & 1) != 0) {
            switch_on(vpp_switch_h[i], LINE_VPP);
        }
    }
    if ((h >> 7 & 1) != 0 && (driven(DDR_B, PORT_B) >> 5 & 1) != 0) {
        switch_on(26, LINE_ID);
    }
}

static void look(void)
{
    lay_lines();
    tell_chip();
}

static void on_port(avr_t *which, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    if (which->data[address] != value) {
        which->data[address] = value;
        look();
    }
}

static uint8_t on_data_pins(avr_t *which, avr_io_addr_t address, void *param)
{
    (void)param;
    uint8_t ddr = which->data[address + 1];
    uint8_t seen = (uint8_t)((which->data[address + 2] & ddr) | (eprom_sense(&chip, now_ns()) & ~ddr));
    return which->data[address] = seen;
}

/* A 12-bit DAC of two channels: 16 bits, the highest chooses the channel; taken over when the latch rises. */
static void on_supplies(avr_t *which, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    uint8_t now = value & which->data[DDR_B];
    which->data[address] = value;
    uint8_t risen = (uint8_t)(now & ~b_before);
    if ((risen & 1) != 0) {
        shifted = (uint16_t)(shifted << 1 | (now >> 1 & 1));
    }
    if ((risen & 4) != 0) {
        code[shifted >> 15] = shifted & 0x0FFF;
    }
    if ((now & 0x18) == 0x10) {
        vpp_alone++;
    }
    b_before = now;
    look();
}

/* Rises within a millisecond; falls with 2 ms when discharged, with 3 ms over its bleed resistor when not. */
static void move(double *voltage, double target, bool discharges)
{
    double rate = target >= *voltage ? 0.3 : discharges ? 0.05 : 0.033;
    *voltage += (target - *voltage) * rate;
}

static avr_cycle_count_t on_tick(avr_t *which, avr_cycle_count_t when, void *param)
{
    (void)param;
    uint8_t b = driven(DDR_B, PORT_B);
    double before = vcc_mv + vpp_mv;
    move(&vcc_mv, (b & 8) != 0 ? code[0] * 2.0 : 0.0, (b & 0x40) != 0);
    move(&vpp_mv, (b & 0x10) != 0 ? code[1] * 7.0 : 0.0, (b & 0x80) != 0);
    if (before != vcc_mv + vpp_mv) {
        avr_irq_t *adc = avr_io_getirq(which, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0);
        avr_raise_irq(&adc[0], (uint32_t)(vcc_mv / 2));
        avr_raise_irq(&adc[1], (uint32_t)(vpp_mv / 6));
        tell_chip();
    }
    return when + 100 * CYCLES_A_US;
}

static void connect_board(void)
{
    for (int i = 0; i < PORTS; i++) {
        take_over(ports[i].port, on_port);
        take_over(ports[i].ddr, on_port);
    }
    avr->io[AVR_DATA_TO_IO(ports[0].pin)].r.c = on_data_pins;
    take_over(PORT_H, on_port);
    take_over(DDR_H, on_port);
    take_over(PORT_J, on_port);
    take_over(DDR_J, on_port);
    take_over(PORT_B, on_supplies);
    avr->vcc = avr->avcc = avr->aref = 5000;
}

static void go_on(void)
{
    avr_cycle_timer_register(avr, 100 * CYCLES_A_US, on_tick, NULL);
}

static uint8_t supplies_on(void)
{
    return driven(DDR_B, PORT_B) >> 3 & 7;
}

const struct board board_2560 = {"atmega2560", 32, connect_board, go_on, look, supplies_on};
