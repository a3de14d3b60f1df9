/* The board's safety core: everything that decides whether a heater may be on. Portable C11, no chip headers, no
 * clock, no memory but `struct guard`; time is passed in. main.c feeds it with ticks, contacts, samples and bytes,
 * and does with the pins what `outputs` says.
 *
 * Times are milliseconds modulo 2^32. Temperatures are hundredths of a degree Celsius on the chip's own scale.
 * Sensors: 0 oven, 1 oven limit, 2 tank, 3 tank limit, 4 part. Zones: 0 oven, 1 tank.
 */
#ifndef GUARD_H
#define GUARD_H

#include <stdbool.h>
#include <stdint.h>

#define ZONES 2
#define SENSORS 5

/* bits of FITTED */
#define FITTED_OVEN 1U
#define FITTED_TANK 4U
#define FITTED_OVEN_CURRENT 32U
#define FITTED_TANK_CURRENT 64U
#define FITTED_LEVEL 128U
#define FITTED_AGITATOR 256U
#define FITTED_SMOKE 512U
#define FITTED_DOOR 1024U

/* contacts as they stand, and `inputs` of the telemetry */
#define INPUT_DOOR_OPEN 1U
#define INPUT_STOP_CLOSED 2U
#define INPUT_LEVEL_GOOD 4U
#define INPUT_AGITATOR_TURNING 8U
#define INPUT_SMOKE 16U
#define INPUT_ARMED 32U
#define INPUT_ARM_BUTTON 64U
#define INPUT_RESET_BUTTON 128U

#define OUTPUT_OVEN 1U
#define OUTPUT_TANK 2U
#define OUTPUT_CONTACTOR 4U
#define OUTPUT_SOUNDER 8U
#define OUTPUT_AGITATOR 16U

#define TRIP_OVER_OVEN 1U
#define TRIP_OVER_TANK 2U
#define TRIP_SENSOR_OVEN 4U
#define TRIP_SENSOR_TANK 8U
#define TRIP_STOP 16U
#define TRIP_LEVEL 32U
#define TRIP_SMOKE 64U
#define TRIP_CURRENT 128U
#define TRIP_RECORD 256U
#define TRIP_HOST 512U

#define FLAG_SOUNDER 1U
#define FLAG_AGITATOR 2U
#define FLAG_CONTACTOR 4U
#define FLAG_WORK 8U
#define FLAG_TRIP 16U
#define FLAGS_ALL 31U

/* A contact's place, and one more for the arm button as a press, which settles faster than the button shows. */
enum { CONTACT_DOOR, CONTACT_STOP, CONTACT_LEVEL, CONTACT_AGITATOR, CONTACT_SMOKE, CONTACT_ARM, CONTACT_RESET,
       CONTACT_PRESS, CONTACTS };

/* How long ago something was. An age stops at its greatest value instead of wrapping, so that nothing becomes
 * young again after 50 days. */
enum {
    AGE_FED,            /* last good S or greeting, kept twice: one flipped bit must not lengthen a session */
    AGE_FED_AGAIN,
    AGE_GOOD_S,         /* last good S or boot */
    AGE_SILENT,         /* end of the last session */
    AGE_PRESSED,        /* last press that armed */
    AGE_RENEWED,        /* last press that armed, or flag 8 */
    AGE_HOLD,           /* last completed hold of the reset button */
    AGE_TRIP,           /* last new trip bit or boot */
    AGE_CONTACTOR,      /* last change of the contactor */
    AGE_WINDOW,         /* start of the heaters' window */
    AGE_SAMPLE,         /* last round of samples */
    AGE_BYTE,           /* last byte received */
    AGE_HEAT,           /* two zones: heater last on */
    AGE_BAD = AGE_HEAT + ZONES,     /* two zones: last sample with a bad sensor, or boot */
    AGE_QUIET = AGE_BAD + ZONES,    /* two zones: last time without current, or with the output on */
    AGE_STILL = AGE_QUIET + ZONES,  /* each contact: last change (the press looks at the arm button) */
    AGE_CALM = AGE_STILL + CONTACTS - 1, /* each contact but the buttons: last stood still for its time, or boot */
    AGES = AGE_CALM + CONTACT_ARM
};

#define RECORD_BYTES 6U                 /* serial number, trips, CRC-16, each big-endian */
#define STORE_BYTES (2U * RECORD_BYTES)
#define BOOTS_BYTES 4U                  /* number of boots, CRC-16 */
#define ANSWER_BYTES 128U               /* the longest answer to a frame: B and H together */
#define BODY_BYTES 44U                  /* no good frame from a host has a longer one with its check */

struct guard_sample {
    int32_t value[SENSORS];
    int32_t cold;
    char letter[SENSORS];   /* '-' good, else O G V R X */
};

struct guard {
    uint32_t now;
    uint32_t age[AGES];
    int32_t limit[3];           /* from the host: oven trip, tank heater-off, tank trip */
    int32_t tank_heard;         /* last good temperature of the tank, the higher of its sensors' */
    uint32_t history[4];        /* bad samples that count, the last one in bit 0 */
    struct guard_sample sample;
    uint16_t sid, last_seq, sessions, boots;
    uint16_t duty[ZONES], on[ZONES], carry[ZONES], on_ms[ZONES];
    uint16_t trips, trips_inverse;
    uint16_t arms, resets, bad_frames, tseq, serial;
    uint8_t armed;              /* SURE or not */
    uint8_t zone_good[ZONES];   /* SURE or not: last sample of every fitted sensor was good */
    uint8_t over[4];            /* 0xFF: the sensor's last good sample was at or over the limit */
    uint8_t hot;                /* tank's heater-off has acted and not cleared */
    uint8_t limits_set;         /* one bit a limit */
    uint8_t flags, kept;        /* kept: sounder and agitator that outlive the session */
    uint8_t outputs;
    uint8_t contacts, stable, settled; /* as they stand; as believed (bits by CONTACT_); which have settled */
    uint8_t reset_ready;
    uint8_t currents;
    uint8_t reset_cause;
    uint8_t slots_due, slot, slot_at;   /* what is still to be written to the EEPROM */
    uint8_t slot_bytes[RECORD_BYTES];
    uint8_t in_frame, length;
    char body[BODY_BYTES];
};

/* Start, with everything off and unknown. `contacts`: INPUT_ bits as they stand; `cells`: the trips' two records as
 * they lie in the EEPROM. */
void guard_boot(struct guard *g, uint32_t now, uint8_t contacts, uint8_t reset_cause, uint16_t boots,
                const uint8_t cells[STORE_BYTES]);

/* One tick. `contacts`: INPUT_ bits as they stand; `currents`: bit 0 oven, bit 1 tank: current flows; `sample`: a
 * round of samples if one was taken, else NULL. */
void guard_step(struct guard *g, uint32_t now, uint8_t contacts, uint8_t currents,
                const struct guard_sample *sample);

/* One byte from the host. Writes the answer to `answer` (ANSWER_BYTES) and returns its length, 0 for none. `room`:
 * free bytes of the transmit buffer; an answer that does not fit is not given. */
uint8_t guard_byte(struct guard *g, uint32_t now, uint8_t byte, uint16_t room, char *answer);

/* The B frame of a boot; a T frame (both at most FRAME_BYTES). They return the length. */
uint8_t guard_hello(const struct guard *g, char *text);
uint8_t guard_telemetry(struct guard *g, uint16_t overruns, char *text);

/* The next byte to write to the EEPROM, false when there is none. A record is finished before the other is begun. */
bool guard_store_next(struct guard *g, uint8_t *address, uint8_t *value);

/* From the two records of the boot counter: the number of this boot, and in `record` what is to be written to the
 * slot (0 or 1) that is returned. */
uint8_t guard_boots(const uint8_t cells[2 * BOOTS_BYTES], uint16_t *boots, uint8_t record[BOOTS_BYTES]);

/* CRC-16, polynomial 0x1021, initial value 0xFFFF. */
uint16_t guard_crc(const void *data, uint8_t length);

#endif
