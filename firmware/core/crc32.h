/* CRC-32/ISO-HDLC, a nibble at a time over sixteen constants. A port with a kilobyte of RAM to spare says CRC_BY_BYTE and
 * has a byte at a time. */
#ifndef CRC32_H
#define CRC32_H

#include "hw.h"

#define CRC32_START UINT32_C(0xFFFFFFFF)
/* What is left in the register after a frame and its own CRC. */
#define CRC32_SOUND UINT32_C(0xDEBB20E3)

#ifdef CRC_BY_BYTE
extern uint32_t crc32_bytes[256];

static inline uint32_t crc32_step(uint32_t crc, uint8_t byte)
{
    return (crc >> 8) ^ crc32_bytes[(uint8_t)(crc ^ byte)];
}
#else
uint32_t crc32_step(uint32_t crc, uint8_t byte);
#endif

/* Before the first use. */
void crc32_prepare(void);

static inline uint32_t crc32_final(uint32_t crc)
{
    return ~crc;
}

#endif
