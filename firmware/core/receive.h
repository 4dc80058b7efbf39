/* From bytes to frames (section 2): COBS and CRC, as the bytes come. */
#ifndef RECEIVE_H
#define RECEIVE_H

#include "queue.h"

enum { RX_CROWDED = ROOM_RX - 56, RX_RELIEF = 24 };

static inline uint8_t rx_after(uint8_t at)
{
    return (uint8_t)((at + 1u) & (ROOM_RX - 1u));
}

static inline uint8_t rx_between(uint8_t from, uint8_t to)
{
    return (uint8_t)(((unsigned)to - from) & (ROOM_RX - 1u));
}

extern volatile uint8_t rx_ring[ROOM_RX];
extern volatile uint8_t rx_head; /* the receiving interrupt writes here */
extern uint8_t rx_tail;

/* For the interrupt, or whoever has received a byte. What does not fit is lost, as on any line. */
static inline void receive_put(uint8_t byte)
{
    uint8_t head = rx_head;
    uint8_t next = rx_after(head);
    if (next != rx_tail) {
        rx_ring[head] = byte;
        rx_head = next;
    }
}

static inline bool receive_waiting(void)
{
    return rx_head != rx_tail;
}

static inline uint8_t receive_room(void)
{
    return (uint8_t)(ROOM_RX - 1u - rx_between(rx_tail, rx_head));
}

/* The byte that waits, if one does, ends a frame: handling it takes longer than another. */
static inline bool receive_frame_ends(void)
{
    return rx_ring[rx_tail] == 0;
}

/* A frame ends here, or so much has come that it cannot all wait for the next pulses. */
static inline bool receive_presses(void)
{
    return (receive_waiting() && receive_frame_ends()) || rx_between(rx_tail, rx_head) > RX_CROWDED;
}

/* Handles what presses; the rest goes on waiting. */
void receive_relieve(void);

void receive_start(void);
/* Decodes up to so many bytes that have come, or hands a finished frame to the link. Time is bounded; it sends nothing. */
void receive_few(uint8_t most);

#endif
