/* IDENTIFY by ID voltage, and ERASE by one pulse. */
#include "link.h"
#include "operations.h"
#include "part.h"
#include "pump.h"
#include "socket.h"
#include "supplies.h"
#include "work.h"

uint8_t do_identify(struct cursor *arguments, struct outcome *outcome)
{
    (void)arguments;
    if (part.method != METHOD_ID_VOLTAGE) {
        return STATUS_CANNOT;
    }
    if (!part_was_looked_at()) {
        return STATUS_WRONG_STATE;
    }
    hw_supply_set(SUPPLY_ID, part.id_mv);
    socket_mode(MODE_SIGNATURE);
    bool steady = pump_wait_ms(SETTLE_MS);
    uint16_t maker = socket_read(part.maker_address);
    uint16_t device = socket_read(part.device_address);
    hw_supply_set(SUPPLY_ID, 0);
    socket_rest();
    if (!steady) {
        return status_of_stop();
    }
    detail_u16(outcome, maker);
    detail_u16(outcome, device);
    return STATUS_OK;
}

uint8_t do_erase(struct cursor *arguments, struct outcome *outcome)
{
    uint16_t operation = take_u16(arguments);
    uint8_t scope = take_u8(arguments);
    if (!part.has_erase_pulse || scope != SCOPE_CHIP) {
        return STATUS_CANNOT;
    }
    if (supplies_vcc_mv() != part.erase_vcc_mv || supplies_vpp_mv() != part.erase_vpp_mv) {
        return STATUS_SUPPLY_NOT_SET;
    }
    work_begin(operation);
    uint32_t from = hw_now_ms();
    if (!socket_erase_pulse(part.erase_pulse_us * 1000u)) {
        return status_of_stop();
    }
    detail_u32(outcome, hw_now_ms() - from);
    return STATUS_OK;
}
