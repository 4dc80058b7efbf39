/* SPDX-License-Identifier: GPL-3.0-or-later */
/* UART 0 at a pseudo-terminal, byte by byte at the speed of the line. Part of the rig: GPL-3.0-or-later, see rig.h.
 *
 * The emulator counts 11 bits a byte and takes 63 bytes that nobody reads; a real UART has two and one in its shift
 * register. So bytes are given to it one by one, and what a real one would lose is lost here. */
#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <termios.h>
#include <unistd.h>

#include <simavr/avr_uart.h>

#include "rig.h"

enum { HELD_BY_HARDWARE = 3, UBRR_LOW = 0xC4, UBRR_HIGH = 0xC5, STATUS_A = 0xC0, STATUS_B = 0xC1, UNREAD = 4096, OUT = 4096, TOGETHER = 64 };

static int master = -1;
static int slave = -1;
static avr_irq_t *uart_irq;
static avr_uart_t *uart;
static uint8_t incoming[UNREAD];
static ssize_t incoming_at, incoming_end;
static uint8_t outgoing[OUT];
static size_t outgoing_bytes;
static uint32_t overruns;
static avr_cycle_count_t last_output;

static avr_uart_t *find_uart(void)
{
    for (avr_io_t *io = avr->io_port; io != NULL; io = io->next) {
        if (io->kind[0] == 'u' && ((avr_uart_t *)io)->name == '0') {
            return (avr_uart_t *)io;
        }
    }
    return NULL;
}

/* Ten bits at the rate that the firmware has set. */
static avr_cycle_count_t byte_cycles(void)
{
    uint32_t divisor = (avr->data[UBRR_LOW] | (uint32_t)avr->data[UBRR_HIGH] << 8) + 1;
    uint32_t a_bit = (avr->data[STATUS_A] & 2) != 0 ? 8 : 16;
    return (avr_cycle_count_t)10 * a_bit * divisor;
}

void line_flush(void)
{
    size_t sent = 0;
    while (sent < outgoing_bytes) {
        ssize_t now = write(master, outgoing + sent, outgoing_bytes - sent);
        if (now <= 0) {
            break; /* nobody reads: the line does not wait */
        }
        sent += (size_t)now;
    }
    outgoing_bytes = 0;
}

static void on_output(struct avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    uart->cycles_per_byte = byte_cycles();
    if (outgoing_bytes == OUT) {
        line_flush();
    }
    outgoing[outgoing_bytes++] = (uint8_t)value;
    last_output = avr->cycle;
}

static bool next_byte(uint8_t *byte)
{
    if (incoming_at == incoming_end) {
        incoming_at = 0;
        incoming_end = read(master, incoming, sizeof incoming);
        if (incoming_end <= 0) {
            incoming_end = 0;
            return false;
        }
    }
    *byte = incoming[incoming_at++];
    return true;
}

static avr_cycle_count_t on_byte_time(avr_t *which, avr_cycle_count_t when, void *param)
{
    uint8_t byte;
    (void)param;
    if (outgoing_bytes >= TOGETHER || (outgoing_bytes != 0 && which->cycle > last_output + 3 * byte_cycles())) {
        line_flush(); /* a few bytes at a time, as an adapter does: not a system call for each */
    }
    uart->cycles_per_byte = byte_cycles();
    if (next_byte(&byte)) {
        bool listens = (which->data[STATUS_B] & 0x10) != 0;
        if (listens && ((uart->input.write - uart->input.read) & 63) < HELD_BY_HARDWARE) {
            avr_raise_irq(&uart_irq[UART_IRQ_INPUT], byte);
        } else {
            overruns += listens;
        }
    }
    return when + byte_cycles();
}

uint32_t line_overruns(void)
{
    return overruns;
}

static bool open_terminal(void)
{
    struct termios mode;
    master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (master < 0 || grantpt(master) != 0 || unlockpt(master) != 0) {
        return false;
    }
    const char *name = ptsname(master);
    slave = name == NULL ? -1 : open(name, O_RDWR | O_NOCTTY);
    if (slave < 0 || tcgetattr(slave, &mode) != 0) {
        return false;
    }
    cfmakeraw(&mode);
    tcsetattr(slave, TCSANOW, &mode);
    printf("port %s\n", name);
    fflush(stdout);
    return true;
}

bool line_connect(void)
{
    uint32_t flags = 0;
    uart = find_uart();
    if (uart == NULL || !open_terminal()) {
        return false;
    }
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags); /* no echo on standard output, no sleep while polled */
    uart_irq = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), 0);
    avr_irq_register_notify(&uart_irq[UART_IRQ_OUTPUT], on_output, NULL);
    line_go_on();
    return true;
}

void line_go_on(void)
{
    avr_cycle_timer_register(avr, 320, on_byte_time, NULL);
}
