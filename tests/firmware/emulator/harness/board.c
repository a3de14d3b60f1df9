/* The life of the emulated board on libsimavr 1.6: time, power, pins, memories, faults. For tests only; see board.h.
 *
 * Where the emulator differs from the chip, the chip is followed: pins are read and seen here, not through the
 * emulator's port irqs (it raises none at a reset); an external reset sets EXTRF; a program counter that runs off
 * the end of the flash wraps to 0. SPI and EEPROM times are the emulator's and mean nothing. */
#include "board.h"
#include "inside.h"

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_spi.h>
#include <simavr/sim_core.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_time.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define FREQUENCY 16000000
#define EEPROM_BYTES 1024
#define EECR 0x3F
#define EEDR 0x40
#define EEARL 0x41
#define EEARH 0x42
#define MCUSR 0x54
#define PORF 1
#define EXTRF 2
#define JUMP_HERE 0xCFFF
#define EVENTS 200000
#define DATA_SPACE 0x10000

avr_t *avr;

static struct event events[EVENTS];
static uint32_t event_count;
static uint64_t hash = 0xCBF29CE484222325;
static uint64_t base, seen_cycle;
static uint8_t powered, was_reset, stop;
static uint8_t input_levels[PORTS], watched[PORTS], told[PORTS], select_lines[6];
static uint8_t *eeprom;
static void (*mcu_reset)(struct avr_t *);
static uint8_t original[2];
static uint32_t jam_pc, jam_set;
static const uint8_t PIN_REGISTERS[PORTS] = {0x23, 0x26, 0x29}; /* PINx; DDRx and PORTx follow */

uint64_t board_now(void)
{
    return base + avr->cycle;
}

void board_note(uint8_t kind, uint8_t a, uint8_t b, uint8_t c)
{
    struct event event = {board_now(), kind, a, b, c};
    uint64_t word = event.cycle ^ (uint64_t)kind << 56 ^ (uint64_t)a << 48 ^ (uint64_t)b << 40 ^ (uint64_t)c << 32;
    for (int i = 0; i < 8; i++)
        hash = (hash ^ (word >> (8 * i) & 0xFF)) * 0x100000001B3;
    if (event_count == EVENTS) {
        fprintf(stderr, "more than %d events in one step\n", EVENTS);
        exit(3);
    }
    events[event_count++] = event;
}

/* --- pins ------------------------------------------------------------------------------------------------------ */

/* An output drives its level; anything else has its pull-down, or what lies on it. */
static uint8_t driven(int port)
{
    const uint8_t *registers = avr->data + PIN_REGISTERS[port];
    return registers[1] & registers[2];
}

static void look_at_pins(void)
{
    uint8_t now[PORTS];
    for (int i = 0; i < PORTS; i++)
        now[i] = powered ? driven(i) & watched[i] : 0;
    if (memcmp(now, told, PORTS)) {
        memcpy(told, now, PORTS);
        board_note(EVENT_PINS, now[0], now[1], now[2]);
    }
    uint8_t address = 0;
    for (int line = 0; line < 3; line++) {
        const uint8_t *registers = avr->data + PIN_REGISTERS[select_lines[2 * line]];
        uint8_t bit = (uint8_t)(1 << select_lines[2 * line + 1]);
        if (!(registers[1] & bit) || registers[2] & bit) /* floating: pulled up */
            address |= (uint8_t)(1 << line);
    }
    chips_select(address);
}

static uint8_t pin_read(struct avr_t *mcu, avr_io_addr_t address, void *port)
{
    const uint8_t *registers = mcu->data + address;
    return (registers[2] & registers[1]) | (input_levels[(uintptr_t)port] & (uint8_t)~registers[1]);
}

static void port_write(struct avr_t *mcu, avr_io_addr_t address, uint8_t value, void *port)
{
    (void)port;
    mcu->data[address] = value;
    look_at_pins();
}

/* Writing ones to PINx toggles PORTx. */
static void pin_write(struct avr_t *mcu, avr_io_addr_t address, uint8_t value, void *port)
{
    (void)port;
    mcu->data[address + 2] ^= value;
    look_at_pins();
}

static void own_pins(void)
{
    for (uintptr_t i = 0; i < PORTS; i++) {
        unsigned io = AVR_DATA_TO_IO(PIN_REGISTERS[i]);
        avr->io[io].r.c = pin_read;
        avr->io[io].r.param = (void *)i;
        avr->io[io].w.c = pin_write;
        avr->io[io + 1].w.c = port_write;
        avr->io[io + 2].w.c = port_write;
    }
}

void board_set_inputs(const uint8_t levels[PORTS])
{
    memcpy(input_levels, levels, PORTS);
}

void board_watch_pins(const uint8_t mask[PORTS])
{
    memcpy(watched, mask, PORTS);
}

void board_set_select(const uint8_t lines[6])
{
    memcpy(select_lines, lines, 6);
}

void board_set_analogue(uint8_t channel, uint32_t millivolts)
{
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + channel), millivolts);
}

/* --- other devices --------------------------------------------------------------------------------------------- */

static void spi_sent(struct avr_irq_t *irq, uint32_t value, void *parameter)
{
    (void)irq, (void)parameter;
    uint8_t answer = chips_exchange((uint8_t)value);
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_INPUT), answer);
}

static avr_io_write_t eeprom_control;
static void *eeprom_parameter;
static uint32_t worn_cell = EEPROM_BYTES;

void board_wear_out(uint32_t cell)
{
    worn_cell = cell;
}

static void eeprom_write(struct avr_t *mcu, avr_io_addr_t address, uint8_t value, void *parameter)
{
    (void)parameter;
    uint32_t place = (mcu->data[EEARL] | mcu->data[EEARH] << 8) & (EEPROM_BYTES - 1);
    uint8_t before = eeprom[place];
    eeprom_control(mcu, address, value, eeprom_parameter);
    if (place == worn_cell)
        eeprom[place] = before;
    if (eeprom[place] != before)
        board_note(EVENT_EEPROM, (uint8_t)place, (uint8_t)(place >> 8), eeprom[place]);
}

static void own_eeprom(void)
{
    avr_eeprom_desc_t cells = {.ee = NULL, .offset = 0, .size = EEPROM_BYTES};
    avr_ioctl(avr, AVR_IOCTL_EEPROM_GET, &cells);
    eeprom = cells.ee;
    unsigned io = AVR_DATA_TO_IO(EECR);
    eeprom_control = avr->io[io].w.c;
    eeprom_parameter = avr->io[io].w.param;
    avr->io[io].w.c = eeprom_write;
}

uint8_t *board_data(uint32_t *size)
{
    *size = avr->ramend + 1U;
    return avr->data;
}

uint8_t *board_eeprom(uint32_t *size)
{
    *size = EEPROM_BYTES;
    return eeprom;
}

uint32_t board_pc(void)
{
    return avr->pc;
}

/* --- life ------------------------------------------------------------------------------------------------------ */

static void no_log(avr_t *mcu, const int level, const char *format, va_list arguments)
{
    (void)mcu, (void)level, (void)format, (void)arguments;
}

static void no_sleep(avr_t *mcu, avr_cycle_count_t cycles)
{
    (void)mcu, (void)cycles;
}

static void reset_seen(struct avr_t *mcu)
{
    was_reset = 1;
    if (mcu_reset)
        mcu_reset(mcu);
}

/* After a reset of whatever cause: the emulator's clock may start anew, its timers are gone. */
static void after_reset(void)
{
    was_reset = 0;
    if (avr->cycle < seen_cycle)
        base += seen_cycle - avr->cycle;
    seen_cycle = avr->cycle;
    line_restart();
    look_at_pins();
    board_note(EVENT_RESET, avr->data[MCUSR], 0, 0);
}

/* A program can name 64 kB of data, and the chip has the first 2,304 bytes of them: a store beyond is lost. The library
 * puts it into whatever lies behind its copy of the memory, and breaks over that later. */
static void give_room_for_stray_stores(void)
{
    uint8_t *room = calloc(1, DATA_SPACE);
    if (!room) {
        fprintf(stderr, "no memory for the emulator\n");
        exit(2);
    }
    memcpy(room, avr->data, avr->ramend + 1U);
    free(avr->data);
    avr->data = room;
}

void board_make(const char *elf_path)
{
    static elf_firmware_t firmware;
    avr_global_logger_set(no_log);
    if (elf_read_firmware(elf_path, &firmware)) {
        fprintf(stderr, "%s cannot be read\n", elf_path);
        exit(2);
    }
    avr = avr_make_mcu_by_name("atmega328p");
    if (!avr || avr_init(avr)) {
        fprintf(stderr, "the emulator has no atmega328p\n");
        exit(2);
    }
    give_room_for_stray_stores();
    firmware.frequency = FREQUENCY;
    avr_load_firmware(avr, &firmware);
    avr->frequency = FREQUENCY;
    avr->log = LOG_NONE;
    avr->sleep = no_sleep;
    avr->codeend = avr->flashend;
    mcu_reset = avr->reset;
    avr->reset = reset_seen;
    own_pins();
    own_eeprom();
    line_own();
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_SPI_GETIRQ(0), SPI_IRQ_OUTPUT), spi_sent, NULL);
    memset(eeprom, 0xFF, EEPROM_BYTES);
}

static void reset_as(uint8_t cause)
{
    seen_cycle = avr->cycle;
    avr->data[MCUSR] = 0;
    avr_reset(avr);
    avr->data[MCUSR] = cause;
    after_reset();
}

/* RAM and registers hold anything when power comes on: here, what the seed gives. */
void board_power_on(uint32_t seed)
{
    uint32_t random = seed * 2654435761U + 1;
    powered = 1;
    for (uint32_t i = 0; i <= avr->ramend; i++) {
        random ^= random << 13, random ^= random >> 17, random ^= random << 5;
        if (i < 32 || i > avr->ioend)
            avr->data[i] = (uint8_t)random;
    }
    chips_power_on();
    reset_as(PORF);
}

void board_power_off(void)
{
    powered = 0;
    line_restart();
    look_at_pins();
}

void board_external_reset(void)
{
    reset_as(EXTRF);
}

static avr_cycle_count_t stop_now(struct avr_t *mcu, avr_cycle_count_t when, void *parameter)
{
    (void)mcu, (void)when, (void)parameter;
    stop = 1;
    return 0;
}

/* What the emulator calls a crash or an end is none on the chip. It leaves 0 in the counter where that ran off the end
 * of the flash: the real one wraps to 0. Elsewhere an access left the memory: the chip ignores such a write, reads
 * anything, and goes on. Asleep with its interrupts off, the chip sleeps until the watchdog resets it. */
static void go_on(int state)
{
    if (state == cpu_Done)
        avr->pc -= 2;
    else if (event_count < EVENTS / 2)
        board_note(EVENT_CRASH, (uint8_t)avr->pc, (uint8_t)(avr->pc >> 8), 0);
    avr->state = cpu_Running;
}

void board_run(uint64_t cycles)
{
    uint64_t end = board_now() + cycles;
    while (powered && board_now() < end) {
        stop = 0;
        avr_cycle_timer_register(avr, end - board_now(), stop_now, NULL);
        while (!stop && board_now() < end) {
            seen_cycle = avr->cycle;
            int state = avr_run(avr);
            if (was_reset)
                break;
            if (state != cpu_Running && state != cpu_Sleeping)
                go_on(state);
            if (avr->cycle == seen_cycle) /* whatever holds the emulator up: the chip's clock never stands still */
                avr->cycle++;
        }
        avr_cycle_timer_cancel(avr, stop_now, NULL);
        if (was_reset)
            after_reset();
    }
    if (board_now() < end) { /* no power or no life: time passes all the same */
        base += end - board_now();
    }
}

void board_counts(struct board_counts *counts)
{
    counts->cycle = board_now();
    counts->powered = powered;
    line_counts(counts);
}

uint64_t board_hash(void)
{
    return hash;
}

const struct event *board_events(uint32_t *number)
{
    *number = event_count;
    return events;
}

void board_forget_events(void)
{
    event_count = 0;
}

/* --- faults ---------------------------------------------------------------------------------------------------- */

void board_jam(enum jam how, uint32_t pc)
{
    if (jam_set)
        memcpy(avr->flash + jam_pc, original, 2);
    jam_set = how != JAM_NONE;
    if (!jam_set)
        return;
    jam_pc = pc;
    memcpy(original, avr->flash + pc, 2);
    avr->flash[pc] = JUMP_HERE & 0xFF;
    avr->flash[pc + 1] = JUMP_HERE >> 8;
    if (how != JAM_WHEN_REACHED) {
        avr->pc = pc;
        avr->state = cpu_Running;
    }
    if (how == JAM_NOW_NO_INTERRUPTS)
        avr->sreg[S_I] = 0;
}

int board_jammed(void)
{
    return jam_set && avr->pc == jam_pc;
}
