/* What this board has. Everything here may be given to the compiler instead: make DEFINES="-DCHIP=31856". */
#ifndef CONFIG_H
#define CONFIG_H

/* Thermocouple converter, the same for all sensors: 31855 (MAX31855K), 31856 (MAX31856, type K) or 6675. */
#ifndef CHIP
#define CHIP 31855
#endif

/* What is wired, a sum: 1 oven, 2 oven limit, 4 tank, 8 tank limit, 16 part sensor, 32 current sensor of the
 * oven, 64 of the tank, 128 oil level, 256 agitator turning, 512 smoke or CO, 1024 door. What is not fitted
 * reads safe, so leave nothing out that is there. 31: all five thermocouples, no optional contact. */
#ifndef FITTED
#define FITTED 31
#endif

/* Mains frequency for the MAX31856's filter: 50 or 60. */
#ifndef MAINS_HZ
#define MAINS_HZ 50
#endif

/* What the converter of a current sensor (0 to 1023 for 0 to 5 V) reads at least while current flows. */
#ifndef CURRENT_COUNTS
#define CURRENT_COUNTS 51
#endif

/* Number of this firmware, told in every greeting. */
#define FIRMWARE 1

#if FITTED < 0 || FITTED > 2047
#error "FITTED must be a sum of the bits above, 0 to 2047"
#endif
#if MAINS_HZ != 50 && MAINS_HZ != 60
#error "MAINS_HZ must be 50 or 60"
#endif

#endif
