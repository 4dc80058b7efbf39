#include "socket.h"

#include "answers.h"
#include "link.h"
#include "pump.h"
#include "receive.h"
#include "supplies.h"

enum {
    IN_PULSE = 2,         /* bytes that are decoded between two looks at the time; twice as many while there is much */
    LONG_PULSE_US = 1000, /* D17: a pulse whose end is nearer than this is not cut */
};

static uint8_t now_in; /* mode, or MODES for all floating */

void socket_new_part(void)
{
    now_in = MODES;
}

void socket_mode(uint8_t mode)
{
    if (mode == now_in) {
        return;
    }
    now_in = mode;
    if (hw_mode(mode)) {
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
    if (now_in != MODES && now_in != MODE_STANDBY) {
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

uint8_t socket_read_bytes(uint8_t *into, uint8_t most, uint32_t address)
{
    uint8_t low = (uint8_t)address;
    uint16_t in_page = (uint16_t)(0x100u - low);
    uint8_t count = (uint8_t)(most < in_page ? most : in_page);
    hw_address(address);
    for (uint8_t i = count; i != 0; i--) {
        hw_low_address(low);
        hw_access_wait();
        *into = (uint8_t)hw_sense();
        into++;
        low++;
    }
    return count;
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
            if (left <= FRAME_GUARD_US && receive_frame_ends()) {
                return true;
            }
            receive_few(left > PULSE_MORE_US ? 2 * IN_PULSE : IN_PULSE);
        } else {
            if (left > FRAME_GUARD_US) {
                link_watch();
            }
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
    hw_steady_before();
    bool whole = give_pulse(nanoseconds);
    hw_steady_after();
    return whole;
}

bool socket_quick_suits(void)
{
    return hw_quick() && part.width_bits == 8 && part.pulse_ns <= UINT32_C(1000) * LONG_PULSE_US;
}

/* Something waits that is more urgent than the next word. */
static inline bool called_away(void)
{
    return answers_due() || receive_presses() || link_stopping();
}

static bool verify_quickly(uint8_t level, uint8_t wanted)
{
    hw_drive((uint8_t)~wanted);
    hw_release();
    hw_quick_set(level);
    hw_access_wait();
    return (uint8_t)hw_sense() == wanted;
}

/* Erased words at `data` are looked at and not pulsed; returns how many are right, up to the first other one. */
static uint16_t quick_erased(const uint8_t *data, const uint8_t *end, uint32_t address)
{
    uint8_t erased = (uint8_t)part.erased;
    const uint8_t *from = data;
    while (part.semantics == CLEAR_ONLY && data != end && *data == erased && !called_away()) {
        hw_address(address);
        bool right = verify_quickly(hw_quick_level(MODE_VERIFY), erased);
        hw_quick_set(hw_quick_level(MODE_PROGRAM));
        if (!right) {
            break;
        }
        data++;
        address++;
    }
    return (uint16_t)(data - from);
}

static struct quick quick_done;

/* What follows `data`, and whether it is to be left to others. */
static bool leave_after(const uint8_t *data, const uint8_t *last, uint8_t *next)
{
    if (data == last) {
        return true;
    }
    *next = data[1];
    return (part.semantics == CLEAR_ONLY && *next == (uint8_t)part.erased) || called_away();
}

/* All that can be is done inside the pulse, where time costs nothing. `low`: the first address, of which only the lowest
 * eight bits change. Returns how many words are done. */
static APART uint16_t quick_pulses(const uint8_t *data, const uint8_t *last, uint8_t low)
{
    const uint8_t *from = data;
    uint8_t wanted = *data;
    uint8_t given = 0;
    bool last_try = false;
    for (;;) {
        uint8_t next = wanted;
        hw_low_address(low);
        hw_drive(wanted);
        hw_pulse_again();
        given++;
        quick_done.pulses++;
        if (given > quick_done.most) {
            quick_done.most = given;
        }
        if (given == part.most_pulses) {
            last_try = true;
        }
        bool leave = leave_after(data, last, &next);
        uint8_t program = hw_quick_level(MODE_PROGRAM);
        uint8_t verify = hw_quick_level(MODE_VERIFY);
        (void)listen_in_pulse(); /* it is too short to be cut */
        hw_pulse_finish();
        hw_steady_after();
        bool right = verify_quickly(verify, wanted);
        hw_quick_set(program);
        if (!right) {
            if (leave || last_try) {
                break;
            }
            continue;
        }
        data++;
        given = 0;
        if (leave) {
            break;
        }
        low++;
        wanted = next;
    }
    quick_done.given = given;
    return (uint16_t)(data - from);
}

struct quick socket_quick_words(const uint8_t *data, uint16_t count, uint32_t address)
{
    uint16_t in_page = (uint16_t)(0x100u - (address & 0xFFu));
    count = count < in_page ? count : in_page;
    socket_mode(MODE_PROGRAM);
    hw_pulse_prepare(part.pulse_ns);
    uint16_t words = quick_erased(data, data + count, address);
    quick_done = (struct quick){.words = words};
    if (words != count && !called_away() && (part.semantics != CLEAR_ONLY || data[words] != (uint8_t)part.erased)) {
        address += words;
        hw_address(address);
        quick_done.words = (uint16_t)(words + quick_pulses(data + words, data + count - 1, (uint8_t)address));
    }
    return quick_done; /* in mode program, as at the start */
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
