/* What the ATmega328P board says of itself. */
#include "hw.h"

#define U16(value) (uint8_t)((value) & 0xFFu), (uint8_t)((uint32_t)(value) >> 8 & 0xFFu)
#define U32(value) U16((uint32_t)(value) & 0xFFFFu), U16((uint32_t)(value) >> 16)
#define PIN(number) (UINT32_C(1) << ((number) - 1))
#define LOGIC (UINT32_C(0x0FFFFFFF) & ~(PIN(1) | PIN(14) | PIN(28)))

static const uint8_t records[] FLASH = {
    0x01, 23, 'r', 'o', 'm', 'w', 'r', 'i', 'g', 'h', 't', ' ', 'r', 'e', 'f', 'e', 'r', 'e', 'n', 'c', 'e', ' ', '1',
    '.', '0',
    0x02, 10, 'A', 'T', 'm', 'e', 'g', 'a', '3', '2', '8', 'P',
    0x03, 0,
    IDENTITY_CAPABILITIES, 4, U32(DEVICE_CAN),
    IDENTITY_SOCKET_PINS, 1, 28,
    IDENTITY_DESCRIPTOR_MAX, 2, U16(ROOM_DESCRIPTOR),
    IDENTITY_DRIVE, 4, U32(LOGIC),
    IDENTITY_SENSE, 4, U32(LOGIC),
    IDENTITY_VCC_PINS, 4, U32(PIN(1) | PIN(28)),
    IDENTITY_VPP_PINS, 4, U32(PIN(1)),
    IDENTITY_ID_PINS, 4, U32(0),
    IDENTITY_GROUND_PINS, 4, U32(PIN(14)),
    IDENTITY_VCC, 11, SUPPLY_FIXED, U16(5000), U16(5000), U16(0), U16(100), U16(100),
    IDENTITY_VPP, 11, SUPPLY_BY_HAND, U16(9000), U16(25500), U16(0), U16(200), U16(60),
    IDENTITY_TIMING, 20, U32(5000), U32(UINT32_C(500000000)), U32(11000), U32(9000), U16(10), U16(63),
};

uint16_t hw_identity_bytes(void)
{
    return sizeof records;
}

uint8_t hw_identity_byte(uint16_t offset)
{
    return pgm_read_byte(&records[offset]);
}
