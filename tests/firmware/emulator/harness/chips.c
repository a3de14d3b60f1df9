/* The thermocouple chips, from their data sheets: MAX31855 rev 5, MAX31856 rev 0, MAX6675 rev 2.
 * For tests only; see board.h. */
#include "board.h"

#include <string.h>

#define CR0 0x00
#define CJTH 0x0A
#define LTCBH 0x0C
#define STATUS 0x0F
#define CONVERT_ALWAYS 0x80
#define ONE_SHOT 0x40
#define OPEN_TEST 0x30
#define FAULT_CLEAR 0x02
#define OPEN_FAULT 0x01

struct chip chips[CHIPS];

/* MAX31856, table 6: the registers at power-on. */
static const uint8_t AT_POWER_ON[16] = {0x00, 0x03, 0xFF, 0x7F, 0xC0, 0x7F, 0xFF, 0x80};

void chip_restart(struct chip *chip)
{
    memcpy(chip->registers, AT_POWER_ON, sizeof AT_POWER_ON);
    chip->position = 0;
}

void chips_power_on(void)
{
    for (int i = 0; i < CHIPS; i++)
        chip_restart(&chips[i]);
}

static uint8_t selected = 0xFF;

/* The decoder's address changed: the chip that is newly selected starts its word anew. */
void chips_select(uint8_t address)
{
    if (address == selected)
        return;
    selected = address;
    for (int i = 0; i < CHIPS; i++)
        if (chips[i].output == address)
            chips[i].position = 0;
}

static uint8_t read_register(struct chip *chip, uint8_t address)
{
    int converts = chip->registers[CR0] & (CONVERT_ALWAYS | ONE_SHOT);
    if (address >= LTCBH && address < STATUS)
        return converts ? (uint8_t)(chip->word >> (8 * (STATUS - 1 - address))) : 0;
    if (address == CJTH || address == CJTH + 1)
        return converts ? (uint8_t)(chip->cold >> (8 * (CJTH + 1 - address))) : 0;
    if (address == STATUS)
        return chip->registers[CR0] & OPEN_TEST ? chip->status : chip->status & (uint8_t)~OPEN_FAULT;
    return chip->registers[address];
}

static uint8_t registers_exchange(struct chip *chip, uint8_t out)
{
    if (chip->position++ == 0) {
        chip->address = out;
        return 0xFF;
    }
    uint8_t address = chip->address & 0x0F;
    uint8_t answer = read_register(chip, address);
    if (chip->address & 0x80) {
        if (address <= CJTH + 1)
            chip->registers[address] = address == CR0 ? out & (uint8_t)~FAULT_CLEAR : out;
        answer = 0xFF;
    }
    chip->address = (chip->address & 0x80) | ((address + 1) & 0x0F);
    return answer;
}

/* One byte each way between the microcontroller and whatever is selected. Nobody: the line floats high. */
uint8_t chips_exchange(uint8_t out)
{
    uint8_t line = 0xFF;
    for (int i = 0; i < CHIPS; i++) {
        struct chip *chip = &chips[i];
        if (!chip->kind || chip->output != selected)
            continue;
        uint8_t answer;
        if (chip->kind == CHIP_MAX31856) {
            answer = registers_exchange(chip, out);
        } else {
            uint8_t bytes = chip->kind == CHIP_MAX6675 ? 2 : 4;
            uint8_t at = chip->position++;
            answer = at < bytes ? (uint8_t)(chip->word >> (8 * (bytes - 1 - at))) : 0;
        }
        line &= chip->dead == 1 ? 0x00 : chip->dead == 2 ? 0xFF : answer;
    }
    return line;
}
