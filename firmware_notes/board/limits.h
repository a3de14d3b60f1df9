/* The numbers of the board's rules (../wire.md and ../contract.md say what each is for). Compiled into the program
 * memory: nothing that arrives over the wire and no damage to the RAM loosens them.
 *
 * Temperatures are hundredths of a degree Celsius on the chip's own scale, times milliseconds, duties thousandths.
 */
#ifndef BOARD_LIMITS_H
#define BOARD_LIMITS_H

#include <stdint.h>

/* the constants over which no limit of the host's reaches */
#define OVEN_FLASH INT32_C(31000)
#define TANK_FLASH INT32_C(11000)
#define LOWEST_LIMIT INT32_C(3000)
#define HEATER_OFF_CLEARS INT32_C(300)   /* the tank's heater-off clears so far below */
#define OVER_CLEARS INT32_C(2000)        /* a trip for over-temperature clears so far below */
#define WARM_OIL INT32_C(6500)           /* over this, sounder and agitator outlive the host */

/* session */
#define PROTOCOL 1
#define LAYOUT 56694U            /* CRC-16 over the wire's field lists; a test works it out */
#define SESSION_ENDS_MS UINT32_C(2000)
#define SEQUENCE_AHEAD 1000U
#define SESSIONS_A_BOOT UINT32_C(4099)   /* session numbers of two boots start so far apart */
#define SESSION_NUMBERS UINT32_C(65521)  /* the greatest 16-bit prime: boots 65535 and 0 get different ones too */
#define HALF_FRAME_MS UINT32_C(50)
#define FRAME_BYTES 180U

/* arming and the reset button */
#define ARMED_MS UINT32_C(900000)
#define ARMED_LONGEST_MS UINT32_C(43200000)
#define SILENCE_DISARMS_MS UINT32_C(60000)
#define PRESS_MS UINT32_C(50)
#define HOLD_MS UINT32_C(2000)
#define HOLD_GRACE_MS UINT32_C(1000)

/* contacts */
#define STOP_MS UINT32_C(20)
#define CONTACT_MS UINT32_C(100)
#define FLUTTER_MS UINT32_C(500)     /* a contact that has not stood still for so long is not safe */

/* sensors */
#define SAMPLE_AGE_MS UINT32_C(500)      /* readings older than this are none */
#define SENSOR_GOOD_MS UINT32_C(30000)
#define RECENT_HEAT_MS UINT32_C(120000)
#define BAD_IN_A_ROW UINT32_C(0x7)       /* the last three samples */
#define BAD_HISTORY UINT32_C(0xFFFFF)    /* the last twenty */
#define BAD_OF_HISTORY 5
#define STUCK_MS UINT32_C(200)

/* outputs */
#define WINDOW_MS 1000U
#define SHORTEST_ON_MS 20U
#define CONTACTOR_WAIT_MS UINT32_C(100)
#define SOUND_MS UINT32_C(1800000)
#define FULL_DUTY 1000U

#endif
