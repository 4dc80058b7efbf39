/* SETUP, SUPPLY, MEASURE, STATS, CLEAR_FAULT. */
#include "link.h"
#include "operations.h"
#include "part.h"
#include "requests.h"
#include "socket.h"
#include "supplies.h"
#include "work.h"

static uint32_t setup_work;
static uint16_t setup_total;
static uint16_t setup_got;
static bool looked;

void part_looked_at(void)
{
    looked = true;
}

bool part_was_looked_at(void)
{
    return looked;
}

static void setup_answer(struct outcome *outcome, uint8_t tag, uint8_t index)
{
    detail_u8(outcome, tag);
    detail_u8(outcome, index);
}

static uint8_t judge_descriptor(struct outcome *outcome)
{
    uint8_t tag = 0;
    uint8_t index = 0;
    if (!part_read(setup_total)) {
        return STATUS_MALFORMED;
    }
    uint8_t status = part_judge(setup_total, &tag, &index);
    part.ready = status == STATUS_OK;
    if (part.ready) {
        socket_new_part();
    }
    setup_answer(outcome, tag, index);
    return status;
}

static uint8_t begin_descriptor(uint32_t work, uint16_t total)
{
    work_open(work);
    part.ready = false;
    looked = false;
    setup_work = work;
    setup_total = total;
    setup_got = 0;
    return total > ROOM_DESCRIPTOR ? STATUS_OUT_OF_RANGE : STATUS_OK;
}

static bool continues(uint32_t work, uint16_t total, uint16_t offset)
{
    return work == setup_work && total == setup_total && offset == setup_got && total <= ROOM_DESCRIPTOR;
}

uint8_t do_setup(struct cursor *arguments, struct outcome *outcome)
{
    uint32_t work = take_u32(arguments);
    uint16_t total = take_u16(arguments);
    uint16_t offset = take_u16(arguments);
    uint8_t status = STATUS_OK;
    if (arguments->left > LIMIT_PAYLOAD) {
        return STATUS_OUT_OF_RANGE;
    }
    if (offset == 0) {
        status = begin_descriptor(work, total);
    } else if (!continues(work, total, offset)) {
        status = STATUS_MALFORMED;
    }
    if (status == STATUS_OK && arguments->left > total - offset) {
        status = STATUS_MALFORMED;
    }
    if (status != STATUS_OK) {
        part.ready = false;
        setup_got = 0xFFFF; /* only a piece with offset 0 can follow */
        return status;
    }
    while (arguments->left != 0) {
        part_text[setup_got] = take_u8(arguments);
        setup_got++;
    }
    if (setup_got == total) {
        return judge_descriptor(outcome);
    }
    setup_answer(outcome, 0, 0);
    return STATUS_OK;
}

static uint8_t apply_or_confirm(uint8_t action, uint16_t vcc_mv, uint16_t vpp_mv, struct outcome *outcome)
{
    uint8_t needs = (uint8_t)(action == ACTION_APPLY ? NEED_NO_FAULT | NEED_SETUP : NEED_SETUP);
    uint8_t status = requests_lack(needs);
    if (status == STATUS_OK) {
        status = supplies_check(vcc_mv, vpp_mv);
    }
    if (status != STATUS_OK) {
        return status;
    }
    if (action == ACTION_CONFIRM) {
        supplies_confirm(vcc_mv, vpp_mv);
        supplies_measured(outcome);
        return STATUS_OK;
    }
    if (supplies_unconfirmed(vcc_mv, vpp_mv)) {
        return STATUS_NEEDS_CONFIRMATION;
    }
    return supplies_apply(vcc_mv, vpp_mv, outcome);
}

uint8_t do_supply(struct cursor *arguments, struct outcome *outcome)
{
    uint8_t action = take_u8(arguments);
    uint16_t vcc_mv = take_u16(arguments);
    uint16_t vpp_mv = take_u16(arguments);
    if (action != ACTION_DISCHARGE) {
        return apply_or_confirm(action, vcc_mv, vpp_mv, outcome);
    }
    supplies_off();
    supplies_measured(outcome);
    return STATUS_OK;
}

uint8_t do_measure(struct cursor *arguments, struct outcome *outcome)
{
    (void)arguments;
    supplies_measured(outcome);
    return STATUS_OK;
}

uint8_t do_stats(struct cursor *arguments, struct outcome *outcome)
{
    (void)arguments;
    statistics_detail(outcome);
    return STATUS_OK;
}

uint8_t do_clear_fault(struct cursor *arguments, struct outcome *outcome)
{
    (void)outcome;
    link.faults = (uint16_t)(link.faults & ~take_u16(arguments));
    return STATUS_OK;
}
