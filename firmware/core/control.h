/* CONTROL frames: HELLO, KEEPALIVE, ABORT (D5, D7, D16, D17). */
#ifndef CONTROL_H
#define CONTROL_H

#include "queue.h"

enum { HELLO_ARGUMENT_BYTES = 6 };

void control_hello(uint8_t tag, struct cursor arguments);
void control_frame(uint8_t tag, uint8_t opcode);

#endif
