/* From content to bytes on the line: CRC and COBS into a ring that the sending interrupt empties.
 *
 * A COBS run is committed when its length is known, so the line never waits for a whole frame. */
#ifndef SEND_H
#define SEND_H

#include "hw.h"

extern uint8_t tx_ring[ROOM_TX];
extern volatile tx_index tx_head; /* committed up to here */
extern volatile tx_index tx_tail; /* sent up to here */

static inline tx_index tx_after(tx_index at)
{
    return (tx_index)((at + 1u) & (ROOM_TX - 1u));
}

/* For the interrupt, or whoever sends: the next byte, or -1. */
static inline int16_t send_next(void)
{
    tx_index tail = tx_tail;
    if (tail == tx_head) {
        return -1;
    }
    uint8_t byte = tx_ring[tail];
    tx_tail = tx_after(tail);
    return byte;
}

/* Bytes that fit without waiting. */
uint16_t send_room(void);
/* True between frame_begin() and frame_end(): nothing else may be sent. */
bool send_busy(void);

void frame_begin(enum frame_kind kind, uint8_t number, uint16_t session);
/* What goes into a frame is gathered here first, and stuffed a few bytes at a time. */
enum { STAGE = 32 };
extern uint8_t staged[STAGE];
extern uint8_t staged_bytes;
void frame_flush(void);

static inline void frame_u8(uint8_t byte)
{
    staged[staged_bytes] = byte;
    staged_bytes++;
    if (staged_bytes == STAGE) {
        frame_flush();
    }
}

/* For many bytes at once: where they go and how many may, and then how many came. */
static inline uint8_t *frame_stage(uint8_t *room)
{
    *room = (uint8_t)(STAGE - staged_bytes);
    return &staged[staged_bytes];
}

static inline void frame_staged(uint8_t count)
{
    staged_bytes = (uint8_t)(staged_bytes + count);
    if (staged_bytes == STAGE) {
        frame_flush();
    }
}

void frame_u16(uint16_t value);
void frame_u32(uint32_t value);
void frame_end(void);
/* Ends a frame that shall not be believed. */
void frame_abandon(void);

#endif
