/* ATmega2560 at 16 MHz, 8 KiB of RAM: a 32-pin socket on ports of its own. README.md has the wiring. */
#ifndef PORT_H
#define PORT_H

#include "common.h"

#define ROOM_WINDOW 8
#define ROOM_PAYLOAD 1024
#define ROOM_ARENA 3152
#define ROOM_RX 256
#define ROOM_TX 1024
#define ROOM_DESCRIPTOR 512

#define LIMIT_PAYLOAD 1024u
#if BAUD <= 500000
#define LIMIT_WINDOW 8u
#define LIMIT_RX 2096u
#else
/* Faster than bytes can be decoded beside pulses: nothing is promised that comes while one runs. */
#define LIMIT_WINDOW 1u
#define LIMIT_RX 1056u
#endif
#define LIMIT_WATCHDOG_MS 1000u
#define DEVICE_CAN                                                                                                     \
    (CAN_ID_VOLTAGE | CAN_MEASURE_VCC | CAN_MEASURE_VPP | CAN_VERIFY_EACH | CAN_FIRST_PASS | CAN_OVERPROGRAM |         \
     CAN_BYTE_WRITE | CAN_DIGEST | CAN_FILL | CAN_COPY)
#define SETTLE_MS 10u
#define SWITCH_US 10u
#define PULSE_GUARD_US 50u
#define PULSE_MORE_US 75u
#define FRAME_GUARD_US 150u
/* From the end of pulse_wait_end() to the pin. */
#define PULSE_OVERHEAD_TICKS 28

/* What is missing from 2 us; the rig looks at it. */
#define STEADY_BEFORE_US 0.1
#define STEADY_QUICK_US 0.8
#define STEADY_AFTER_US 1.85

#define CRC_BY_BYTE
#define PORT_INLINE_SOCKET

typedef uint16_t tx_index;

void socket_start(void);

static inline void hw_poll(void)
{
}

/* Over-current comparators at PD0 (VCC) and PD1 (VPP), high when there is too much. */
static inline uint16_t hw_faults(void)
{
    return PIND & 3u;
}

/* Ports K and L in one mode of the part, and the switches of the supplies. */
struct image {
    uint8_t k_level, k_keep, k_drive;
    uint8_t l_level, l_keep, l_drive;
    uint8_t h, j;
};

extern struct image images[MODES];
extern const struct image *image_now;
extern bool quick;              /* modes program and verify differ in logic levels only */
extern uint16_t high_now;       /* address bits from A8 on, as they are at the pins */
extern uint8_t address_k, address_l;
extern uint8_t access_loops;
extern volatile uint8_t *pulse_port;
extern uint8_t pulse_bits;

void high_address(uint16_t high);
bool hw_mode(uint8_t mode);
void hw_pins_off(void);

static inline void ports_of(const struct image *image)
{
    PORTK = (uint8_t)((address_k & image->k_keep) | image->k_level);
    PORTL = (uint8_t)((address_l & image->l_keep) | image->l_level);
}

static inline bool hw_quick(void)
{
    return quick;
}

/* Port L is the same in both: the pins that change have their place in port K. */
static inline uint8_t hw_quick_level(uint8_t mode)
{
    return (uint8_t)((address_k & images[mode].k_keep) | images[mode].k_level);
}

static inline void hw_quick_set(uint8_t level)
{
    PORTK = level;
}

static inline void hw_steady_before(void)
{
    _delay_us(STEADY_BEFORE_US);
}

static inline void hw_steady_after(void)
{
    _delay_us(STEADY_AFTER_US);
}

static inline void hw_address(uint32_t address)
{
    PORTC = (uint8_t)address;
    uint16_t high = (uint16_t)(address >> 8);
    if (high != high_now) {
        high_address(high);
    }
}

static inline void hw_low_address(uint8_t low)
{
    PORTC = low;
}

static inline void hw_drive(uint16_t word)
{
    PORTA = (uint8_t)word;
    DDRA = 0xFF;
}

static inline void hw_release(void)
{
    DDRA = 0;
    PORTA = 0;
}

static inline uint16_t hw_sense(void)
{
    return PINA;
}

static inline void hw_access_wait(void)
{
    _delay_loop_1(access_loops);
}

static inline void hw_pulse_prepare(uint32_t nanoseconds)
{
    pulse_prepare(nanoseconds);
}

static inline void start_pulse(void)
{
    TCCR1B = 0;
    TCNT1 = 0;
    uint8_t active = (uint8_t)(*pulse_port ^ pulse_bits);
    uint8_t clock = pulse_clock;
    volatile uint8_t *port = pulse_port;
    cli();
    *port = active;
    TCCR1B = clock;
    sei();
}

static inline void hw_pulse_start(uint32_t nanoseconds)
{
    pulse_prepare(nanoseconds);
    start_pulse();
}

static inline void hw_pulse_again(void)
{
    _delay_us(STEADY_QUICK_US);
    start_pulse();
}

static inline uint32_t hw_pulse_left_us(void)
{
    return pulse_left_us();
}

static inline void hw_pulse_idle(void)
{
}

static inline void hw_pulse_cut(void)
{
    *pulse_port ^= pulse_bits;
    sei();
}

static inline void hw_pulse_finish(void)
{
    uint8_t rest = (uint8_t)(*pulse_port ^ pulse_bits);
    volatile uint8_t *port = pulse_port;
    pulse_wait_end();
    *port = rest;
    sei();
}

static inline void hw_strobe(void)
{
    *pulse_port ^= pulse_bits;
    _delay_us(0.5);
    *pulse_port ^= pulse_bits;
}

#endif
