/* The frame that is being received and the requests that wait, in one ring of bytes.
 *
 * A request stays where it was decoded until it is complete. Behind the requests there is always room for one frame
 * more, so that a CONTROL or a repeat can be received however full the queue is.
 */
#ifndef QUEUE_H
#define QUEUE_H

#include "hw.h"

enum { FRAME_ROOM = ROOM_PAYLOAD + FRAME_SPARE_BYTES };

struct request {
    uint16_t start;  /* its arguments in the ring */
    uint16_t length; /* of the arguments, bytes */
    uint16_t span;   /* what it takes of the ring */
    uint8_t number;
    uint8_t opcode;
};

/* Reads bytes of the ring one after another. */
struct cursor {
    uint16_t at;
    uint16_t left;
};

void queue_clear(void);
/* Room for the body of a frame, in bytes. */
uint16_t queue_frame_room(void);
/* The ring, for the decoder: where the next frame begins. */
uint8_t *queue_frame_start(void);
extern uint8_t queue_ring[ROOM_ARENA];
static inline uint8_t *queue_ring_begin(void)
{
    return queue_ring;
}

static inline uint8_t *queue_ring_end(void)
{
    return queue_ring + ROOM_ARENA;
}

/* A cursor over the frame that has just been decoded. */
struct cursor queue_frame(uint16_t length);

/* Takes the frame that has just been decoded as a request; false if there is no room. */
bool queue_take(uint8_t number, uint8_t opcode, struct cursor arguments, uint16_t frame_bytes);
uint8_t queue_count(void);
/* The oldest request; it stays until queue_drop(). */
const struct request *queue_first(void);
void queue_drop(void);
bool queue_holds(uint8_t number);

struct cursor cursor_of(const struct request *request);
uint8_t take_u8(struct cursor *cursor);
uint16_t take_u16(struct cursor *cursor);
uint32_t take_u32(struct cursor *cursor);
/* Bytes that lie in one piece at the cursor, where they are, and a way past them. */
uint16_t queue_in_one_piece(const struct cursor *cursor);
const uint8_t *queue_at(const struct cursor *cursor);
void cursor_skip(struct cursor *cursor, uint16_t bytes);

#endif
