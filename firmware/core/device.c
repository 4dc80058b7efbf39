#include "device.h"

#include "answers.h"
#include "crc32.h"
#include "link.h"
#include "pump.h"
#include "receive.h"
#include "requests.h"
#include "socket.h"
#include "supplies.h"

static struct outcome outcome; /* of the request that runs or was stopped */
static bool stopped;           /* it was stopped: its RESULT waits for the supplies to be off */

void device_start(void)
{
    crc32_prepare();
    hw_start();
    link_start();
    receive_start();
    socket_off();
}

static void carry_out_next(void)
{
    const struct request *request = queue_first();
    link.running = request->number;
    link.progress = 0;
    requests_carry_out(request, &outcome);
    answers_send(false); /* ACCEPT of a request goes ahead of its RESULT */
    if (link_stopping() && outcome.status >= STATUS_ABORTED) {
        stopped = true;
        return;
    }
    link.running = NO_REQUEST;
    queue_drop();
    link_complete(&outcome);
}

/* The stopped request and those that wait, in order (D17, D19). */
static void complete_all(void)
{
    while (queue_count() != 0) {
        if (!stopped) {
            requests_not_begun(queue_first(), &outcome);
        }
        stopped = false;
        link.running = NO_REQUEST;
        queue_drop();
        link_complete(&outcome);
    }
}

static void complete_stopped(void)
{
    if (stopped) {
        stopped = false;
        link.running = NO_REQUEST;
        queue_drop();
        link_complete(&outcome);
    }
}

static void answer_abort(void)
{
    link.abort_tag = link.stop_tag;
    link.abort_expected = link.expected;
    link.abort_dropped = queue_count();
    answers_add(ANSWER_ABORT, link.stop_tag, 0);
    answers_send(false);
    complete_all();
}

static void answer_hello(void)
{
    stopped = false;
    link.running = NO_REQUEST;
    link_begin_session();
    answers_add(ANSWER_HELLO, link.stop_tag, STATUS_OK);
}

/* All off, and then tell why. A HELLO may come while the supplies fall: it takes precedence. */
static void settle(void)
{
    supplies_off();
    enum stop why = (enum stop)link.stop;
    link.stop = STOP_NONE;
    switch (why) {
    case STOP_HELLO:
        answer_hello();
        break;
    case STOP_ABORT:
        answer_abort();
        break;
    case STOP_WATCHDOG:
        link_fault(FAULT_WATCHDOG);
        complete_all();
        break;
    default:
        link_fault(0);
        complete_stopped();
        break;
    }
}

/* With work waiting, what comes in can wait for its pulses. */
static void look_around(void)
{
    if (queue_count() == 0) {
        pump();
        return;
    }
    hw_poll();
    receive_relieve();
    answers_send(false);
    link_watch();
}

void device_step(void)
{
    look_around();
    if (link_stopping()) {
        settle();
    } else if (queue_count() != 0) {
        carry_out_next();
    } else {
        hw_idle();
    }
}
