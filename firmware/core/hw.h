/* What the core asks of a board: a line, a clock, supplies and a socket.
 *
 * A port brings `port.h`, with the sizes and limits below, and these functions. Where speed matters a port may define
 * them `static inline` in `port.h` and say so with PORT_INLINE_SOCKET.
 *
 *   ROOM_WINDOW, ROOM_PAYLOAD, ROOM_ARENA, ROOM_RX, ROOM_TX, ROOM_DESCRIPTOR   sizes of
 *                  arrays; those of RX (up to 256) and TX are powers of two
 *   LIMIT_WINDOW, LIMIT_PAYLOAD, LIMIT_RX, LIMIT_WATCHDOG_MS           what HELLO promises; at most the sizes
 *   DEVICE_CAN       capabilities; the same as in the records of hw_identity_byte()
 *   SETTLE_MS        time for a supply to settle; the same as in the TIMING record
 *   SWITCH_US        time for VPP to come or go on a socket pin
 *   PULSE_GUARD_US   the longest that handling one received byte can take; near the end of a pulse nothing is handled
 *   PULSE_MORE_US    with more time than this, twice as many bytes are handled at once
 *   FRAME_GUARD_US   the same for the last byte of a frame, and for a look at the watchdog
 *   FLASH, flash_u32(pointer), flash_copy(to, from, bytes)   for constants in program memory
 *   LOCK(), UNLOCK()            around what an interrupt touches, too
 */
#ifndef HW_H
#define HW_H

#include <stdbool.h>
#include <stdint.h>

#include "wire.h"

enum supply { SUPPLY_VCC = 0, SUPPLY_VPP = 1, SUPPLY_ID = 2, SUPPLIES = 3 };

#include "port.h"

/* A function that needs the registers for itself. */
#define APART __attribute__((noinline))

/* Start: socket pins floating, supplies off, line and clock running. */
void hw_start(void);
/* Counts the starts of this device (D6). */
uint32_t hw_boot_id(void);
/* The records of section 5: their bytes, one by one. */
uint16_t hw_identity_bytes(void);
uint8_t hw_identity_byte(uint16_t offset);

/* Milliseconds since the start, round at 2^32. */
uint32_t hw_now_ms(void);
/* Nothing to do: may rest until a byte comes or the next millisecond. */
void hw_idle(void);
void hw_delay_us(uint16_t microseconds);

/* Moves bytes between the line and the rings, where no interrupt does. */
void hw_poll(void);
/* There are bytes to send. */
void hw_tx_kick(void);

/* Sets a supply, at once; 0 is off. The ID voltage reaches pins in mode signature and erase only. */
void hw_supply_set(enum supply which, uint16_t millivolts);
/* Millivolts as measured, or NOT_MEASURED. */
uint16_t hw_supply_mv(enum supply which);
/* Loads VCC and VPP so that they fall; true when both are below 0.5 V, measured or waited for. */
bool hw_discharged(void);
/* Fault bits that the hardware sees now: over-current, a socket that opened. */
uint16_t hw_faults(void);

/* Looks at the part that has been judged by the core and prepares its pins. 0, or the tag of the record that the wiring
 * cannot honour. */
uint8_t hw_fit_part(void);

#ifndef PORT_INLINE_SOCKET
/* All socket pins floating. */
void hw_pins_off(void);
/* Control pins as the mode table says, pulse levels at rest. True if a supply came to a pin or left it: then SWITCH_US
 * must pass. */
bool hw_mode(uint8_t mode);
/* Modes program and verify differ in logic levels only: hw_quick_set() changes between them. Its
 * argument comes from hw_quick_level(), anew after each hw_address(). */
bool hw_quick(void);
uint8_t hw_quick_level(uint8_t mode);
void hw_quick_set(uint8_t level);
void hw_address(uint32_t address);
/* The lowest eight bits of it only. */
void hw_low_address(uint8_t low);
void hw_drive(uint16_t word);
void hw_release(void);
uint16_t hw_sense(void);
/* The part's access time, at least. */
void hw_access_wait(void);
/* Address, data and levels are steady so long before and after a pulse (section 9). What hw_pulse_start() takes before
 * the pin moves may count. */
void hw_steady_before(void);
void hw_steady_after(void);
/* The pulse levels of the present mode become active, for so long. */
void hw_pulse_start(uint32_t nanoseconds);
/* The same in two parts: the length, and then as often as wanted, hw_steady_before() and the start. */
void hw_pulse_prepare(uint32_t nanoseconds);
void hw_pulse_again(void);
/* Microseconds until the pulse is to end. */
uint32_t hw_pulse_left_us(void);
/* Rests a little inside a long pulse. */
void hw_pulse_idle(void);
/* Waits for the very end of the pulse and ends it. */
void hw_pulse_finish(void);
/* Ends it now. */
void hw_pulse_cut(void);
/* One write cycle's pulse, as short as the device likes. */
void hw_strobe(void);
#endif

#endif
