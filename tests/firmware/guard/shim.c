/* A board around guard.c for the host: time in steps of a millisecond, an EEPROM, a transmit buffer that empties at
 * the line's pace. What is fitted and which chip it has are variables here, constants on a real board. */
#include <stdlib.h>

static int test_fitted, test_chip;
#define FITTED test_fitted
#define CHIP test_chip
#include "guard.c"

#define TRANSMIT 38400 /* hundredths of bytes */
#define A_MILLISECOND 384

struct board {
    struct guard guard;
    int fitted, chip;
    uint32_t start_ms, uptime_ms;
    uint8_t contacts, welded;
    uint16_t overruns;
    int store_left; /* bytes that may still be written to the EEPROM; -1: all */
    uint8_t cells[STORE_BYTES];
    struct guard_sample sample;
    int has_sample;
    int sending;
    uint32_t length;
    char sent[1 << 17];
};

static void use(const struct board *board)
{
    test_fitted = board->fitted;
    test_chip = board->chip;
}

static void put(struct board *board, const char *text, uint8_t length)
{
    if (board->sending + 100 * length <= TRANSMIT && board->length + length <= sizeof board->sent) {
        board->sending += 100 * length;
        memcpy(board->sent + board->length, text, length);
        board->length += length;
    }
}

static void store(struct board *board)
{
    uint8_t address, value;
    while (board->store_left != 0 && guard_store_next(&board->guard, &address, &value)) {
        board->cells[address] = value;
        board->store_left -= board->store_left > 0;
    }
}

uint32_t board_bytes(void)
{
    return sizeof(struct board);
}

uint32_t guard_bytes(void)
{
    return sizeof(struct guard);
}

void board_boot(struct board *board, uint8_t cause, uint16_t boots)
{
    char text[FRAME_BYTES + 4];
    use(board);
    board->uptime_ms = 0;
    board->overruns = 0;
    board->sending = 0;
    guard_boot(&board->guard, board->start_ms, board->contacts, cause, boots, board->cells);
    put(board, text, guard_hello(&board->guard, text));
    store(board);
}

void board_step(struct board *board)
{
    const uint8_t outputs = board->guard.outputs;
    const uint8_t flowing = outputs & 4 ? (uint8_t)((outputs | board->welded) & 3) : 0;
    use(board);
    guard_step(&board->guard, board->start_ms + board->uptime_ms, board->contacts, flowing,
               board->has_sample ? &board->sample : NULL);
    board->has_sample = 0;
    store(board);
}

/* A sample that is waiting is taken at the end of this time. */
void board_run(struct board *board, uint32_t ms)
{
    const int waiting = board->has_sample;
    char text[FRAME_BYTES + 4];
    for (uint32_t left = ms; left > 0; left--) {
        board->uptime_ms++;
        board->sending = board->sending > A_MILLISECOND ? board->sending - A_MILLISECOND : 0;
        board->has_sample = waiting && left == 1;
        board_step(board);
        if (board->uptime_ms % 250 == 0) {
            put(board, text, guard_telemetry(&board->guard, board->overruns, text));
        }
    }
}

/* Time passes and nothing is done. */
void board_stall(struct board *board, uint32_t ms)
{
    board->uptime_ms += ms;
    board->sending = 0;
}

void board_receive(struct board *board, const uint8_t *data, uint32_t length)
{
    char answer[ANSWER_BYTES];
    use(board);
    for (uint32_t place = 0; place < length; place++) {
        const uint16_t room = (uint16_t)((TRANSMIT - board->sending) / 100);
        put(board, answer,
            guard_byte(&board->guard, board->start_ms + board->uptime_ms, data[place], room, answer));
        store(board);
    }
}

/* What the tests may set and see, by number. */
void board_set(struct board *board, int what, int value)
{
    switch (what) {
    case 0: board->fitted = value; break;
    case 1: board->chip = value; break;
    case 2: board->start_ms = (uint32_t)value; break;
    case 3: board->contacts = (uint8_t)value; break;
    case 4: board->welded = (uint8_t)value; break;
    case 5: board->overruns = (uint16_t)value; break;
    case 6: board->store_left = value; break;
    default: abort();
    }
}

int board_get(struct board *board, int what)
{
    switch (what) {
    case 3: return board->contacts;
    case 5: return board->overruns;
    case 6: return board->store_left;
    case 7: return (int)board->uptime_ms;
    case 8: return board->guard.outputs;
    case 9: return standing(&board->guard);
    case 10: return board->guard.armed == SURE;
    case 20: return board->guard.on_ms[0];
    case 21: return board->guard.on_ms[1];
    case 22: return (int)offsetof(struct guard, stable);
    default: abort();
    }
}

void board_sample(struct board *board, const struct guard_sample *sample)
{
    board->sample = *sample;
    board->has_sample = 1;
}

uint32_t board_take(struct board *board, char *data)
{
    const uint32_t length = board->length;
    memcpy(data, board->sent, length);
    board->length = 0;
    return length;
}

uint8_t *board_cells(struct board *board)
{
    return board->cells;
}

uint8_t *board_guard(struct board *board)
{
    return (uint8_t *)&board->guard;
}

/* One bit of the guard's state flips after `moment` ms; the sample set before comes every 200 ms, and the host goes
 * on sending: a frame of `frames` every 250 ms, from now on. Returns the last millisecond in which a heater was on. */
uint32_t board_heat_after(struct board *board, uint32_t byte, uint32_t bit, uint32_t moment, uint32_t watched,
                          const char *frames)
{
    const struct guard_sample sample = board->sample;
    uint32_t last = 0;
    for (uint32_t ms = 0; ms < watched; ms++) {
        if (ms % 250 == 0) {
            const char *end = strchr(frames, '\n') + 1;
            board_receive(board, (const uint8_t *)frames, (uint32_t)(end - frames));
            frames = end;
        }
        if (ms == moment) {
            ((uint8_t *)&board->guard)[byte] ^= (uint8_t)(1U << bit);
        }
        board->uptime_ms++;
        if (board->uptime_ms % 200 == 0) {
            board->sample = sample;
            board->has_sample = 1;
        }
        board_step(board);
        if ((board->guard.outputs & 3) != 0) {
            last = ms + 1;
        }
        board->length = 0;
        board->sending = 0;
    }
    return last;
}
