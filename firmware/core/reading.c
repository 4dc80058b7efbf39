/* READ, BLANK, DIGEST: a range of words in a mode, at a supply that is already set. */
#include "crc32.h"
#include "link.h"
#include "operations.h"
#include "pump.h"
#include "receive.h"
#include "send.h"
#include "socket.h"
#include "supplies.h"

struct stretch {
    uint32_t address;
    uint32_t count;
    uint8_t mode;
};

bool in_part(uint32_t address, uint32_t count)
{
    return count != 0 && address < part.size_words && count <= part.size_words - address;
}

/* Takes the arguments that all three have in common, and puts the socket into the mode. */
static uint8_t take_stretch(struct cursor *arguments, struct stretch *stretch)
{
    stretch->address = take_u32(arguments);
    stretch->count = take_u32(arguments);
    stretch->mode = take_u8(arguments);
    if (take_u16(arguments) != supplies_vcc_mv()) {
        return STATUS_SUPPLY_NOT_SET;
    }
    if (!in_part(stretch->address, stretch->count)) {
        return STATUS_OUT_OF_RANGE;
    }
    if ((stretch->mode != MODE_READ && stretch->mode != MODE_VERIFY) || !part_has_mode(stretch->mode)) {
        return STATUS_CANNOT;
    }
    return STATUS_OK;
}

static bool block_suits(uint16_t block_bytes, uint32_t count)
{
    uint8_t word_bytes = (uint8_t)(part.width_bits / 8u);
    if (block_bytes == 0 || block_bytes > LIMIT_PAYLOAD || block_bytes % word_bytes != 0) {
        return false;
    }
    uint32_t words = (uint32_t)block_bytes / word_bytes;
    return (count - 1u) / words < 0xFFFFu;
}

static APART uint32_t crc_over(uint32_t crc, const uint8_t *bytes, uint8_t count)
{
    for (; count != 0; count--) {
        crc = crc32_step(crc, *bytes);
        bytes++;
    }
    return crc;
}

/* Some words of a DATA frame; returns how many. */
static uint8_t send_some(uint32_t address, uint32_t most, uint32_t *crc)
{
    uint8_t room;
    uint8_t *into = frame_stage(&room);
    if (part.width_bits == 8) {
        uint8_t bytes = socket_read_bytes(into, most < room ? (uint8_t)most : room, address);
        *crc = crc_over(*crc, into, bytes);
        frame_staged(bytes);
        return bytes;
    }
    uint16_t word = socket_read(address);
    const uint8_t both[] = {(uint8_t)word, (uint8_t)(word >> 8)};
    *crc = crc_over(*crc, both, sizeof both);
    frame_u16(word);
    return 1;
}

/* One DATA frame. False if the work must stop: then the frame is spoilt, for the host to drop. */
static bool send_block(uint8_t number, uint16_t block, struct stretch *rest, uint32_t words, uint32_t *crc)
{
    frame_begin(KIND_DATA, number, link.session);
    frame_u16(block);
    rest->count -= words;
    while (words != 0 && !link_stopping()) {
        uint8_t sent = send_some(rest->address, words, crc);
        rest->address += sent;
        words -= sent;
        if (receive_waiting()) {
            receive_few(STAGE + STAGE / 2);
        }
    }
    if (link_stopping()) {
        frame_abandon();
        return false;
    }
    frame_end();
    return true;
}

uint8_t do_read(struct cursor *arguments, struct outcome *outcome)
{
    struct stretch rest;
    uint8_t status = take_stretch(arguments, &rest);
    uint16_t block_bytes = take_u16(arguments);
    if (status == STATUS_OK && !block_suits(block_bytes, rest.count)) {
        status = STATUS_OUT_OF_RANGE;
    }
    if (status != STATUS_OK) {
        return status;
    }
    uint16_t words = (uint16_t)(block_bytes / (part.width_bits / 8u));
    uint32_t count = rest.count;
    uint32_t crc = CRC32_START;
    socket_mode(rest.mode);
    for (uint16_t block = 0; rest.count != 0; block++) {
        uint32_t now = rest.count < words ? rest.count : words;
        if (!send_block(outcome->number, block, &rest, now, &crc)) {
            return status_of_stop();
        }
        link.progress += now;
        pump();
    }
    socket_rest();
    part_looked_at();
    detail_u32(outcome, count);
    detail_u32(outcome, crc32_final(crc));
    return STATUS_OK;
}

static uint8_t ones(uint16_t bits)
{
    uint8_t count = 0;
    for (; bits != 0; bits &= (uint16_t)(bits - 1u)) {
        count++;
    }
    return count;
}

uint8_t do_blank(struct cursor *arguments, struct outcome *outcome)
{
    struct stretch rest;
    uint8_t status = take_stretch(arguments, &rest);
    if (status != STATUS_OK) {
        return status;
    }
    uint32_t bits = 0;
    uint32_t first = NO_ADDRESS;
    uint16_t got = 0;
    socket_mode(rest.mode);
    for (; rest.count != 0; rest.count--, rest.address++) {
        uint16_t word = socket_read(rest.address);
        uint16_t differ = (uint16_t)(word ^ part.erased);
        if (differ != 0 && first == NO_ADDRESS) {
            first = rest.address;
            got = word;
        }
        bits += ones(differ);
        link.progress++;
        pump();
        if (link_stopping()) {
            return status_of_stop();
        }
    }
    socket_rest();
    part_looked_at();
    detail_u32(outcome, bits);
    detail_u32(outcome, first);
    detail_u16(outcome, got);
    return STATUS_OK;
}

uint8_t do_digest(struct cursor *arguments, struct outcome *outcome)
{
    struct stretch rest;
    uint8_t status = take_stretch(arguments, &rest);
    if (status != STATUS_OK) {
        return status;
    }
    uint32_t crc = CRC32_START;
    socket_mode(rest.mode);
    for (; rest.count != 0; rest.count--, rest.address++) {
        uint16_t word = socket_read(rest.address);
        crc = crc32_step(crc, (uint8_t)word);
        if (part.width_bits == 16) {
            crc = crc32_step(crc, (uint8_t)(word >> 8));
        }
        link.progress++;
        pump();
        if (link_stopping()) {
            return status_of_stop();
        }
    }
    socket_rest();
    part_looked_at();
    detail_u32(outcome, crc32_final(crc));
    return STATUS_OK;
}
