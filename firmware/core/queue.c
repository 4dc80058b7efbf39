#include "queue.h"

uint8_t queue_ring[ROOM_ARENA];
static struct request waiting[ROOM_WINDOW];
static uint8_t first;
static uint8_t count;
static uint16_t used_from;
static uint16_t used_bytes;

static uint16_t wrapped(uint16_t at)
{
    return at < ROOM_ARENA ? at : (uint16_t)(at - ROOM_ARENA);
}

static uint16_t frame_at(void)
{
    return wrapped((uint16_t)(used_from + used_bytes));
}

void queue_clear(void)
{
    count = 0;
    used_from = frame_at(); /* what is being received goes on where it is */
    used_bytes = 0;
}

uint16_t queue_frame_room(void)
{
    return (uint16_t)(LIMIT_PAYLOAD + FRAME_SPARE_BYTES);
}

uint8_t *queue_frame_start(void)
{
    return &queue_ring[frame_at()];
}

struct cursor queue_frame(uint16_t length)
{
    return (struct cursor){.at = frame_at(), .left = length};
}

bool queue_take(uint8_t number, uint8_t opcode, struct cursor arguments, uint16_t frame_bytes)
{
    if (count >= LIMIT_WINDOW || used_bytes + frame_bytes + queue_frame_room() > ROOM_ARENA) {
        return false;
    }
    uint8_t place = (uint8_t)(first + count);
    if (place >= ROOM_WINDOW) {
        place = (uint8_t)(place - ROOM_WINDOW);
    }
    waiting[place] = (struct request){
        .start = arguments.at,
        .length = arguments.left,
        .span = frame_bytes,
        .number = number,
        .opcode = opcode,
    };
    count++;
    used_bytes = (uint16_t)(used_bytes + frame_bytes);
    return true;
}

uint8_t queue_count(void)
{
    return count;
}

const struct request *queue_first(void)
{
    return &waiting[first];
}

void queue_drop(void)
{
    used_from = wrapped((uint16_t)(used_from + waiting[first].span));
    used_bytes = (uint16_t)(used_bytes - waiting[first].span);
    first = (uint8_t)(first + 1 < ROOM_WINDOW ? first + 1 : 0);
    count--;
}

bool queue_holds(uint8_t number)
{
    for (uint8_t i = 0, place = first; i < count; i++) {
        if (waiting[place].number == number) {
            return true;
        }
        place = (uint8_t)(place + 1 < ROOM_WINDOW ? place + 1 : 0);
    }
    return false;
}

struct cursor cursor_of(const struct request *request)
{
    return (struct cursor){.at = request->start, .left = request->length};
}

uint8_t take_u8(struct cursor *cursor)
{
    if (cursor->left == 0) {
        return 0;
    }
    uint8_t byte = queue_ring[cursor->at];
    cursor->at = wrapped((uint16_t)(cursor->at + 1));
    cursor->left--;
    return byte;
}

uint16_t take_u16(struct cursor *cursor)
{
    uint8_t low = take_u8(cursor);
    return (uint16_t)(low | (uint16_t)take_u8(cursor) << 8);
}

uint32_t take_u32(struct cursor *cursor)
{
    uint16_t low = take_u16(cursor);
    return low | (uint32_t)take_u16(cursor) << 16;
}

uint16_t queue_in_one_piece(const struct cursor *cursor)
{
    uint16_t to_end = (uint16_t)(ROOM_ARENA - cursor->at);
    return cursor->left < to_end ? cursor->left : to_end;
}

const uint8_t *queue_at(const struct cursor *cursor)
{
    return &queue_ring[cursor->at];
}

void cursor_skip(struct cursor *cursor, uint16_t bytes)
{
    cursor->at = wrapped((uint16_t)(cursor->at + bytes));
    cursor->left = (uint16_t)(cursor->left - bytes);
}
