/* Sizes and limits of the host build. The limits are set at the start, by options. */
#ifndef PORT_H
#define PORT_H

#include <string.h>

#define ROOM_WINDOW 16
#define ROOM_PAYLOAD 1024
#define ROOM_ARENA 20000
#define ROOM_RX 256
#define ROOM_TX 4096
#define ROOM_DESCRIPTOR 1024

struct limits {
    uint16_t payload;
    uint8_t window;
    uint16_t rx_bytes;
    uint16_t watchdog_ms;
    uint16_t capabilities;
    uint16_t settle_ms;
};

extern struct limits limits;

#define LIMIT_PAYLOAD limits.payload
#define LIMIT_WINDOW limits.window
#define LIMIT_RX limits.rx_bytes
#define LIMIT_WATCHDOG_MS limits.watchdog_ms
#define DEVICE_CAN limits.capabilities
#define SETTLE_MS limits.settle_ms
#define SWITCH_US 5
#define PULSE_GUARD_US 20
#define PULSE_MORE_US 45
#define FRAME_GUARD_US 60

#define CRC_BY_BYTE

#define FLASH
#define flash_u32(pointer) (*(pointer))
#define flash_copy(to, from, bytes) memcpy(to, from, bytes)
#define LOCK()
#define UNLOCK()

typedef uint16_t tx_index;

#endif
