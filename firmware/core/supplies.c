#include "supplies.h"

#include "identity.h"
#include "link.h"
#include "operations.h"
#include "part.h"
#include "pump.h"
#include "socket.h"

enum { DISCHARGE_MOST_MS = 500 };

static uint16_t vcc_set;
static uint16_t vpp_set;
static bool energised;
static bool confirmed;
static uint16_t confirmed_vcc;
static uint16_t confirmed_vpp;

uint16_t supplies_vcc_mv(void)
{
    return vcc_set;
}

uint16_t supplies_vpp_mv(void)
{
    return vpp_set;
}

bool supplies_energised(void)
{
    return energised;
}

void supplies_new_session(void)
{
    confirmed = false;
}

static uint16_t lower_of(uint16_t one, uint16_t other)
{
    return one < other ? one : other;
}

static uint16_t higher_of(uint16_t one, uint16_t other)
{
    return one > other ? one : other;
}

/* The part's range of VCC, for reading, programming and, if it has that, erasing. */
static bool vcc_suits_part(uint16_t millivolts)
{
    uint16_t low = part.vcc_low_mv;
    uint16_t high = part.vcc_high_mv;
    if (part.vcc_program_mv != 0) {
        low = lower_of(low, (uint16_t)(part.vcc_program_mv - lower_of(part.vcc_program_mv, part.vcc_tolerance_mv)));
        high = higher_of(high, (uint16_t)(part.vcc_program_mv + part.vcc_tolerance_mv));
    }
    if (part.has_erase_pulse) {
        low = lower_of(low, part.erase_vcc_mv);
        high = higher_of(high, part.erase_vcc_mv);
    }
    return millivolts >= low && millivolts <= high;
}

static bool device_makes(enum supply which, uint16_t millivolts, uint16_t part_max_mv)
{
    struct range range = identity_supply(which);
    if (millivolts == 0) {
        return true;
    }
    if (range.kind == SUPPLY_ABSENT || (uint32_t)millivolts + range.tolerance_mv > part_max_mv) {
        return false;
    }
    uint16_t slack = range.kind == SUPPLY_FIXED ? range.tolerance_mv : 0;
    return millivolts <= (uint32_t)range.greatest_mv + slack && (uint32_t)millivolts + slack >= range.least_mv;
}

uint8_t supplies_check(uint16_t vcc_mv, uint16_t vpp_mv)
{
    if (vpp_mv != 0 && vcc_mv == 0) {
        return STATUS_WRONG_STATE;
    }
    if (!device_makes(SUPPLY_VCC, vcc_mv, part.vcc_max_mv) || !device_makes(SUPPLY_VPP, vpp_mv, part.vpp_max_mv) ||
        (vcc_mv != 0 && !vcc_suits_part(vcc_mv))) {
        return STATUS_LIMIT;
    }
    return STATUS_OK;
}

void supplies_confirm(uint16_t vcc_mv, uint16_t vpp_mv)
{
    confirmed = true;
    confirmed_vcc = vcc_mv;
    confirmed_vpp = vpp_mv;
}

/* D26: a supply set by hand wants the user's word first. */
bool supplies_unconfirmed(uint16_t vcc_mv, uint16_t vpp_mv)
{
    bool by_hand = (vcc_mv != 0 && identity_supply(SUPPLY_VCC).kind == SUPPLY_BY_HAND) ||
                   (vpp_mv != 0 && identity_supply(SUPPLY_VPP).kind == SUPPLY_BY_HAND);
    return by_hand && !(confirmed && confirmed_vcc == vcc_mv && confirmed_vpp == vpp_mv);
}

void supplies_measured(struct outcome *outcome)
{
    detail_u16(outcome, hw_supply_mv(SUPPLY_VCC));
    detail_u16(outcome, hw_supply_mv(SUPPLY_VPP));
    detail_u16(outcome, hw_supply_mv(SUPPLY_ID));
}

static bool set_vcc(uint16_t millivolts)
{
    hw_supply_set(SUPPLY_VCC, millivolts);
    vcc_set = millivolts;
    return pump_wait_ms(SETTLE_MS);
}

static bool set_vpp(uint16_t millivolts)
{
    hw_supply_set(SUPPLY_VPP, millivolts);
    vpp_set = millivolts;
    return pump_wait_ms(SETTLE_MS);
}

static uint16_t off_by(enum supply which, uint16_t wanted, uint16_t tolerance, uint16_t fault)
{
    uint16_t measured = hw_supply_mv(which);
    if (wanted == 0 || measured == NOT_MEASURED) {
        return 0;
    }
    uint16_t difference = measured > wanted ? (uint16_t)(measured - wanted) : (uint16_t)(wanted - measured);
    return difference > tolerance ? fault : 0;
}

static uint8_t after_change(struct outcome *outcome)
{
    supplies_measured(outcome);
    uint16_t wrong = (uint16_t)(off_by(SUPPLY_VCC, vcc_set, part.vcc_tolerance_mv, FAULT_VCC_TOLERANCE) |
                                off_by(SUPPLY_VPP, vpp_set, part.vpp_tolerance_mv, FAULT_VPP_TOLERANCE));
    if (wrong != 0) {
        supplies_off();
        link_fault(wrong);
        return STATUS_SUPPLY_OUT_OF_TOLERANCE;
    }
    socket_rest();
    return STATUS_OK;
}

uint8_t supplies_apply(uint16_t vcc_mv, uint16_t vpp_mv, struct outcome *outcome)
{
    bool steady = true;
    if (vcc_mv == 0) {
        supplies_off();
        supplies_measured(outcome);
        return STATUS_OK;
    }
    energised = true;
    socket_leave_vpp();
    if (vpp_mv < vpp_set) {
        steady = set_vpp(vpp_mv);
    }
    if (steady && vcc_mv != vcc_set) {
        steady = set_vcc(vcc_mv);
    }
    if (steady && vpp_mv != vpp_set) {
        steady = set_vpp(vpp_mv);
    }
    if (steady) {
        return after_change(outcome);
    }
    uint8_t status = status_of_stop();
    if (status == STATUS_OVER_CURRENT) {
        supplies_measured(outcome);
    }
    return status;
}

void supplies_off(void)
{
    hw_supply_set(SUPPLY_ID, 0);
    hw_supply_set(SUPPLY_VPP, 0);
    socket_off();
    hw_supply_set(SUPPLY_VCC, 0);
    vpp_set = 0;
    vcc_set = 0;
    uint32_t from = hw_now_ms();
    while (!hw_discharged()) {
        if (hw_now_ms() - from >= DISCHARGE_MOST_MS) {
            link.faults |= FAULT_INTERNAL;
            break;
        }
        pump();
        hw_idle();
    }
    energised = false;
}
