/* The line of the host build: a pseudo-terminal in real time, or a script from standard input in its own time.
 *
 * A script has lines "milliseconds hexadecimal", in order, and at last a time alone: the end. What the device sends is
 * written in the same form, a line for each frame.
 *
 * With --ask whoever writes the script does so step by step: the device says "? milliseconds" when it wants the next
 * line. There "milliseconds -" only lets time go by, until then or until the device has sent a frame. */
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include "host.h"
#include "hw.h"
#include "receive.h"
#include "send.h"

static int master = -1;
static int slave = -1;
static volatile sig_atomic_t told_to_end;

static char script[32768];    /* the line of the script that comes next */
static uint64_t script_at_ms;
static const char *script_hex = "";
static bool script_over;
static bool frame_open;
static bool frame_sent; /* since the last line of the script */

static void on_signal(int number)
{
    (void)number;
    told_to_end = 1;
}

static void next_script_line(void)
{
    char *rest;
    if (options.ask) {
        printf("? %llu\n", (unsigned long long)(now_ns / 1000000u));
        fflush(stdout);
        frame_sent = false;
    }
    if (fgets(script, sizeof script, stdin) == NULL) {
        script_over = true;
        script_at_ms = 0;
        return;
    }
    script[strcspn(script, "\n")] = '\0';
    script_at_ms = strtoull(script, &rest, 10);
    script_hex = rest + strspn(rest, " ");
    script_over = *script_hex == '\0';
    if (*script_hex == '-') {
        script_hex = "";
    }
}

static bool script_due(void)
{
    bool answered = options.ask && frame_sent && *script_hex == '\0';
    return !script_over && (answered || script_at_ms * 1000000u <= now_ns);
}

static void poll_script(void)
{
    while (script_due()) {
        for (; script_hex[0] != '\0' && receive_room() != 0; script_hex += 2) {
            char pair[3] = {script_hex[0], script_hex[1], '\0'};
            receive_put((uint8_t)strtoul(pair, NULL, 16));
        }
        if (script_hex[0] != '\0') {
            break; /* the rest of it when there is room */
        }
        next_script_line();
    }
}

static void send_to_script(void)
{
    int16_t byte;
    while ((byte = send_next()) >= 0) {
        if (!frame_open) {
            printf("%llu ", (unsigned long long)(now_ns / 1000000u));
        }
        printf("%02x%s", (unsigned)byte, byte == 0 ? "\n" : "");
        frame_open = byte != 0;
        frame_sent = frame_sent || byte == 0;
    }
}

static uint64_t real_ns(void)
{
    static uint64_t start;
    struct timespec time;
    clock_gettime(CLOCK_MONOTONIC, &time);
    uint64_t ns = (uint64_t)time.tv_sec * 1000000000u + (uint64_t)time.tv_nsec;
    if (start == 0) {
        start = ns;
    }
    return ns - start;
}

/* The chip's time runs ahead of ours in short pulses, and waits for it here. */
static void catch_up(void)
{
    uint64_t real = real_ns();
    if (real > now_ns) {
        now_ns = real;
    }
}

static void poll_terminal(void)
{
    uint8_t bytes[256];
    ssize_t got = read(master, bytes, receive_room());
    for (ssize_t i = 0; i < got; i++) {
        receive_put(bytes[i]);
    }
    catch_up();
}

static void send_to_terminal(void)
{
    while (tx_tail != tx_head) {
        tx_index end = tx_head > tx_tail ? tx_head : ROOM_TX;
        ssize_t sent = write(master, &tx_ring[tx_tail], (size_t)(end - tx_tail));
        if (sent <= 0) {
            usleep(50);
            break;
        }
        tx_tail = (tx_index)((tx_tail + sent) & (ROOM_TX - 1));
    }
}

void line_send(void)
{
    if (options.script) {
        send_to_script();
    } else {
        send_to_terminal();
    }
}

void line_poll(void)
{
    if (options.script) {
        poll_script();
    } else {
        poll_terminal();
    }
    line_send();
}

void line_rest(uint64_t until_ns)
{
    if (options.script) {
        now_ns = until_ns;
        return;
    }
    uint64_t real = real_ns();
    if (until_ns > real && !receive_waiting()) {
        struct pollfd wait = {.fd = master, .events = POLLIN};
        struct timespec time = {.tv_nsec = (long)(until_ns - real < 1000000u ? until_ns - real : 1000000u)};
        ppoll(&wait, 1, &time, NULL);
    }
    catch_up();
}

bool line_ended(void)
{
    return told_to_end || (options.script && script_over && script_at_ms * 1000000u < now_ns);
}

static bool open_terminal(void)
{
    struct termios mode;
    master = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (master < 0 || grantpt(master) != 0 || unlockpt(master) != 0) {
        return false;
    }
    const char *name = ptsname(master);
    slave = name == NULL ? -1 : open(name, O_RDWR | O_NOCTTY); /* kept open: hosts come and go */
    if (slave < 0 || tcgetattr(slave, &mode) != 0) {
        return false;
    }
    cfmakeraw(&mode);
    tcsetattr(slave, TCSANOW, &mode);
    if (options.link != NULL) {
        unlink(options.link);
        if (symlink(name, options.link) != 0) {
            return false;
        }
    }
    printf("port %s\n", name);
    fflush(stdout);
    return true;
}

bool line_open(void)
{
    struct sigaction action = {.sa_handler = on_signal};
    sigaction(SIGTERM, &action, NULL);
    sigaction(SIGINT, &action, NULL);
    if (options.script) {
        next_script_line();
        return true;
    }
    return open_terminal();
}

void line_close(void)
{
    line_poll();
    if (options.link != NULL) {
        unlink(options.link);
    }
}
