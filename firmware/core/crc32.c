#include "crc32.h"

/* Four steps of the reflected polynomial, done by the compiler. */
#define BIT(c) ((uint32_t)(((c) >> 1) ^ (UINT32_C(0xEDB88320) * ((c) & 1))))
#define NIBBLE(c) BIT(BIT(BIT(BIT(UINT32_C(c)))))

static const uint32_t nibbles[16] FLASH = {
    NIBBLE(0), NIBBLE(1), NIBBLE(2),  NIBBLE(3),  NIBBLE(4),  NIBBLE(5),  NIBBLE(6),  NIBBLE(7),
    NIBBLE(8), NIBBLE(9), NIBBLE(10), NIBBLE(11), NIBBLE(12), NIBBLE(13), NIBBLE(14), NIBBLE(15),
};

static uint32_t by_nibbles(uint32_t crc, uint8_t byte)
{
    crc ^= byte;
    crc = (crc >> 4) ^ flash_u32(&nibbles[crc & 15u]);
    return (crc >> 4) ^ flash_u32(&nibbles[crc & 15u]);
}

#ifdef CRC_BY_BYTE
uint32_t crc32_bytes[256];

void crc32_prepare(void)
{
    for (uint16_t i = 0; i < 256; i++) {
        crc32_bytes[i] = by_nibbles(i, 0);
    }
}
#else
uint32_t crc32_step(uint32_t crc, uint8_t byte)
{
    return by_nibbles(crc, byte);
}

void crc32_prepare(void)
{
}
#endif
