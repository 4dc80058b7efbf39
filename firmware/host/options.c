#include <getopt.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include "host.h"
#include "hw.h"
#include "records.h"

struct options options;

enum {
    ALL_CAPABILITIES = CAN_ID_VOLTAGE | CAN_MEASURE_VCC | CAN_MEASURE_VPP | CAN_VERIFY_EACH | CAN_FIRST_PASS |
                       CAN_OVERPROGRAM | CAN_BYTE_WRITE | CAN_DIGEST | CAN_FILL | CAN_COPY,
};

static const struct option names[] = {
    {"chip", required_argument, NULL, 'c'},      {"content", required_argument, NULL, 'i'},
    {"dump", required_argument, NULL, 'd'},      {"link", required_argument, NULL, 'l'},
    {"script", no_argument, NULL, 's'},          {"records", required_argument, NULL, 'r'},
    {"payload", required_argument, NULL, 'p'},   {"window", required_argument, NULL, 'w'},
    {"rx-bytes", required_argument, NULL, 'x'},  {"watchdog-ms", required_argument, NULL, 't'},
    {"boot-id", required_argument, NULL, 'b'},   {"weak", required_argument, NULL, 'k'},
    {"dead", required_argument, NULL, 'a'},      {"empty", no_argument, NULL, 'e'},
    {"vcc-error", required_argument, NULL, 'v'}, {"vpp-error", required_argument, NULL, 'V'},
    {"over-current-at", required_argument, NULL, 'o'},      {"ask", no_argument, NULL, 'q'},
    {NULL, 0, NULL, 0},
};

static void defaults(void)
{
    options = (struct options){.chip = "27c64", .dead_address = -1, .measures = true};
    options.boot_id = (uint32_t)time(NULL) ^ (uint32_t)getpid() << 16;
    limits = (struct limits){
        .payload = 256, .window = 4, .rx_bytes = 1184, .watchdog_ms = 1000,
        .capabilities = ALL_CAPABILITIES, .settle_ms = 10,
    };
    records_default(ALL_CAPABILITIES);
}

static bool take(int name, const char *value)
{
    long number = value == NULL ? 0 : strtol(value, NULL, 0);
    switch (name) {
    case 'c': options.chip = value; return true;
    case 'i': options.content = value; return true;
    case 'd': options.dump = value; return true;
    case 'l': options.link = value; return true;
    case 's': options.script = true; return true;
    case 'q': options.script = options.ask = true; return true;
    case 'r': options.measures = false; return records_from_hex(value);
    case 'p': limits.payload = (uint16_t)number; return number >= 64 && number <= ROOM_PAYLOAD;
    case 'w': limits.window = (uint8_t)number; return number >= 1 && number <= ROOM_WINDOW;
    case 'x': limits.rx_bytes = (uint16_t)number; return number <= ROOM_ARENA - ROOM_PAYLOAD - FRAME_SPARE_BYTES;
    case 't': limits.watchdog_ms = (uint16_t)number; return number >= 200 && number <= 10000;
    case 'b': options.boot_id = (uint32_t)number; return true;
    case 'k': options.weak_per_mille = (uint32_t)number; return true;
    case 'a': options.dead_address = (int32_t)number; return true;
    case 'e': options.empty = true; return true;
    case 'v': options.vcc_error_mv = (int32_t)number; return true;
    case 'V': options.vpp_error_mv = (int32_t)number; return true;
    case 'o': options.over_current_at = (uint32_t)number; return true;
    default: return false;
    }
}

static bool insert_chip(void)
{
    const struct eprom_kind *kind = eprom_find(options.chip);
    if (kind == NULL || !eprom_insert(&chip, kind, records_socket_pins())) {
        fprintf(stderr, "no such chip: %s\n", options.chip);
        return false;
    }
    chip.empty = options.empty;
    chip.weak_per_mille = options.weak_per_mille;
    chip.dead_address = options.dead_address;
    chip.any_width = strcmp(kind->name, "trivial") == 0;
    if (options.content != NULL) {
        FILE *file = fopen(options.content, "rb");
        if (file == NULL || fread(chip.cells, 1, kind->size, file) == 0) {
            fprintf(stderr, "cannot read %s\n", options.content);
            return false;
        }
        fclose(file);
    }
    return true;
}

bool options_read(int argc, char **argv)
{
    int name;
    defaults();
    while ((name = getopt_long(argc, argv, "", names, NULL)) != -1) {
        if (!take(name, optarg)) {
            fprintf(stderr, "this argument is not good: %s\n", optarg == NULL ? argv[optind - 1] : optarg);
            return false;
        }
    }
    if (limits.rx_bytes < limits.payload + FRAME_SPARE_BYTES) {
        fprintf(stderr, "rx-bytes must be at least payload and 32\n");
        return false;
    }
    return insert_chip();
}
