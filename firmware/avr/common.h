/* What the AVR ports share: flash, interrupts, the line, the clock and the pulse timer. */
#ifndef COMMON_H
#define COMMON_H

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <stdbool.h>
#include <stdint.h>
#include <util/delay.h>
#include <util/delay_basic.h>

#define FLASH PROGMEM
#define flash_u32(pointer) pgm_read_dword(pointer)
#define flash_copy(to, from, bytes) memcpy_P(to, from, bytes)
/* Only ever called with interrupts on. */
#define LOCK() cli()
#define UNLOCK() sei()

#ifndef BAUD
#define BAUD 500000UL
#endif

/* Timer 1 counts a pulse. Its ticks are clock cycles while a pulse fits, longer ones else. */
extern uint16_t pulse_ticks;
extern uint8_t pulse_clock;  /* bits of TCCR1B */

/* Ticks and clock for this length; remembered, since it takes longer than many a pulse's pause. */
void pulse_prepare(uint32_t nanoseconds);
uint32_t pulse_left_long_us(uint16_t ticks);
/* Waits, with interrupts off, for the last tick; bytes that come are kept. */
void pulse_wait_end(void);

enum { ONE_CYCLE = _BV(CS10) };

static inline uint32_t pulse_left_us(void)
{
    uint16_t now = TCNT1;
    uint16_t left = now < pulse_ticks ? (uint16_t)(pulse_ticks - now) : 0;
    return pulse_clock == ONE_CYCLE ? (uint16_t)(left >> 4) : pulse_left_long_us(left);
}

#endif
