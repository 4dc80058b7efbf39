#include "receive.h"

#include "crc32.h"
#include "link.h"

volatile uint8_t rx_ring[RX_RING];
volatile uint8_t rx_head;
uint8_t rx_tail;

static uint8_t *fill;       /* where the next byte of the body goes */
static uint16_t length;     /* of the body so far */
static uint16_t room;
static uint32_t crc;
static uint8_t run;         /* bytes left in the present COBS run */
static bool zero_due;       /* that run stands for a zero after it */
static bool too_long;
static bool anything;       /* some byte has come since the last delimiter */

static void begin_frame(void)
{
    fill = queue_frame_start();
    length = 0;
    room = queue_frame_room();
    crc = CRC32_START;
    run = 0;
    zero_due = false;
    too_long = false;
    anything = false;
}

void receive_start(void)
{
    begin_frame();
}

static inline void keep(uint8_t byte)
{
    if (length >= room) {
        too_long = true;
        return;
    }
    *fill = byte;
    fill++;
    if (fill == queue_ring_end()) {
        fill = queue_ring_begin();
    }
    length++;
    crc = crc32_step(crc, byte);
}

static void end_frame(void)
{
    if (!anything) {
        return; /* D2: empty blocks mean nothing */
    }
    bool sound = run == 0 && !too_long && length >= FRAME_LEAST_BYTES && crc == CRC32_SOUND;
    if (sound) {
        link_frame(length);
    } else {
        link_damaged();
    }
    begin_frame();
}

void receive_one(void)
{
    uint8_t byte = rx_ring[rx_tail];
    rx_tail++;
    if (byte == 0) {
        end_frame();
        return;
    }
    anything = true;
    if (run != 0) {
        run--;
        keep(byte);
        return;
    }
    if (zero_due) {
        keep(0);
    }
    run = (uint8_t)(byte - 1);
    zero_due = byte != 0xFF;
}
