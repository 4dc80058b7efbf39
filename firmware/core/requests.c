#include "requests.h"

#include "link.h"
#include "operations.h"
#include "part.h"
#include "supplies.h"
#include "work.h"

enum { NO_CHOICE = 0xFF };

struct row {
    uint8_t opcode;
    uint8_t least_bytes;  /* of the arguments */
    uint8_t choice_at;    /* an argument that must be below `choices`, or NO_CHOICE */
    uint8_t choices;
    uint8_t needs;
    bool alters;          /* its arguments begin with an operation number (D18) */
    uint16_t capability;  /* one of these bits, or 0 */
    operation *function;
};

enum {
    READING = NEED_SETUP | NEED_VCC,
    ALTERING = NEED_SETUP | NEED_VCC | NEED_NO_FAULT,
    ANY_LOOP = CAN_VERIFY_EACH | CAN_FIRST_PASS | CAN_BYTE_WRITE,
};

static const struct row rows[] FLASH = {
    {OP_SETUP, 8, NO_CHOICE, 0, NEED_OFF, false, 0, do_setup},
    {OP_SUPPLY, 5, 0, 3, 0, false, 0, do_supply},
    {OP_CONTACT, 0, NO_CHOICE, 0, NEED_SETUP | NEED_OFF, false, CAN_CONTACT, 0},
    {OP_IDENTIFY, 0, NO_CHOICE, 0, ALTERING, false, CAN_ID_VOLTAGE, do_identify},
    {OP_READ, 13, 8, MODES, READING, false, 0, do_read},
    {OP_BLANK, 11, 8, MODES, READING, false, 0, do_blank},
    {OP_DIGEST, 11, 8, MODES, READING, false, CAN_DIGEST, do_digest},
    {OP_MEASURE, 0, NO_CHOICE, 0, 0, false, 0, do_measure},
    {OP_STATS, 0, NO_CHOICE, 0, 0, false, 0, do_stats},
    {OP_CLEAR_FAULT, 2, NO_CHOICE, 0, 0, false, 0, do_clear_fault},
    {OP_PROGRAM, 7, 6, PASSES, ALTERING, true, ANY_LOOP, do_program},
    {OP_FILL, 13, 10, PASSES, ALTERING, true, CAN_FILL, do_fill},
    {OP_COPY, 15, 10, PASSES, ALTERING, true, CAN_COPY, do_copy},
    {OP_ERASE, 7, 2, 2, ALTERING, true, 0, do_erase},
    {OP_SEQUENCE, 3, 2, 8, ALTERING, true, CAN_COMMANDS, 0},
};

/* False for an opcode that nobody knows. */
static bool find_row(uint8_t opcode, struct row *row)
{
    for (uint8_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
        flash_copy(row, &rows[i], sizeof *row);
        if (row->opcode == opcode) {
            return true;
        }
    }
    return false;
}

static bool well_formed(const struct row *row, struct cursor arguments)
{
    if (arguments.left < row->least_bytes) {
        return false;
    }
    if (row->choice_at == NO_CHOICE) {
        return true;
    }
    for (uint8_t i = 0; i < row->choice_at; i++) {
        (void)take_u8(&arguments);
    }
    return take_u8(&arguments) < row->choices;
}

uint8_t requests_lack(uint8_t needs)
{
    if ((needs & NEED_NO_FAULT) != 0 && link.faults != 0) {
        return STATUS_FAULTED;
    }
    if ((needs & NEED_SETUP) != 0 && !part.ready) {
        return STATUS_NO_SETUP;
    }
    if ((needs & NEED_OFF) != 0 && supplies_energised()) {
        return STATUS_WRONG_STATE;
    }
    if ((needs & NEED_VCC) != 0 && supplies_vcc_mv() == 0) {
        return STATUS_SUPPLY_NOT_SET;
    }
    return STATUS_OK;
}

static bool may_begin(const struct row *row, struct cursor arguments, struct outcome *outcome)
{
    if (!well_formed(row, arguments)) {
        outcome->status = STATUS_MALFORMED;
        return false;
    }
    if (row->alters) {
        if (!work_may_begin(take_u16(&arguments), outcome)) {
            return false;
        }
    }
    outcome->status = requests_lack(row->needs);
    if (outcome->status == STATUS_OK && row->capability != 0 && (row->capability & DEVICE_CAN) == 0) {
        outcome->status = STATUS_CANNOT;
    }
    return outcome->status == STATUS_OK;
}

void requests_carry_out(const struct request *request, struct outcome *outcome)
{
    *outcome = (struct outcome){.number = request->number, .opcode = request->opcode};
    struct row row;
    struct cursor arguments = cursor_of(request);
    if (!find_row(request->opcode, &row)) {
        outcome->status = STATUS_UNKNOWN_OPCODE;
        return;
    }
    if (may_begin(&row, arguments, outcome)) {
        outcome->status = row.function(&arguments, outcome);
        statistics.executed++;
    }
    work_end(outcome);
}

void requests_not_begun(const struct request *request, struct outcome *outcome)
{
    *outcome = (struct outcome){.number = request->number, .opcode = request->opcode, .status = STATUS_ABORTED};
    if (request->opcode == OP_PROGRAM || request->opcode == OP_FILL || request->opcode == OP_COPY) {
        detail_of_nothing(outcome);
    }
}
