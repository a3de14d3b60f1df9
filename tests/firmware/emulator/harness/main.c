/* The control channel of the emulated board: one request after another on standard input, each answered on standard
 * output. For tests only; see board.h.
 *
 * A request is one letter, a length (32 bits) and that many bytes; an answer is a length and that many bytes; numbers
 * are little-endian. `python`'s side is ../machine.py, which says what each letter does. */
#include "board.h"

#include <stdio.h>
#include <stdlib.h>
#include <fcntl.h>
#include <string.h>
#include <sys/time.h>
#include <sys/wait.h>
#include <unistd.h>

#define LONGEST (1 << 22)
#define DIED 0xFFFFFFFFU

static uint8_t request[LONGEST], answer[LONGEST];
static uint32_t request_length, answer_length;
static int to_python;
static int died = -1; /* the wait status of a branch that died */
static time_t patience_s = 60;

static void whole_read(void *place, uint32_t number)
{
    uint8_t *at = place;
    while (number) {
        ssize_t got = read(0, at, number);
        if (got <= 0)
            exit(0);
        at += got;
        number -= (uint32_t)got;
    }
}

static void whole_write(const void *place, uint32_t number)
{
    const uint8_t *at = place;
    while (number) {
        ssize_t put = write(to_python, at, number);
        if (put <= 0)
            exit(0);
        at += put;
        number -= (uint32_t)put;
    }
}

static void reply(const void *bytes, uint32_t number)
{
    if (answer_length + number > LONGEST) {
        fprintf(stderr, "an answer is too long\n");
        exit(3);
    }
    memcpy(answer + answer_length, bytes, number);
    answer_length += number;
}

static uint32_t number32(uint32_t at)
{
    uint32_t value;
    memcpy(&value, request + at, 4);
    return value;
}

/* Counts and everything that happened since the last answer of this kind. */
static void reply_happened(void)
{
    struct board_counts counts;
    board_counts(&counts);
    reply(&counts.cycle, 8);
    reply(&counts.received, 8);
    reply(&counts.lost, 8);
    reply(&counts.sent, 8);
    uint8_t state[4] = {counts.powered, (uint8_t)board_jammed(), 0, 0};
    reply(state, 4);
    uint32_t number;
    const struct event *events = board_events(&number);
    for (uint32_t i = 0; i < number; i++) {
        reply(&events[i].cycle, 8);
        uint8_t rest[4] = {events[i].kind, events[i].a, events[i].b, events[i].c};
        reply(rest, 4);
    }
    board_forget_events();
}

static void set_chip(void)
{
    struct chip *chip = &chips[request[0] % CHIPS];
    if (request[1]) {
        chip_restart(chip);
        return;
    }
    chip->output = request[2];
    chip->dead = request[3];
    memcpy(&chip->kind, request + 4, 2);
    memcpy(&chip->cold, request + 6, 2);
    memcpy(&chip->word, request + 8, 4);
    chip->status = request[12];
}

static void memory(char what)
{
    uint32_t size;
    uint8_t *bytes = what == 'e' || what == 'E' ? board_eeprom(&size) : board_data(&size);
    uint32_t at = number32(0), number = what == 'e' || what == 'm' ? number32(4) : request_length - 4;
    if (at > size || number > size - at) {
        fprintf(stderr, "no such memory: %u bytes from %u\n", number, at);
        exit(3);
    }
    if (what == 'e' || what == 'm')
        reply(bytes + at, number);
    else
        memcpy(bytes + at, request + 4, number);
}

/* The child goes on from here; when it is told to end, the parent goes on from here as if nothing had been. When it
 * died over a request instead, the parent answers that with `DIED` and the wait status. */
static void branch(void)
{
    pid_t child = fork();
    if (child < 0) {
        fprintf(stderr, "cannot fork\n");
        exit(3);
    }
    if (child == 0)
        return;
    int status;
    waitpid(child, &status, 0);
    if (!WIFEXITED(status) || WEXITSTATUS(status) != 17)
        died = status;
}

/* A request that takes more than this much of the processor's time hangs: its process is ended by SIGPROF. */
static void hurry(time_t seconds)
{
    struct itimerval left = {.it_value = {.tv_sec = seconds}};
    setitimer(ITIMER_PROF, &left, NULL);
}

/* For tests of what is done about it: the emulator crashes, or never comes back. */
static void fail(int hang)
{
    volatile int on = hang;
    while (on)
        ;
    abort();
}

static void act(char what)
{
    uint64_t cycles, hash;
    uint32_t pc;
    switch (what) {
    case 'A':
        memcpy(&cycles, request, 8);
        board_receive(request + 8, request_length - 8);
        board_run(cycles);
        reply_happened();
        break;
    case 'I': board_set_inputs(request); break;
    case 'N': board_set_analogue(request[0], number32(1)); break;
    case 'S': board_watch_pins(request); board_set_select(request + 3); break;
    case 'B': board_line_cycles(number32(0)); break;
    case 'D': board_drop_pending(); break;
    case 'C': set_chip(); break;
    case 'P': board_power_on(number32(0)); break;
    case 'O': board_power_off(); break;
    case 'R': board_external_reset(); break;
    case 'J': board_jam(request[0], number32(1)); break;
    case 'e': case 'E': case 'm': case 'M': memory(what); break;
    case 'c': pc = board_pc(); reply(&pc, 4); break;
    case 'h': hash = board_hash(); reply(&hash, 8); break;
    case 'K': branch(); break;
    case 'Q': exit(17);
    case 'X': fail(request[0]); break;
    case 'W': board_wear_out(number32(0)); break;
    case 'Y': patience_s = (time_t)number32(0); break;
    default: fprintf(stderr, "unknown request %c\n", what); exit(3);
    }
}

int main(int count, char **arguments)
{
    if (count != 2) {
        fprintf(stderr, "usage: board FIRMWARE.elf, with requests on standard input\n");
        return 2;
    }
    to_python = dup(1);
    dup2(open("/dev/null", O_WRONLY), 1); /* the emulator prints to standard output, and nobody reads it */
    board_make(arguments[1]);
    for (;;) {
        char what;
        whole_read(&what, 1);
        whole_read(&request_length, 4);
        if (request_length > LONGEST)
            return 3;
        whole_read(request, request_length);
        answer_length = 0;
        hurry(patience_s);
        act(what);
        hurry(0);
        if (died != -1) {
            uint32_t told[2] = {DIED, (uint32_t)died};
            died = -1;
            whole_write(told, sizeof told);
            continue;
        }
        whole_write(&answer_length, 4);
        whole_write(answer, answer_length);
    }
}
