/* PROGRAM, FILL, COPY: the part's loop over words that lie one after another. */
#include "answers.h"
#include "link.h"
#include "operations.h"
#include "pump.h"
#include "receive.h"
#include "socket.h"
#include "work.h"

enum from { FROM_REQUEST, FROM_VALUE, FROM_CHIP };

struct run {
    struct cursor data;   /* the words of a PROGRAM */
    uint32_t address;
    uint32_t count;
    uint32_t source;      /* address of the words of a COPY */
    uint16_t value;       /* of a FILL */
    uint8_t from;         /* enum from */
    uint8_t pass;
    uint8_t given;        /* pulses that the next word has had already */
    uint32_t words;
    uint32_t pulses;
    uint8_t most;
    uint32_t failed;
    uint16_t wanted;
    uint16_t got;
};

static void add_detail(const struct run *run, struct outcome *outcome)
{
    detail_u32(outcome, run->words);
    detail_u32(outcome, run->pulses);
    detail_u8(outcome, run->most);
    detail_u32(outcome, run->failed);
    detail_u16(outcome, run->wanted);
    detail_u16(outcome, run->got);
}

void detail_of_nothing(struct outcome *outcome)
{
    const struct run nothing = {.failed = NO_ADDRESS};
    add_detail(&nothing, outcome);
}

uint8_t status_of_stop(void)
{
    if (link.stop != STOP_FAULT) {
        return STATUS_ABORTED;
    }
    if ((link.faults & (FAULT_VCC_OVER_CURRENT | FAULT_VPP_OVER_CURRENT)) != 0) {
        return STATUS_OVER_CURRENT;
    }
    return STATUS_ABORTED;
}

static uint16_t next_word(struct run *run)
{
    switch (run->from) {
    case FROM_REQUEST:
        return part.width_bits == 16 ? take_u16(&run->data) : take_u8(&run->data);
    case FROM_CHIP: {
        socket_mode(part.loop <= LOOP_FIRST_PASS ? MODE_VERIFY : MODE_READ);
        uint16_t word = socket_read(run->source);
        run->source++;
        return word;
    }
    default:
        return run->value;
    }
}

/* Word ends: done; stopped in a pulse; still wrong. */
enum end { END_DONE, END_STOPPED, END_WRONG };

static bool pulsed(struct run *run, uint16_t wanted, uint32_t nanoseconds, uint8_t nth)
{
    run->pulses++;
    if (nth > run->most) {
        run->most = nth;
    }
    return socket_pulse(run->address, wanted, nanoseconds);
}

static bool needs_no_pulse(uint16_t wanted)
{
    return part.semantics == CLEAR_ONLY && wanted == part.erased;
}

/* D30: this pulse counts nowhere. */
static enum end overprogram(struct run *run, uint16_t wanted, uint8_t pulses)
{
    if (part.over_factor == 0 || pulses == 0) {
        return END_DONE;
    }
    uint32_t factor = (uint32_t)part.over_factor * pulses;
    return socket_pulse(run->address, wanted, part.pulse_ns * factor) ? END_DONE : END_STOPPED;
}

/* Pulse and verify up to the limit; with `look_first`, verify before the first pulse. `given`: pulses that it has had. */
static enum end pulse_until_right(struct run *run, uint16_t wanted, bool look_first, uint8_t given)
{
    uint8_t limit = needs_no_pulse(wanted) ? 0 : part.most_pulses;
    bool look = look_first || limit == given;
    for (;;) {
        if (look) {
            run->got = socket_verify(run->address, wanted);
            if (run->got == wanted) {
                break;
            }
            if (given == limit) {
                return END_WRONG;
            }
        }
        given++;
        look = true;
        if (!pulsed(run, wanted, part.pulse_ns, given)) {
            return END_STOPPED;
        }
    }
    if (run->pass == PASS_RESUME && given == 0 && limit != 0) {
        given = 1; /* it may have lost its overprogram pulse */
    }
    return overprogram(run, wanted, given);
}

static enum end pulse_once(struct run *run, uint16_t wanted)
{
    if (needs_no_pulse(wanted)) {
        return END_DONE;
    }
    return pulsed(run, wanted, part.pulse_ns, 1) ? END_DONE : END_STOPPED;
}

/* Waits for the end of a write cycle: by polling if the part says how, else its longest time. */
static bool cycle_over(struct run *run, uint16_t wanted)
{
    uint32_t most_us = part.has_page ? part.cycle_us : part.pulse_ns / 1000u;
    bool polls = part.has_page && part.polling != 0;
    uint32_t from = hw_now_ms();
    socket_mode(MODE_READ);
    while (hw_now_ms() - from <= most_us / 1000u + 1u) {
        if (polls && socket_read(run->address) == wanted && socket_read(run->address) == wanted) {
            return true;
        }
        pump();
        if (link_stopping()) {
            return false;
        }
        hw_idle();
    }
    return true;
}

static enum end write_until_right(struct run *run, uint16_t wanted)
{
    for (uint8_t given = 1;; given++) {
        run->pulses++;
        if (given > run->most) {
            run->most = given;
        }
        socket_write(run->address, wanted);
        if (!cycle_over(run, wanted)) {
            return END_STOPPED;
        }
        run->got = socket_read(run->address);
        if (run->got == wanted) {
            return END_DONE;
        }
        if (given == part.most_pulses) {
            return END_WRONG;
        }
    }
}

static enum end do_word(struct run *run, uint16_t wanted)
{
    if (part.loop == LOOP_BYTE_WRITE) {
        return write_until_right(run, wanted);
    }
    if (run->pass == PASS_FIRST) {
        return pulse_once(run, wanted);
    }
    uint8_t given = run->given;
    run->given = 0;
    return pulse_until_right(run, wanted, run->pass != PASS_FULL || given != 0, given);
}

/* As many words as go the quick way; the usual way does the rest. */
static void run_quick(struct run *run)
{
    uint16_t there = queue_in_one_piece(&run->data);
    uint16_t count = there < run->count ? there : (uint16_t)run->count;
    struct quick done = socket_quick_words(queue_at(&run->data), count, run->address);
    cursor_skip(&run->data, done.words);
    run->address += done.words;
    run->count -= done.words;
    run->words += done.words;
    run->pulses += done.pulses;
    run->given = done.given;
    uint8_t most = done.given > done.most ? done.given : done.most;
    run->most = most > run->most ? most : run->most;
    link.progress = run->words;
}

/* Between two words: whatever has come meanwhile. False if the work must stop. */
static bool between_words(void)
{
    receive_relieve();
    if (answers_due()) {
        answers_send(false);
    }
    link_watch();
    return !link_stopping();
}

/* One word the usual way, and what is due after it. STATUS_OK: go on. */
static uint8_t run_word(struct run *run)
{
    uint32_t pulses = run->pulses;
    uint16_t wanted = next_word(run);
    enum end end = do_word(run, wanted);
    if (end == END_STOPPED) {
        return status_of_stop();
    }
    if (end == END_WRONG) {
        run->failed = run->address;
        run->wanted = wanted;
        return STATUS_PROGRAM_FAILED;
    }
    run->address++;
    run->count--;
    run->words++;
    link.progress = run->words;
    if (run->pulses == pulses) {
        pump(); /* a word that needs no pulse did not listen inside one */
    }
    return STATUS_OK;
}

static uint8_t run_loop(struct run *run)
{
    bool quick = run->from == FROM_REQUEST && run->pass == PASS_FULL && part.loop == LOOP_VERIFY_EACH &&
                 part.over_factor == 0 && socket_quick_suits();
    while (run->count != 0) {
        uint32_t before = run->count;
        if (quick) {
            run_quick(run);
        }
        bool stuck = run->count == before || run->given != 0;
        if (run->count != 0 && stuck && !link_stopping()) {
            uint8_t status = run_word(run);
            if (status != STATUS_OK) {
                return status;
            }
        }
        if (!between_words() && run->count != 0) {
            return status_of_stop();
        }
    }
    return STATUS_OK;
}

static bool pass_suits(uint8_t pass)
{
    switch (pass) {
    case PASS_FULL:
        return part.loop == LOOP_VERIFY_EACH || part.loop == LOOP_BYTE_WRITE;
    case PASS_RESUME:
        return part.loop == LOOP_VERIFY_EACH || part.loop == LOOP_FIRST_PASS;
    default:
        return part.loop == LOOP_FIRST_PASS;
    }
}

static uint8_t carry_out(struct run *run, uint16_t operation, struct outcome *outcome)
{
    if (!pass_suits(run->pass)) {
        return STATUS_CANNOT;
    }
    if (!in_part(run->address, run->count) || (run->from == FROM_CHIP && !in_part(run->source, run->count)) ||
        (part.width_bits == 8 && run->value > 0xFF)) {
        return STATUS_OUT_OF_RANGE;
    }
    work_begin(operation);
    run->failed = NO_ADDRESS;
    uint8_t status = run_loop(run);
    socket_rest();
    if (status != STATUS_PROGRAM_FAILED) {
        run->got = 0;
    }
    add_detail(run, outcome);
    return status;
}

uint8_t do_program(struct cursor *arguments, struct outcome *outcome)
{
    struct run run = {.from = FROM_REQUEST};
    uint16_t operation = take_u16(arguments);
    run.address = take_u32(arguments);
    run.pass = take_u8(arguments);
    run.data = *arguments;
    if (part.width_bits == 16 && run.data.left % 2u != 0) {
        return STATUS_MALFORMED;
    }
    if (run.data.left > LIMIT_PAYLOAD) {
        return STATUS_OUT_OF_RANGE;
    }
    run.count = run.data.left / (part.width_bits / 8u);
    return carry_out(&run, operation, outcome);
}

uint8_t do_fill(struct cursor *arguments, struct outcome *outcome)
{
    struct run run = {.from = FROM_VALUE};
    uint16_t operation = take_u16(arguments);
    run.address = take_u32(arguments);
    run.count = take_u32(arguments);
    run.pass = take_u8(arguments);
    run.value = take_u16(arguments);
    return carry_out(&run, operation, outcome);
}

uint8_t do_copy(struct cursor *arguments, struct outcome *outcome)
{
    struct run run = {.from = FROM_CHIP};
    uint16_t operation = take_u16(arguments);
    run.address = take_u32(arguments);
    run.count = take_u32(arguments);
    run.pass = take_u8(arguments);
    run.source = take_u32(arguments);
    return carry_out(&run, operation, outcome);
}
