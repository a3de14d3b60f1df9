/* Which pin does what: ATmega328P at 16 MHz (boards of the Uno and Nano class).
 *
 * One line a pin: `#define PIN_<name> <port>, <bit>`, then in the comment its number on the board and what a
 * level means. The pin table of ../README.md and the emulated board of the tests are made from these lines.
 *
 * What decided:
 * - Heaters and contactor lie on pins that no bootloader touches (those blink D13 and talk on D0 and D1), and
 *   each has a pull-down of its own outside, because a pin floats until the program runs.
 * - Every contact closes to ground when all is well, and a pull-up makes a broken wire read as the unsafe state.
 *   The two buttons close when pressed: a broken wire there arms nothing and clears nothing.
 * - Five chip selects do not fit, so a 1-of-8 decoder makes them from three lines on one port.
 */
#ifndef PINS_H
#define PINS_H

#include "config.h"

/* serial line to the host, 38400 baud */
#define PIN_RECEIVE D, 0          /* D0: from the host */
#define PIN_TRANSMIT D, 1         /* D1: to the host */

/* outputs: high is on, each with 10 kohm to ground outside */
#define PIN_OVEN_HEATER D, 5      /* D5: solid-state relay of the oven */
#define PIN_TANK_HEATER D, 6      /* D6: solid-state relay of the tank */
#define PIN_CONTACTOR D, 7        /* D7: driver of the contactor's coil */
#define PIN_SOUNDER B, 1          /* D9: sounder */
#define PIN_AGITATOR B, 2         /* D10: agitator; an output here also keeps the SPI a master */

/* contacts to ground, with pull-ups: low is safe, high (or a broken wire) is not */
#define PIN_STOP D, 2             /* D2: low: stop circuit closed */
#define PIN_DOOR C, 3             /* A3: low: oven door shut */
#define PIN_LEVEL C, 4            /* A4: low: oil level good */
#define PIN_AGITATOR_TURNING C, 5 /* A5: low: agitator turns */
#define PIN_SMOKE B, 0            /* D8: low: no smoke, no CO (the alarm's contact opens) */

/* buttons to ground, with pull-ups: low is pressed */
#define PIN_ARM D, 3              /* D3: low: arm button down */
#define PIN_RESET D, 4            /* D4: low: reset button down */

/* SPI to the thermocouple chips; 10 kohm from MISO to the chips' supply, so that no chip reads as all ones */
#define PIN_MOSI B, 3             /* D11: to the chips; used by the MAX31856 alone */
#define PIN_MISO B, 4             /* D12: from the chips */
#define PIN_SCK B, 5              /* D13: clock; the bootloader blinks it, which selects nothing */

/* address of the decoder (74LVC138 or like: outputs low when addressed), bits 0 to 2, each with 10 kohm to the
 * decoder's supply. Output 7 is the rest position and selects nothing. */
#define PIN_SELECT_0 C, 0         /* A0: address bit 0 */
#define PIN_SELECT_1 C, 1         /* A1: address bit 1 */
#define PIN_SELECT_2 C, 2         /* A2: address bit 2 */

/* Outputs of the decoder. Outputs 0, 3, 5 and 6 differ in two bits at least. Outputs 2 and 4 lead nowhere: every round
 * of samples reads them and the rest position, and if anything answers there, an address line is broken or shorted,
 * and no sensor is believed.
 * The part's chip takes the first of 3, 5, 6, 0 whose own sensor is not fitted. Where all four are, it lies at 1, and
 * every single fault of a line then shows at one of the others; with less of them one could pass it off as the oven's. */
#define SELECT_OVEN 0
#define SELECT_OVEN_LIMIT 3
#define SELECT_TANK 5
#define SELECT_TANK_LIMIT 6
#if (FITTED & 2) == 0
#define SELECT_PART 3
#elif (FITTED & 4) == 0
#define SELECT_PART 5
#elif (FITTED & 8) == 0
#define SELECT_PART 6
#elif (FITTED & 1) == 0
#define SELECT_PART 0
#else
#define SELECT_PART 1
#endif
#define SELECT_EMPTY_A 2
#define SELECT_EMPTY_B 4
#define SELECT_EMPTY_C 1          /* unless the part's chip is there */
#define SELECT_NONE 7

/* analogue: current sensors, boards of the Nano class only (the Uno does not lead these pins out); 0 V: no
 * current; 100 kohm to +5 V each, so that a broken wire reads as current */
#define ADC_OVEN_CURRENT 6        /* A6 */
#define ADC_TANK_CURRENT 7        /* A7 */

/* PORT_OF(PIN_OVEN_HEATER) is PORTD, MASK_OF(PIN_OVEN_HEATER) is 1 << 5. */
#define PORT_OF_(port, bit) PORT##port
#define DDR_OF_(port, bit) DDR##port
#define PIN_OF_(port, bit) PIN##port
#define BIT_OF_(port, bit) (bit)
#define PORT_OF(...) PORT_OF_(__VA_ARGS__)
#define DDR_OF(...) DDR_OF_(__VA_ARGS__)
#define PIN_OF(...) PIN_OF_(__VA_ARGS__)
#define BIT_OF(...) BIT_OF_(__VA_ARGS__)
#define MASK_OF(...) ((uint8_t)(1U << BIT_OF_(__VA_ARGS__)))

#endif
