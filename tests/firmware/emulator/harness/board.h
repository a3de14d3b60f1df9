/*
 * The emulated board: an ATmega328P at 16 MHz with what a shop hangs on its pins.
 *
 * This program is for tests only. It is linked with libsimavr, which is under the GNU General Public License,
 * version 3, so the built program is under it too; nothing of the service or of the firmware is part of it.
 */
#ifndef BOARD_H
#define BOARD_H

#include <stdint.h>

#define CHIPS 5
#define PORTS 3 /* B, C, D in this order wherever three bytes stand for pins */

enum event_kind { EVENT_PINS, EVENT_SENT, EVENT_RESET, EVENT_CRASH, EVENT_OVERRUN, EVENT_EEPROM };

/* One thing that happened. cycle: of the whole life of the board, resets and power cuts included.
 * PINS: levels of B, C, D under the mask. SENT: the byte. RESET: MCUSR.
 * CRASH: the program counter (0: it ran off the end). EEPROM: address low, high, byte. */
struct event {
    uint64_t cycle;
    uint8_t kind, a, b, c;
};

struct board_counts {
    uint64_t cycle, received, lost, sent;
    uint8_t powered;
};

/* life */
void board_make(const char *elf_path);
void board_power_on(uint32_t seed);
void board_power_off(void);
void board_external_reset(void);
void board_run(uint64_t cycles);
void board_counts(struct board_counts *counts);
uint64_t board_hash(void);
const struct event *board_events(uint32_t *number);
void board_forget_events(void);

/* the line, the pins */
void board_receive(const uint8_t *bytes, uint32_t number);
void board_drop_pending(void);
void board_line_cycles(uint32_t hundredths_a_byte);
void board_set_inputs(const uint8_t levels[PORTS]);
void board_set_analogue(uint8_t channel, uint32_t millivolts);
void board_watch_pins(const uint8_t mask[PORTS]);
void board_set_select(const uint8_t lines[6]); /* port and bit of the decoder's address lines 0 to 2 */

/* memories */
uint8_t *board_data(uint32_t *size);
uint8_t *board_eeprom(uint32_t *size);
void board_wear_out(uint32_t cell); /* this cell of the EEPROM takes no writing any more */
uint32_t board_pc(void);

/* faults */
enum jam { JAM_NONE, JAM_WHEN_REACHED, JAM_NOW, JAM_NOW_NO_INTERRUPTS };
void board_jam(enum jam how, uint32_t pc);
int board_jammed(void);

/* chips.c: the thermocouple chips */
enum chip_kind { CHIP_MAX31855 = 31855, CHIP_MAX31856 = 31856, CHIP_MAX6675 = 6675 };

struct chip {
    uint16_t kind;
    uint8_t output;      /* output of the select decoder that it hangs on */
    uint8_t dead;        /* 0 answers; 1 the data line stays low; 2 stays high */
    uint32_t word;       /* MAX31855, MAX6675: what it sends; MAX31856: linearised temperature, 24 bits */
    uint16_t cold;       /* MAX31856: cold junction registers */
    uint8_t status;      /* MAX31856: fault status */
    uint8_t registers[16];
    uint8_t position, address;
};

extern struct chip chips[CHIPS];
void chips_power_on(void);
void chip_restart(struct chip *chip);
void chips_select(uint8_t address);
uint8_t chips_exchange(uint8_t out);

#endif
