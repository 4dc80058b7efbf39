/* The reference firmware as a process, with a modelled chip in its socket. */
#include <stdio.h>

#include "device.h"
#include "host.h"

static int write_dump(void)
{
    if (options.dump == NULL) {
        return 0;
    }
    FILE *file = fopen(options.dump, "wb");
    if (file == NULL || fwrite(chip.cells, 1, chip.kind->size, file) != chip.kind->size || fclose(file) != 0) {
        fprintf(stderr, "cannot write %s\n", options.dump);
        return 1;
    }
    return 0;
}

static void report(void)
{
    const struct eprom_faults *f = &chip.faults;
    printf("pulses %u width %u moved %u setup %u hold %u contention %u vpp-alone %u wrong-pin %u early %u\n", chip.pulses,
           f->width, f->moved, f->setup, f->hold, f->contention, f->vpp_alone, f->wrong_pin, f->early);
}

int main(int argc, char **argv)
{
    if (!options_read(argc, argv)) {
        return 2;
    }
    if (!line_open()) {
        perror("no pseudo-terminal");
        return 1;
    }
    device_start();
    while (!line_ended()) {
        device_step();
    }
    line_close();
    report();
    return write_dump();
}
