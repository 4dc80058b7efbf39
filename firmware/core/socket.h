/* What the socket's pins do: modes, words, pulses; over the board's own pins. */
#ifndef SOCKET_H
#define SOCKET_H

#include "part.h"

/* Control pins as `mode` has them. The mode must be one of the descriptor. */
void socket_mode(uint8_t mode);
/* Control pins at rest under the present supplies: nothing selected. */
void socket_rest(void);
/* Before VPP changes: no control pin has it. */
void socket_leave_vpp(void);
/* All pins floating. */
void socket_off(void);

/* One word, read in the present mode. */
uint16_t socket_read(uint32_t address);
/* The same for bytes one after another, as long as only the lowest eight bits of the address change: returns how many. */
uint8_t socket_read_bytes(uint8_t *into, uint8_t most, uint32_t address);
/* Another part has been set up. */
void socket_new_part(void);
/* A pulse of mode program on `word`. False if it was cut short since the work must stop. */
bool socket_pulse(uint32_t address, uint16_t word, uint32_t nanoseconds);
/* Pulse and verify words one after another, with little between them. Suits some parts and boards. */
bool socket_quick_suits(void);
struct quick {
    uint16_t words;  /* that are done */
    uint16_t pulses; /* given to them and to the next */
    uint8_t most;    /* on one of them */
    uint8_t given;   /* to the next word, which is not right yet */
};
/* Ends early when something else must be done, and at a word that does not become right. */
struct quick socket_quick_words(const uint8_t *data, uint16_t count, uint32_t address);
/* Reads back after a pulse, in mode verify; never an echo of what was driven. */
uint16_t socket_verify(uint32_t address, uint16_t driven);
/* One write cycle in mode write. */
void socket_write(uint32_t address, uint16_t word);
/* A pulse of mode erase, the ID voltage around it. False if it was cut short. */
bool socket_erase_pulse(uint32_t nanoseconds);

#endif
