#include "send.h"

#include "crc32.h"
#include "link.h"
#include "pump.h"

uint8_t tx_ring[ROOM_TX];
volatile tx_index tx_head;
volatile tx_index tx_tail;

uint8_t staged[STAGE];
uint8_t staged_bytes;

/* Encoded, a stage is no longer than itself, two code bytes and a delimiter. */
enum { STAGE_ENCODED = STAGE + 3, FULL_RUN = 0xFF };

static tx_index fill;      /* the next byte goes here */
static tx_index code_at;   /* where the length of the present run will stand */
static uint8_t run;        /* length of the present run and its code byte */
static uint32_t crc;
static bool busy;
static bool after_full;    /* the run before this one stands for no zero */
static bool lost;          /* the line stood still and the work was stopped: this frame is given up */
static bool torn;          /* part of a frame that was given up may be on the line */

static uint16_t room_from(tx_index from)
{
    LOCK();
    tx_index tail = tx_tail;
    UNLOCK();
    return (uint16_t)(((unsigned)tail - from - 1u) & (ROOM_TX - 1u));
}

uint16_t send_room(void)
{
    return room_from(busy ? fill : tx_head);
}

bool send_busy(void)
{
    return busy;
}

/* Waits until a stage fits; not when the work has been stopped and the line stands still. */
static void wait_for_room(void)
{
    while (!lost && room_from(fill) < STAGE_ENCODED) {
        if (link_stopping()) {
            lost = true;
        } else {
            pump_receive();
        }
    }
}

static void commit(void)
{
    LOCK();
    tx_head = fill;
    UNLOCK();
    hw_tx_kick();
}

static inline void store(uint8_t byte)
{
    tx_ring[fill] = byte;
    fill = tx_after(fill);
}

static void open_run(void)
{
    code_at = fill;
    run = 1;
    store(0); /* until it is known */
}

static void close_run(bool full)
{
    after_full = full;
    tx_ring[code_at] = run;
    open_run();
}

/* COBS (section 2); the CRC is over what goes in. */
static void stuff(uint8_t count)
{
    uint32_t sum = crc;
    for (uint8_t i = 0; i < count; i++) {
        uint8_t byte = staged[i];
        sum = crc32_step(sum, byte);
        if (byte == 0) {
            close_run(false);
            continue;
        }
        store(byte);
        run++;
        if (run == FULL_RUN) {
            close_run(true);
        }
    }
    crc = sum;
}

/* Lets the line have the runs whose length is known. */
static void commit_runs(void)
{
    tx_index there = fill;
    if (code_at != tx_head) {
        fill = code_at;
        commit();
        fill = there;
    }
}

void frame_flush(void)
{
    uint8_t count = staged_bytes;
    staged_bytes = 0;
    wait_for_room();
    if (!lost) {
        stuff(count);
        commit_runs();
    }
}

void frame_begin(enum frame_kind kind, uint8_t number, uint16_t session)
{
    busy = true;
    fill = tx_head;
    crc = CRC32_START;
    after_full = false;
    staged_bytes = 0;
    wait_for_room();
    if (torn && !lost) {
        store(0);
        torn = false;
    }
    open_run();
    frame_u8((uint8_t)((unsigned)kind << 5 | (number & (NUMBERS - 1u))));
    frame_u16(session);
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
    frame_flush();
    uint32_t sum = crc32_final(crc);
    for (uint8_t i = 0; i < CRC_BYTES; i++) {
        staged[i] = (uint8_t)sum;
        sum >>= 8;
    }
    wait_for_room();
    stuff(CRC_BYTES);
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
