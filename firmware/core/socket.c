#include "socket.h"

#include "link.h"
#include "pump.h"
#include "receive.h"
#include "supplies.h"

enum {
    STEADY_US = 2,       /* section 9: address, data and levels before and after a pulse */
    LONG_PULSE_US = 1000 /* D17: a pulse whose end is nearer than this is not cut */
};

static uint8_t now_in; /* mode, or MODES for all floating */
static uint16_t vpp_pins[MODES];

static uint16_t vpp_pins_of(uint8_t mode)
{
    uint16_t pins = 0;
    for (uint8_t i = 0; part_has_mode(mode) && i < part.control.count; i++) {
        if (part_level(mode, i) == LEVEL_VPP) {
            pins = (uint16_t)(pins | 1u << i);
        }
    }
    return pins;
}

void socket_new_part(void)
{
    now_in = MODES;
    for (uint8_t mode = 0; mode < MODES; mode++) {
        vpp_pins[mode] = vpp_pins_of(mode);
    }
}

void socket_mode(uint8_t mode)
{
    if (mode == now_in) {
        return;
    }
    bool vpp_moves = now_in == MODES || vpp_pins[mode] != vpp_pins[now_in];
    hw_mode(mode);
    now_in = mode;
    if (vpp_moves) {
        hw_delay_us(SWITCH_US);
    }
}

void socket_rest(void)
{
    hw_release();
    if (supplies_vpp_mv() != 0 && part_has_mode(MODE_INHIBIT)) {
        socket_mode(MODE_INHIBIT);
    } else if (part_has_mode(MODE_STANDBY)) {
        socket_mode(MODE_STANDBY);
    } else {
        socket_off();
    }
}

void socket_leave_vpp(void)
{
    if (now_in != MODES && vpp_pins[now_in] != 0) {
        socket_off();
    }
}

void socket_off(void)
{
    hw_pins_off();
    now_in = MODES;
}

uint16_t socket_read(uint32_t address)
{
    hw_address(address);
    hw_access_wait();
    return hw_sense();
}

/* Listens while the pulse lasts, as long as there is time. False if the pulse is to be cut. */
static bool listen_in_pulse(void)
{
    for (;;) {
        uint32_t left = hw_pulse_left_us();
        if (left > LONG_PULSE_US) {
            pump_in_pulse();
            if (link_stopping() && hw_pulse_left_us() > LONG_PULSE_US) {
                return false;
            }
            hw_pulse_idle();
        } else if (left <= PULSE_GUARD_US) {
            return true;
        } else if (receive_waiting()) {
            receive_one();
        } else {
            link_watch();
            hw_pulse_idle();
        }
    }
}

static bool give_pulse(uint32_t nanoseconds)
{
    hw_pulse_start(nanoseconds);
    if (listen_in_pulse()) {
        hw_pulse_finish();
        return true;
    }
    hw_pulse_cut();
    return false;
}

bool socket_pulse(uint32_t address, uint16_t word, uint32_t nanoseconds)
{
    socket_mode(MODE_PROGRAM);
    hw_address(address);
    hw_drive(word);
    hw_delay_us(STEADY_US);
    bool whole = give_pulse(nanoseconds);
    hw_delay_us(STEADY_US);
    return whole;
}

uint16_t socket_verify(uint32_t address, uint16_t driven)
{
    if (now_in == MODE_VERIFY) {
        socket_mode(MODE_PROGRAM); /* no pulse came before: the chip still drives */
    }
    hw_drive((uint16_t)~driven);
    hw_release();
    socket_mode(MODE_VERIFY);
    return socket_read(address);
}

void socket_write(uint32_t address, uint16_t word)
{
    socket_mode(MODE_WRITE);
    hw_address(address);
    hw_drive(word);
    hw_strobe();
    hw_drive((uint16_t)~word);
    hw_release();
}

bool socket_erase_pulse(uint32_t nanoseconds)
{
    hw_supply_set(SUPPLY_ID, part.erase_id_mv);
    socket_mode(MODE_ERASE);
    bool whole = pump_wait_ms(SETTLE_MS) && give_pulse(nanoseconds);
    hw_supply_set(SUPPLY_ID, 0);
    socket_rest();
    return whole;
}
