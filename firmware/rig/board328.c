/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The board around the ATmega328P, as firmware/README.md wires it. Part of the rig, see rig.h. */
#include <string.h>

#include <simavr/avr_spi.h>

#include "rig.h"

/* ATmega328P data sheet (DS40002061), register summary; addresses in data space. */
enum { PIN_B = 0x23, DDR_B, PORT_B, PIN_C, DDR_C, PORT_C, PIN_D, DDR_D, PORT_D };
enum { VCC_MV = 5000, VPP_MV = 12750 }; /* VPP as a trimmer was set */

static const uint8_t shifted_pins[14] = {10, 9, 8, 7, 6, 5, 4, 3, 25, 24, 21, 23, 2, 26};
static const uint8_t data_pins[8] = {11, 12, 13, 15, 16, 17, 18, 19};

static uint16_t shifting;
static uint16_t latched;
static uint8_t b_before;

static uint8_t supplies_on(void)
{
    uint8_t c = driven(DDR_C, PORT_C);
    return (uint8_t)((c >> 5 & 1) | (c & 2));
}

static void lay_logic(uint8_t pin, uint8_t ddr, uint8_t port, int bit)
{
    if ((ddr >> bit & 1) != 0) {
        lines[pin] = (port >> bit & 1) != 0 ? LINE_HIGH : LINE_LOW;
    }
}

static void look(void)
{
    uint8_t ddr_c = avr->data[DDR_C];
    uint8_t port_c = avr->data[PORT_C];
    memset(lines, LINE_FLOAT, LINES);
    for (int i = 0; i < 14; i++) {
        lines[shifted_pins[i]] = (latched >> i & 1) != 0 ? LINE_HIGH : LINE_LOW;
    }
    for (int i = 0; i < 6; i++) {
        lay_logic(data_pins[i], avr->data[DDR_D], avr->data[PORT_D], 2 + i);
    }
    lay_logic(data_pins[6], avr->data[DDR_B], avr->data[PORT_B], 0);
    lay_logic(data_pins[7], avr->data[DDR_B], avr->data[PORT_B], 1);
    lay_logic(20, ddr_c, port_c, 2);
    lay_logic(22, ddr_c, port_c, 3);
    lay_logic(27, ddr_c, port_c, 4);
    if ((supplies_on() & 1) != 0) {
        lines[28] = LINE_VCC;
        lines[1] = LINE_VCC; /* by a diode */
    }
    if ((supplies_on() & 2) != 0) {
        lines[1] = LINE_VPP;
        vpp_alone += (supplies_on() & 1) == 0;
    }
    tell_chip();
}

static void on_port(avr_t *which, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    if (which->data[address] == value) {
        return;
    }
    which->data[address] = value;
    uint8_t b = driven(DDR_B, PORT_B);
    if ((b & ~b_before & 4) != 0) {
        latched = shifting;
    }
    b_before = b;
    look();
}

static void on_shift(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    shifting = (uint16_t)(shifting << 8 | (value & 0xFF));
}

static uint8_t on_pins(avr_t *which, avr_io_addr_t address, void *param)
{
    (void)param;
    uint8_t seen = eprom_sense(&chip, now_ns());
    uint8_t ddr = which->data[address + 1];
    uint8_t outside = address == PIN_D ? (uint8_t)(seen << 2) : (uint8_t)(seen >> 6);
    return which->data[address] = (uint8_t)((which->data[address + 2] & ddr) | (outside & ~ddr));
}

static avr_cycle_count_t on_tick(avr_t *which, avr_cycle_count_t when, void *param)
{
    (void)which;
    (void)param;
    uint8_t on = supplies_on();
    double before = vcc_mv + vpp_mv;
    vcc_mv = (on & 1) != 0 ? VCC_MV : vcc_mv * 0.99;
    vpp_mv = (on & 2) != 0 ? VPP_MV : vpp_mv * 0.98;
    if (before != vcc_mv + vpp_mv) {
        tell_chip();
    }
    return when + 100 * CYCLES_A_US;
}

static void connect_board(void)
{
    for (uint16_t address = DDR_B; address <= PORT_D; address++) {
        if (address != PIN_C && address != PIN_D) {
            take_over(address, on_port);
        }
    }
    avr->io[AVR_DATA_TO_IO(PIN_B)].r.c = on_pins;
    avr->io[AVR_DATA_TO_IO(PIN_D)].r.c = on_pins;
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_OUTPUT), on_shift, NULL);
}

static void go_on(void)
{
    avr_cycle_timer_register(avr, 100 * CYCLES_A_US, on_tick, NULL);
}

const struct board board_328 = {"atmega328p", 28, connect_board, go_on, look, supplies_on};
