/* Sessions, sequence numbers, loss, the watchdog, and why work must stop (sections 3 and 4). */
#ifndef LINK_H
#define LINK_H

#include "outcome.h"
#include "queue.h"

/* Why the running request must stop; a higher one takes the place of a lower one. */
enum stop {
    STOP_NONE = 0,
    STOP_FAULT,    /* a supply or the socket */
    STOP_WATCHDOG, /* D19 */
    STOP_ABORT,    /* D17 */
    STOP_HELLO,    /* D5 */
};

struct link {
    uint32_t nonce;        /* of the present session */
    uint32_t hello_nonce;  /* of the HELLO that begins the next session */
    uint32_t refused_nonce; /* of the last HELLO of another major version */
    uint32_t heard_ms;     /* when the last sound frame of this session came */
    uint32_t progress;     /* words done of the running request */
    uint16_t session;      /* 0: none */
    uint16_t session_used; /* the last one given */
    uint16_t faults;
    uint8_t expected;
    uint8_t running;       /* number of the request being carried out, or NO_REQUEST */
    uint8_t stop;          /* enum stop */
    uint8_t stop_tag;      /* of the ABORT or HELLO that asked for it */
    uint8_t abort_tag;     /* of the ABORT that was answered last, or NO_REQUEST */
    uint8_t abort_expected;
    uint8_t abort_dropped;
    uint8_t event_number;
    bool nak_out;          /* D15: one NAK is enough until the expected request comes */
};

struct statistics {
    uint32_t frames;
    uint32_t damaged;
    uint32_t naks;
    uint32_t repeats;
    uint32_t executed;
};

extern struct link link;
extern struct statistics statistics;

void link_start(void);
/* From the decoder: a sound frame lies at queue_frame(); something damaged has come. */
void link_frame(uint16_t length);
void link_damaged(void);
/* Looks at the clock and at the hardware's faults. */
void link_watch(void);
static inline bool link_stopping(void)
{
    return link.stop != STOP_NONE;
}
void link_stop(enum stop why);
/* Latches a fault and tells the host. */
void link_fault(uint16_t fault);

/* Sends the RESULT and keeps it. */
void link_complete(const struct outcome *outcome);
/* The answer to STATS. */
void statistics_detail(struct outcome *outcome);
void link_send_result(const struct outcome *outcome);
/* Begins the session that a HELLO asked for. */
void link_begin_session(void);

#endif
