/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Runs the firmware. Commands on standard input: `reset`, `state`, `end`. Part of the rig: GPL-3.0-or-later, see rig.h. */
#include "rig.h"

#include <fcntl.h>
#include <getopt.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>
#include <unistd.h>

#include <simavr/sim_elf.h>

struct options options = {.chip = "27c64", .speed = 1.0, .controller = "atmega2560"};
avr_t *avr;
struct eprom chip;

static const struct board *board;
static volatile sig_atomic_t told_to_end;

static void on_signal(int number)
{
    (void)number;
    told_to_end = 1;
}

static bool read_options(int argc, char **argv)
{
    static const struct option names[] = {
        {"chip", required_argument, NULL, 'c'},  {"dump", required_argument, NULL, 'd'},
        {"content", required_argument, NULL, 'i'}, {"weak", required_argument, NULL, 'k'},
        {"speed", required_argument, NULL, 's'}, {"controller", required_argument, NULL, 'm'},
        {"empty", no_argument, NULL, 'e'},
        {NULL, 0, NULL, 0},
    };
    int name;
    while ((name = getopt_long(argc, argv, "", names, NULL)) != -1) {
        switch (name) {
        case 'c': options.chip = optarg; break;
        case 'd': options.dump = optarg; break;
        case 'i': options.content = optarg; break;
        case 'k': options.weak_per_mille = (uint32_t)atoi(optarg); break;
        case 's': options.speed = atof(optarg); break;
        case 'm': options.controller = optarg; break;
        case 'e': options.empty = true; break;
        default: return false;
        }
    }
    options.firmware = argv[optind];
    board = strcmp(options.controller, board_328.controller) == 0 ? &board_328 : &board_2560;
    return options.firmware != NULL;
}

static bool insert_chip(void)
{
    const struct eprom_kind *kind = eprom_find(options.chip);
    if (kind == NULL || !eprom_insert(&chip, kind, board->socket_pins)) {
        return false;
    }
    chip.weak_per_mille = options.weak_per_mille;
    chip.empty = options.empty;
    if (options.content != NULL) {
        FILE *file = fopen(options.content, "rb");
        if (file == NULL || fread(chip.cells, 1, kind->size, file) == 0) {
            return false;
        }
        fclose(file);
    }
    return true;
}

static void quiet(avr_t *which, const int level, const char *format, va_list arguments)
{
    (void)which;
    if (level <= LOG_ERROR) {
        vfprintf(stderr, format, arguments);
    }
}

static void no_sleep(avr_t *which, avr_cycle_count_t cycles)
{
    (void)which;
    (void)cycles; /* emulated time passes at once; wait_for_wall() holds it back */
}

static bool start_core(void)
{
    elf_firmware_t firmware;
    memset(&firmware, 0, sizeof firmware);
    avr_global_logger_set(quiet);
    if (elf_read_firmware(options.firmware, &firmware) != 0) {
        return false;
    }
    avr = avr_make_mcu_by_name(options.controller);
    if (avr == NULL || avr_init(avr) != 0) {
        return false;
    }
    avr->frequency = 16000000;
    avr->sleep = no_sleep;
    avr->run_cycle_limit = 1600;
    avr_load_firmware(avr, &firmware);
    avr->frequency = 16000000;
    return true;
}

double wall_s(void)
{
    struct timespec time;
    clock_gettime(CLOCK_MONOTONIC, &time);
    return (double)time.tv_sec + (double)time.tv_nsec / 1e9;
}

/* Holds emulated time to `speed` times real time; what was lost by a busy machine is not caught up. */
static void wait_for_wall(void)
{
    static double wall, emulated;
    double now_wall = wall_s();
    double now_emulated = (double)avr->cycle / 16e6;
    if (options.speed <= 0) {
        return;
    }
    double ahead_s = (now_emulated - emulated) / options.speed - (now_wall - wall);
    if (wall == 0 || ahead_s < -0.05) {
        wall = now_wall;
        emulated = now_emulated;
    } else if (ahead_s > 0.0002) {
        struct timespec time = {.tv_nsec = (long)(ahead_s * 1e9) % 1000000000L};
        nanosleep(&time, NULL);
    }
}

static bool obey(void)
{
    static char words[64];
    static size_t got;
    ssize_t more = read(STDIN_FILENO, words + got, sizeof words - 1 - got);
    if (more <= 0) {
        return true;
    }
    got += (size_t)more;
    words[got] = '\0';
    for (char *end; (end = strchr(words, '\n')) != NULL;) {
        *end = '\0';
        if (strcmp(words, "reset") == 0) {
            avr_reset(avr);
            line_go_on();
            board->go_on();
            board->look();
            report(board);
        } else if (strcmp(words, "state") == 0) {
            report(board);
        } else if (strcmp(words, "end") == 0) {
            return false;
        }
        got = (size_t)(words + got - end - 1);
        memmove(words, end + 1, got + 1);
    }
    return true;
}

static void run(void)
{
    avr_cycle_count_t next = 0;
    for (uint32_t rounds = 0; !told_to_end; rounds++) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) {
            fprintf(stderr, "the core has stopped at %x\n", avr->pc);
            return;
        }
        if (avr->cycle >= next) {
            next = avr->cycle + 4000;
            wait_for_wall();
            if (rounds % 16 == 0 && !obey()) {
                return;
            }
        }
    }
}

int main(int argc, char **argv)
{
    if (!read_options(argc, argv) || !insert_chip() || !start_core() || !line_connect()) {
        fprintf(stderr, "rig [options] firmware.elf: something is missing\n");
        return 2;
    }
    struct sigaction action = {.sa_handler = on_signal};
    sigaction(SIGTERM, &action, NULL);
    fcntl(STDIN_FILENO, F_SETFL, O_NONBLOCK);
    board->connect();
    board->go_on();
    double from = wall_s();
    run();
    fprintf(stderr, "emulated %.3f s in %.3f s\n", (double)avr->cycle / 16e6, wall_s() - from);
    report(board);
    if (options.dump != NULL) {
        FILE *file = fopen(options.dump, "wb");
        if (file == NULL || fwrite(chip.cells, 1, chip.kind->size, file) != chip.kind->size || fclose(file) != 0) {
            return 1;
        }
    }
    return 0;
}
