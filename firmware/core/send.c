#include "send.h"

#include "crc32.h"
#include "link.h"
#include "pump.h"

uint8_t tx_ring[ROOM_TX];
volatile tx_index tx_head;
volatile tx_index tx_tail;

static tx_index fill;      /* the next byte goes here */
static tx_index code_at;   /* where the length of the present run will stand */
static tx_index tail_seen; /* tx_tail when it was last looked at */
static uint8_t run;        /* length of the present run and its code byte */
static uint32_t crc;
static bool busy;
static bool after_full;    /* the run before this one stands for no zero */
static bool lost;          /* the line stood still and the work was stopped: this frame is given up */
static bool torn;          /* part of a frame that was given up may be on the line */

static tx_index tail_now(void)
{
    LOCK();
    tx_index tail = tx_tail;
    UNLOCK();
    return tail;
}

uint16_t send_room(void)
{
    tx_index from = busy ? fill : tx_head;
    return (uint16_t)((tail_now() - from - 1u) & (ROOM_TX - 1u));
}

bool send_busy(void)
{
    return busy;
}

static void store(uint8_t byte)
{
    tx_index next = tx_after(fill);
    while (next == tail_seen) {
        tail_seen = tail_now();
        if (next != tail_seen) {
            break;
        }
        if (lost || link_stopping()) {
            lost = true;
            return;
        }
        pump_receive();
    }
    tx_ring[fill] = byte;
    fill = next;
}

static void commit(void)
{
    LOCK();
    tx_head = fill;
    UNLOCK();
    hw_tx_kick();
}

static void open_run(void)
{
    code_at = fill;
    run = 1;
    store(0); /* until it is known */
}

static inline void stuff(uint8_t byte)
{
    if (byte != 0) {
        store(byte);
        run++;
        if (run != 0xFF) {
            return;
        }
    }
    after_full = byte != 0;
    if (!lost) {
        tx_ring[code_at] = run;
        commit();
    }
    open_run();
}

void frame_begin(enum frame_kind kind, uint8_t number, uint16_t session)
{
    busy = true;
    fill = tx_head;
    crc = CRC32_START;
    after_full = false;
    if (torn) {
        store(0);
        torn = false;
    }
    open_run();
    frame_u8((uint8_t)((unsigned)kind << 5 | (number & (NUMBERS - 1u))));
    frame_u16(session);
}

void frame_u8(uint8_t byte)
{
    crc = crc32_step(crc, byte);
    stuff(byte);
}

void frame_u16(uint16_t value)
{
    frame_u8((uint8_t)value);
    frame_u8((uint8_t)(value >> 8));
}

void frame_u32(uint32_t value)
{
    frame_u16((uint16_t)value);
    frame_u16((uint16_t)(value >> 16));
}

static void close_frame(void)
{
    store(0);
    if (lost) {
        torn = true;
        lost = false;
    } else {
        commit();
    }
    busy = false;
}

void frame_end(void)
{
    uint32_t sum = crc32_final(crc);
    for (uint8_t i = 0; i < CRC_BYTES; i++) {
        stuff((uint8_t)sum);
        sum >>= 8;
    }
    if (run == 1 && after_full) {
        fill = code_at; /* the short form: a full run needs no empty one after it */
    } else {
        tx_ring[code_at] = run;
    }
    close_frame();
}

void frame_abandon(void)
{
    fill = code_at;
    store(3); /* promises two bytes and has one: damaged, whatever stood before it */
    store(1);
    close_frame();
}
