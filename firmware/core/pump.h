/* What goes on while something else is being done: listening, the watchdog, and short answers. */
#ifndef PUMP_H
#define PUMP_H

#include "hw.h"

/* Takes in what has come, and looks at the watchdog and the faults. Sends nothing. */
void pump_receive(void);
/* The same, and sends the answers that are due, waiting for room if need be. */
void pump(void);
/* The same, but sends only what fits at once: for the inside of a long pulse. */
void pump_in_pulse(void);
/* Waits, pumping; false if it was cut short since the work must stop. */
bool pump_wait_ms(uint32_t milliseconds);

#endif
