/* The identity records of the host build. */
#ifndef RECORDS_H
#define RECORDS_H

#include <stdbool.h>
#include <stdint.h>

extern uint8_t records[512];
extern uint16_t records_bytes;

void records_default(uint16_t capabilities);
/* Other ones, in hexadecimal, and what they say of capabilities, socket pins and settling time. */
bool records_from_hex(const char *text);
uint8_t records_socket_pins(void);

#endif
