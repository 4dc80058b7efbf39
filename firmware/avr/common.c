#include <avr/eeprom.h>
#include <avr/sleep.h>
#include <util/atomic.h>

#include "hw.h"
#include "receive.h"
#include "send.h"

#if defined(__AVR_ATmega2560__)
#define RX_VECTOR USART0_RX_vect
#define TX_VECTOR USART0_UDRE_vect
#else
#define RX_VECTOR USART_RX_vect
#define TX_VECTOR USART_UDRE_vect
#endif

enum { EXACT_TICKS = 160 }; /* nearer than this, only the time counts */

uint16_t pulse_ticks;
uint8_t pulse_clock = ONE_CYCLE;

static uint32_t prepared_ns;
static volatile uint32_t milliseconds;
static uint32_t boot_id;
static uint32_t EEMEM boots;

ISR(RX_VECTOR)
{
    receive_put(UDR0);
}

static inline void transmit(void)
{
    tx_index tail = tx_tail;
    if (tail == tx_head) {
        UCSR0B = (uint8_t)(UCSR0B & ~_BV(UDRIE0));
        return;
    }
    UDR0 = tx_ring[tail];
    tx_tail = tx_after(tail);
}

ISR(TX_VECTOR)
{
    transmit();
}

ISR(TIMER0_COMPA_vect)
{
    milliseconds++;
}

static void start_line(void)
{
    UCSR0A = _BV(U2X0);
    UBRR0 = (uint16_t)((F_CPU + BAUD * 4u) / (BAUD * 8u) - 1u);
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
    UCSR0B = (uint8_t)(_BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0));
}

static void start_clock(void)
{
    TCCR0A = _BV(WGM01);
    TCCR0B = (uint8_t)(_BV(CS01) | _BV(CS00));
    OCR0A = (uint8_t)(F_CPU / 64u / 1000u - 1u);
    TIMSK0 = (uint8_t)_BV(OCIE0A);
}

void hw_start(void)
{
    socket_start();
    boot_id = eeprom_read_dword(&boots) + 1u;
    eeprom_update_dword(&boots, boot_id);
    start_line();
    start_clock();
    sei();
}

uint32_t hw_boot_id(void)
{
    return boot_id;
}

uint32_t hw_now_ms(void)
{
    cli();
    uint32_t now = milliseconds;
    sei();
    return now;
}

void hw_idle(void)
{
    cli();
    if (!receive_waiting()) {
        SMCR = _BV(SE); /* sleep mode idle */
        sei();
        sleep_cpu();
        SMCR = 0;
    }
    sei();
}

void hw_delay_us(uint16_t microseconds)
{
    while (microseconds-- != 0) {
        _delay_us(0.75); /* and the loop */
    }
}

void hw_tx_kick(void)
{
    UCSR0B |= _BV(UDRIE0);
}

struct scale {
    uint8_t bits;
    uint8_t shift; /* cycles a tick, as a power of two */
};

static const struct scale scales[] = {
    {_BV(CS10), 0}, {_BV(CS11), 3}, {_BV(CS11) | _BV(CS10), 6}, {_BV(CS12), 8}, {_BV(CS12) | _BV(CS10), 10},
};

void pulse_prepare(uint32_t nanoseconds)
{
    if (nanoseconds == prepared_ns) {
        return;
    }
    prepared_ns = nanoseconds;
    /* 16 cycles a microsecond; in two steps, so that nothing overflows */
    uint32_t cycles = nanoseconds / 125u * 2u + nanoseconds % 125u * 2u / 125u;
    uint8_t i = 0;
    while (cycles >> scales[i].shift > 0xFF00u) {
        i++;
    }
    pulse_clock = scales[i].bits;
    pulse_ticks = (uint16_t)(cycles >> scales[i].shift);
}

uint32_t pulse_left_long_us(uint16_t ticks)
{
    uint8_t i = 0;
    while (scales[i].bits != pulse_clock) {
        i++;
    }
    return (uint32_t)ticks << scales[i].shift >> 4;
}

/* What the interrupts would do, while they are off: else it would be done after the pulse. */
static inline void poll_interrupts(void)
{
    uint8_t line = UCSR0A;
    if ((line & _BV(RXC0)) != 0) {
        receive_put(UDR0);
    } else if ((line & _BV(UDRE0)) != 0 && (UCSR0B & _BV(UDRIE0)) != 0) {
        transmit();
    } else if ((TIFR0 & _BV(OCF0A)) != 0) {
        TIFR0 = _BV(OCF0A);
        milliseconds++;
    }
}

void pulse_wait_end(void)
{
    cli();
    if (pulse_clock != ONE_CYCLE) {
        while (TCNT1 < pulse_ticks) {
            poll_interrupts();
        }
        return;
    }
    while (TCNT1 + EXACT_TICKS < pulse_ticks) {
        poll_interrupts();
    }
    int16_t left = (int16_t)(pulse_ticks - TCNT1) - PULSE_OVERHEAD_TICKS;
    if (left >= 3) {
        _delay_loop_1((uint8_t)((uint16_t)((uint16_t)left * 171u) >> 9)); /* a third: three cycles a round */
    }
}
