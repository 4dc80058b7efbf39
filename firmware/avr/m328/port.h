/* ATmega328P at 16 MHz, 2 KiB of RAM: a 28-pin socket, addresses through two shift registers, VCC fixed at 5 V, VPP set
 * by hand. README.md has the wiring. */
#ifndef PORT_H
#define PORT_H

#include "common.h"

#define ROOM_WINDOW 2
#define ROOM_PAYLOAD 64
#define ROOM_ARENA 288
#define ROOM_RX 128
#define ROOM_TX 256
#define ROOM_DESCRIPTOR 256

#define LIMIT_PAYLOAD 64u
#define LIMIT_WINDOW 2u
#define LIMIT_RX 192u
#define LIMIT_WATCHDOG_MS 1000u
#define DEVICE_CAN                                                                                                     \
    (CAN_VERIFY_EACH | CAN_FIRST_PASS | CAN_OVERPROGRAM | CAN_BYTE_WRITE | CAN_DIGEST | CAN_FILL | CAN_COPY)
#define SETTLE_MS 10u
#define SWITCH_US 20u
#define PULSE_GUARD_US 60u
#define PULSE_MORE_US 160u
#define FRAME_GUARD_US 180u
/* From the end of pulse_wait_end() to the pin. */
#define PULSE_OVERHEAD_TICKS 22

typedef uint8_t tx_index;

void socket_start(void);

static inline void hw_poll(void)
{
}

/* No comparators: nothing to see. */
static inline uint16_t hw_faults(void)
{
    return 0;
}

#endif
