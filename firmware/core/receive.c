#include "receive.h"

#include "crc32.h"
#include "link.h"

volatile uint8_t rx_ring[ROOM_RX];
volatile uint8_t rx_head;
uint8_t rx_tail;

/* The frame that is coming in. */
static struct {
    uint8_t *fill;  /* where the next byte of the body goes */
    uint16_t room;  /* for so many more */
    uint32_t crc;
    uint8_t run;    /* bytes left in the present COBS run */
    bool zero_due;  /* that run stands for a zero after it */
    bool too_long;
} coming;

static void begin_frame(void)
{
    coming.fill = queue_frame_start();
    coming.room = queue_frame_room();
    coming.crc = CRC32_START;
    coming.run = 0;
    coming.zero_due = false;
    coming.too_long = false;
}

void receive_start(void)
{
    begin_frame();
}

static void end_frame(void)
{
    uint16_t length = (uint16_t)(queue_frame_room() - coming.room);
    bool sound = coming.run == 0 && !coming.too_long && length >= FRAME_LEAST_BYTES && coming.crc == CRC32_SOUND;
    if (length == 0 && coming.run == 0 && !coming.zero_due && !coming.too_long) {
        return; /* D2: empty blocks mean nothing */
    }
    if (sound) {
        link_frame(length);
    } else {
        link_damaged();
    }
    begin_frame();
}

/* Up to `most` bytes, and none from a delimiter on. What changes with each byte is in registers meanwhile. */
static APART void inside_frame(uint8_t most)
{
    uint8_t *fill = coming.fill;
    uint16_t room = coming.room;
    uint32_t crc = coming.crc;
    uint8_t run = coming.run;
    uint8_t tail = rx_tail;
    for (; most != 0 && rx_head != tail; most--) {
        uint8_t byte = rx_ring[tail];
        if (byte == 0) {
            break;
        }
        tail = rx_after(tail);
        if (run != 0) {
            run--;
        } else {
            bool zero = coming.zero_due;
            run = (uint8_t)(byte - 1);
            coming.zero_due = byte != 0xFF;
            if (!zero) {
                continue;
            }
            byte = 0;
        }
        if (room == 0) {
            coming.too_long = true;
            continue;
        }
        room--;
        *fill = byte;
        fill++;
        if (fill == queue_ring_end()) {
            fill = queue_ring_begin();
        }
        crc = crc32_step(crc, byte);
    }
    rx_tail = tail;
    coming.fill = fill;
    coming.room = room;
    coming.crc = crc;
    coming.run = run;
}

void receive_few(uint8_t most)
{
    if (receive_frame_ends()) {
        rx_tail = rx_after(rx_tail);
        end_frame();
    } else {
        inside_frame(most);
    }
}

void receive_relieve(void)
{
    if (receive_presses()) {
        receive_few(RX_RELIEF);
    }
}
