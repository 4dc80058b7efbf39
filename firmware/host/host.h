/* What the files of the host build share. */
#ifndef HOST_H
#define HOST_H

#include <stdbool.h>
#include <stdint.h>

#include "eprom.h"

struct options {
    const char *chip;
    const char *content; /* a file with what the chip holds at the start */
    const char *dump;    /* where to write at the end what it holds then */
    const char *link;    /* a name for the pseudo-terminal */
    bool script;         /* time and bytes come from standard input, nothing is real */
    bool ask;            /* and step by step */
    bool empty;
    bool measures;
    uint32_t boot_id;
    uint32_t weak_per_mille;
    int32_t dead_address;
    int32_t vcc_error_mv, vpp_error_mv;  /* measured minus asked for */
    uint32_t over_current_at;            /* VPP draws too much from this pulse on; 0 never */
};

extern struct options options;
extern struct eprom chip;
extern uint64_t now_ns;

/* False, with a word on standard error, if the arguments are not good. */
bool options_read(int argc, char **argv);

/* The line: a pseudo-terminal in real time, or a script. */
bool line_open(void);
void line_poll(void);
void line_send(void);
/* Rests until something comes or time has come to `until_ns`. */
void line_rest(uint64_t until_ns);
bool line_ended(void);
void line_close(void);

#endif
