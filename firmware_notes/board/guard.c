#include "guard.h"

#include <stddef.h>
#include <string.h>

#include "config.h"
#include "limits.h"

/* "Sure" is a pattern of its own, so that one flipped bit of the RAM takes it away and never makes it. */
#define SURE 0xA5U
#define OLDEST UINT32_MAX
#define BIT(place) (1U << (place))

static const uint8_t INPUT_OF[CONTACT_PRESS] = {
    INPUT_DOOR_OPEN, INPUT_STOP_CLOSED, INPUT_LEVEL_GOOD, INPUT_AGITATOR_TURNING,
    INPUT_SMOKE, INPUT_ARM_BUTTON, INPUT_RESET_BUTTON,
};

/* --- small things --------------------------------------------------------------------------------------------- */

uint16_t guard_crc(const void *data, uint8_t length)
{
    const uint8_t *byte = data;
    uint16_t crc = 0xFFFFU;
    while (length-- > 0) {
        crc ^= (uint16_t)((uint16_t)*byte++ << 8);
        for (uint8_t bit = 0; bit < 8; bit++) {
            crc = (uint16_t)((crc & 0x8000U) ? (uint16_t)(crc << 1) ^ 0x1021U : (uint16_t)(crc << 1));
        }
    }
    return crc;
}

static bool zone_fitted(uint8_t zone)
{
    return (FITTED & (zone ? FITTED_TANK : FITTED_OVEN)) != 0;
}

static bool sensor_fitted(uint8_t sensor)
{
    return (FITTED >> sensor & 1) != 0;
}

/* Both the host's limit and the constant are compared, every time. */
static bool at_or_over(int32_t value, int32_t limit, int32_t flash)
{
    return value >= limit || value >= flash;
}

static int32_t flash_of(uint8_t which)
{
    return which == 0 ? OVEN_FLASH : TANK_FLASH;
}

static int32_t in_force(const struct guard *g, uint8_t which)
{
    return g->limit[which] < flash_of(which) ? g->limit[which] : flash_of(which);
}

static bool heating(const struct guard *g, uint8_t zone)
{
    return (g->outputs & BIT(zone)) != 0;
}

static bool stable(const struct guard *g, uint8_t contact)
{
    return (g->stable & BIT(contact)) != 0;
}

/* The contact has settled since the boot, and is open. */
static bool is_open(const struct guard *g, uint8_t contact)
{
    return (g->settled & BIT(contact)) != 0 && !stable(g, contact);
}

/* The zone's heater was on within the last 120 s. */
static bool had_heat(const struct guard *g, uint8_t zone)
{
    return g->age[AGE_HEAT + zone] <= RECENT_HEAT_MS;
}

static bool has_limits(const struct guard *g, uint8_t zone)
{
    const uint8_t needed = zone == 0 ? 1 : 6;
    return (g->limits_set & needed) == needed;
}

/* The latch is kept twice, and a bit in either copy stands. */
static uint16_t standing(const struct guard *g)
{
    return (uint16_t)(g->trips | (uint16_t)~g->trips_inverse);
}

/* --- what is stored ------------------------------------------------------------------------------------------- */

static void put_word(uint8_t *cells, uint16_t word)
{
    cells[0] = (uint8_t)(word >> 8);
    cells[1] = (uint8_t)word;
}

static uint16_t get_word(const uint8_t *cells)
{
    return (uint16_t)((uint16_t)(cells[0] << 8) | cells[1]);
}

static void put_check(uint8_t *cells, uint8_t bytes)
{
    put_word(cells + bytes, guard_crc(cells, bytes));
}

static bool is_whole(const uint8_t *cells, uint8_t bytes)
{
    return get_word(cells + bytes) == guard_crc(cells, bytes);
}

static bool is_newer(uint16_t number, uint16_t other)
{
    return (uint16_t)(number - other) < 0x8000U;
}

static void set_trips(struct guard *g, uint16_t trips)
{
    g->trips = trips;
    g->trips_inverse = (uint16_t)~trips;
    g->serial++;
    g->slots_due = 3;
}

static void load_trips(struct guard *g, const uint8_t cells[STORE_BYTES])
{
    const uint8_t *const second = cells + RECORD_BYTES;
    const bool first_whole = is_whole(cells, RECORD_BYTES - 2);
    const bool second_whole = is_whole(second, RECORD_BYTES - 2);
    const uint8_t *found = NULL;
    if (first_whole) {
        found = cells;
    }
    if (second_whole && (!first_whole || is_newer(get_word(second), get_word(cells)))) {
        found = second;
    }
    uint16_t trips = found != NULL ? get_word(found + 2) : 0;
    g->serial = found != NULL ? get_word(found) : 0;
    if (!first_whole || !second_whole) {
        trips |= TRIP_RECORD;
    }
    g->trips = trips;
    g->trips_inverse = (uint16_t)~trips;
    g->slot = found == cells ? 0 : 1; /* the slot that was believed is written last: a second cut must not lose it */
    if (memcmp(cells, second, RECORD_BYTES) != 0 || !first_whole) {
        set_trips(g, trips);
    }
}

bool guard_store_next(struct guard *g, uint8_t *address, uint8_t *value)
{
    if (g->slot_at >= RECORD_BYTES) {
        g->slots_due &= 3; /* a flipped bit must not write for ever */
        if (g->slots_due == 0) {
            return false;
        }
        g->slot = g->slots_due == 3 ? g->slot == 0 : g->slots_due == 2;
        g->slots_due &= (uint8_t)~BIT(g->slot);
        g->slot_at = 0;
        put_word(g->slot_bytes, g->serial);
        put_word(g->slot_bytes + 2, standing(g));
        put_check(g->slot_bytes, RECORD_BYTES - 2);
    }
    *address = (uint8_t)((g->slot & 1U) * RECORD_BYTES + g->slot_at);
    *value = g->slot_bytes[g->slot_at++];
    return true;
}

/* A damaged record means that the last boot was cut short while it wrote its number, before it told anybody: that
 * number is given anew. */
uint8_t guard_boots(const uint8_t cells[2 * BOOTS_BYTES], uint16_t *boots, uint8_t record[BOOTS_BYTES])
{
    const uint8_t *const second = cells + BOOTS_BYTES;
    const bool first_whole = is_whole(cells, BOOTS_BYTES - 2);
    const bool second_whole = is_whole(second, BOOTS_BYTES - 2);
    const uint16_t first_boots = get_word(cells);
    const uint16_t second_boots = get_word(second);
    uint8_t slot = 0;
    *boots = 1;
    if (first_whole && second_whole) {
        slot = is_newer(first_boots, second_boots);
        *boots = (uint16_t)((slot ? first_boots : second_boots) + 1);
    } else if (first_whole) {
        slot = 1;
        *boots = (uint16_t)(first_boots + 1);
    } else if (second_whole) {
        *boots = (uint16_t)(second_boots + 1);
    }
    put_word(record, *boots);
    put_check(record, BOOTS_BYTES - 2);
    return slot;
}

/* --- duty, arming, trips -------------------------------------------------------------------------------------- */

static void no_duty(struct guard *g)
{
    g->duty[0] = g->duty[1] = 0;
}

static void disarm(struct guard *g)
{
    g->armed = 0;
    no_duty(g);
}

static void trip(struct guard *g, uint16_t bits)
{
    const uint16_t before = standing(g);
    if ((bits & ~before) != 0) {
        set_trips(g, before | bits);
        g->age[AGE_TRIP] = 0;
    }
    disarm(g);
}

/* What is left of the 15 minutes or of the 12 hours; 0 when it is over. */
static uint32_t arm_left(const struct guard *g)
{
    uint32_t kept = g->age[AGE_RENEWED];
    for (uint8_t zone = 0; zone < ZONES; zone++) {
        if (g->age[AGE_HEAT + zone] < kept) {
            kept = g->age[AGE_HEAT + zone];
        }
    }
    const uint32_t pressed = g->age[AGE_PRESSED];
    if (kept >= ARMED_MS || pressed >= ARMED_LONGEST_MS) {
        return 0;
    }
    const uint32_t longest = ARMED_LONGEST_MS - pressed;
    return ARMED_MS - kept < longest ? ARMED_MS - kept : longest;
}

static void press(struct guard *g)
{
    g->arms++;
    if (standing(g) == 0 && stable(g, CONTACT_STOP) && g->age[AGE_GOOD_S] < SILENCE_DISARMS_MS) {
        g->armed = SURE;
        g->age[AGE_PRESSED] = g->age[AGE_RENEWED] = 0;
    }
}

/* All good sensors of the zone are 20 degrees below the limit in force, and there is one at least. */
static bool over_gone(const struct guard *g, uint8_t zone)
{
    bool heard = false;
    for (uint8_t sensor = (uint8_t)(2 * zone); sensor < 2 * zone + 2; sensor++) {
        if (g->sample.letter[sensor] == '-') {
            heard = true;
            if (g->sample.value[sensor] > in_force(g, (uint8_t)(2 * zone)) - OVER_CLEARS) {
                return false;
            }
        }
    }
    return heard;
}

static bool cause_gone(const struct guard *g, uint16_t bit)
{
    const uint8_t zone = (bit & (TRIP_OVER_TANK | TRIP_SENSOR_TANK)) != 0 ? 1 : 0;
    switch (bit) {
    case TRIP_OVER_OVEN:
    case TRIP_OVER_TANK:
        return !zone_fitted(zone) || over_gone(g, zone);
    case TRIP_SENSOR_OVEN:
    case TRIP_SENSOR_TANK:
        return !zone_fitted(zone) || (g->zone_good[zone] == SURE && g->age[AGE_BAD + zone] >= SENSOR_GOOD_MS);
    case TRIP_STOP:
        return stable(g, CONTACT_STOP);
    case TRIP_LEVEL:
        return stable(g, CONTACT_LEVEL);
    case TRIP_SMOKE:
        return !stable(g, CONTACT_SMOKE);
    case TRIP_CURRENT:
        return g->currents == 0;
    default:
        return true;
    }
}

/* The reset button was held long enough. */
static void reset(struct guard *g)
{
    const uint16_t before = standing(g);
    uint16_t left = 0;
    g->resets++;
    g->age[AGE_HOLD] = 0;
    for (uint16_t bit = 1; bit != 0; bit = (uint16_t)(bit << 1)) {
        if ((before & bit) != 0 && !cause_gone(g, bit)) {
            left |= bit;
        }
    }
    if (left != before) {
        set_trips(g, left);
    }
}

/* --- outputs -------------------------------------------------------------------------------------------------- */

static bool permits(const struct guard *g, uint8_t zone)
{
    if (standing(g) != 0 || g->armed != SURE || g->sid == 0 || !stable(g, CONTACT_STOP)) {
        return false;
    }
    if (g->zone_good[zone] != SURE || g->age[AGE_SAMPLE] > SAMPLE_AGE_MS || !has_limits(g, zone)) {
        return false;
    }
    return zone == 0 || (g->hot == 0 && stable(g, CONTACT_LEVEL));
}

static bool wants_contactor(const struct guard *g)
{
    return (g->flags & FLAG_CONTACTOR) != 0 && g->armed == SURE && g->sid != 0 && standing(g) == 0 &&
           stable(g, CONTACT_STOP);
}

/* Share out a new window. One that comes late, after a stall, has no heat. Where carried time would make two zones
 * overlap that share one circuit, the longer on-time gives way and carries the rest. */
static void open_window(struct guard *g, const bool allowed[ZONES], bool in_time)
{
    uint16_t wanted[ZONES] = {0, 0};
    for (uint8_t zone = 0; zone < ZONES; zone++) {
        if (allowed[zone] && in_time) {
            wanted[zone] = (uint16_t)(g->duty[zone] + g->carry[zone]);
        }
        g->on[zone] = wanted[zone] < SHORTEST_ON_MS ? 0 : wanted[zone] < WINDOW_MS ? wanted[zone] : WINDOW_MS;
    }
    const uint16_t sum = (uint16_t)(g->on[0] + g->on[1]);
    if (sum > WINDOW_MS && g->duty[0] + g->duty[1] <= FULL_DUTY) {
        g->on[g->on[1] > g->on[0] ? 1 : 0] -= (uint16_t)(sum - WINDOW_MS);
    }
    for (uint8_t zone = 0; zone < ZONES; zone++) {
        const uint16_t rest = (uint16_t)(wanted[zone] - g->on[zone]);
        g->carry[zone] = rest < SHORTEST_ON_MS ? rest : SHORTEST_ON_MS - 1;
    }
}

/* Sounder and agitator: the host's flags in a session; outside, what outlives it. A host that only greets, because it
 * hears nothing, opens session after session and does not silence a trip. */
static uint8_t signals(struct guard *g)
{
    const bool unheard = g->sid == 0 || g->age[AGE_GOOD_S] >= SESSION_ENDS_MS;
    uint8_t shown = g->flags;
    if (g->sid == 0) {
        if (g->age[AGE_SILENT] >= SOUND_MS || (standing(g) == 0 && g->tank_heard <= WARM_OIL)) {
            g->kept = 0;
        }
        shown = g->kept;
    }
    if (unheard && standing(g) != 0 && g->age[AGE_TRIP] < SOUND_MS) {
        shown |= FLAG_SOUNDER;
    }
    return (uint8_t)((shown & FLAG_SOUNDER ? OUTPUT_SOUNDER : 0U) | (shown & FLAG_AGITATOR ? OUTPUT_AGITATOR : 0U));
}

static void update_outputs(struct guard *g)
{
    const bool contactor = wants_contactor(g);
    bool allowed[ZONES];
    if (contactor != ((g->outputs & OUTPUT_CONTACTOR) != 0)) {
        g->age[AGE_CONTACTOR] = 0;
    }
    for (uint8_t zone = 0; zone < ZONES; zone++) {
        allowed[zone] = contactor && g->duty[zone] != 0 && permits(g, zone);
    }
    uint32_t into = g->age[AGE_WINDOW];
    if (into >= WINDOW_MS) {
        into = g->age[AGE_WINDOW] = into % WINDOW_MS;
        open_window(g, allowed, into < SHORTEST_ON_MS);
    }
    uint8_t outputs = signals(g);
    const bool ready = contactor && g->age[AGE_CONTACTOR] >= CONTACTOR_WAIT_MS;
    for (uint8_t zone = 0; zone < ZONES; zone++) {
        if (!allowed[zone]) {
            g->on[zone] = 0;
        }
        const bool its_time = zone == 0 ? into < g->on[0] : into + g->on[1] >= WINDOW_MS && g->on[1] != 0;
        if (ready && its_time && allowed[zone]) {
            outputs |= (uint8_t)BIT(zone);
            g->age[AGE_HEAT + zone] = 0;
        }
    }
    if (contactor) {
        outputs |= OUTPUT_CONTACTOR;
    }
    g->outputs = outputs;
}

/* --- time, contacts, sensors ---------------------------------------------------------------------------------- */

static void end_frame(struct guard *g, bool good)
{
    g->in_frame = 0;
    if (!good) {
        g->bad_frames++;
    }
}

static void pass_time(struct guard *g, uint32_t now)
{
    const uint32_t elapsed = now - g->now;
    g->now = now;
    for (uint8_t age = 0; age < AGES; age++) {
        g->age[age] = g->age[age] > OLDEST - elapsed ? OLDEST : g->age[age] + elapsed;
    }
    for (uint8_t zone = 0; zone < ZONES; zone++) {
        if (heating(g, zone)) {
            g->on_ms[zone] = (uint16_t)(g->on_ms[zone] + elapsed);
            g->age[AGE_HEAT + zone] = 0;
        }
    }
    if (g->in_frame && g->age[AGE_BYTE] >= HALF_FRAME_MS) {
        end_frame(g, false);
    }
    if ((g->trips ^ g->trips_inverse) != 0xFFFFU) {
        set_trips(g, standing(g));
        g->age[AGE_TRIP] = 0;
        disarm(g);
    }
}

static void end_session(struct guard *g)
{
    if (g->sid != 0) {
        g->sid = 0;
        g->age[AGE_SILENT] = 0;
        g->kept = g->flags & (FLAG_SOUNDER | FLAG_AGITATOR);
        no_duty(g);
    }
}

static bool contact_fitted(uint8_t contact)
{
    switch (contact) {
    case CONTACT_DOOR:
        return (FITTED & FITTED_DOOR) != 0;
    case CONTACT_LEVEL:
        return (FITTED & FITTED_LEVEL) != 0;
    case CONTACT_AGITATOR:
        return (FITTED & FITTED_AGITATOR) != 0;
    case CONTACT_SMOKE:
        return (FITTED & FITTED_SMOKE) != 0;
    default:
        return true;
    }
}

/* No button, and it has been changing for so long that it is not safe, whatever it shows between two changes. */
static bool flutters(const struct guard *g, uint8_t contact)
{
    return contact < CONTACT_ARM && g->age[AGE_CALM + contact] >= FLUTTER_MS;
}

/* Believe what has stood still long enough. True when the arm button was pressed. */
static bool settle(struct guard *g, uint8_t contacts)
{
    bool pressed = false;
    for (uint8_t contact = 0; contact < CONTACTS; contact++) {
        const uint8_t source = contact == CONTACT_PRESS ? CONTACT_ARM : contact;
        const uint32_t wait = contact == CONTACT_STOP ? STOP_MS : contact == CONTACT_PRESS ? PRESS_MS : CONTACT_MS;
        bool closed = (contacts & INPUT_OF[source]) != 0;
        if (contact < CONTACT_ARM && g->age[AGE_STILL + contact] >= wait) {
            g->age[AGE_CALM + contact] = 0; /* before the change is looked for: until now it stood still */
        }
        if (contact != CONTACT_PRESS && closed != ((g->contacts & INPUT_OF[source]) != 0)) {
            g->age[AGE_STILL + contact] = 0;
        }
        const bool still = g->age[AGE_STILL + source] >= wait;
        if (!contact_fitted(contact) || (!still && !flutters(g, contact))) {
            continue;
        }
        if (!still) {
            closed = contact == CONTACT_DOOR || contact == CONTACT_SMOKE;
        }
        if (contact == CONTACT_PRESS && closed && !stable(g, contact)) {
            pressed = true;
        }
        g->stable = (uint8_t)(closed ? g->stable | BIT(contact) : g->stable & ~BIT(contact));
        g->settled |= (uint8_t)BIT(contact);
    }
    g->contacts = contacts;
    return pressed;
}

/* True once, when the reset button has been down for 2 s after it was seen open. */
static bool reset_held(struct guard *g)
{
    if (!stable(g, CONTACT_RESET)) {
        g->reset_ready = 1;
    }
    if (g->reset_ready && (g->contacts & INPUT_RESET_BUTTON) != 0 &&
        g->age[AGE_STILL + CONTACT_RESET] >= HOLD_MS) {
        g->reset_ready = 0;
        return true;
    }
    return false;
}

static void watch_contacts(struct guard *g)
{
    if (is_open(g, CONTACT_STOP)) {
        trip(g, TRIP_STOP);
    }
    if (is_open(g, CONTACT_LEVEL) && had_heat(g, 1)) {
        trip(g, TRIP_LEVEL);
    }
    if (stable(g, CONTACT_SMOKE)) {
        trip(g, TRIP_SMOKE);
    }
}

/* Current in a heater whose output is off. */
static void watch_currents(struct guard *g, uint8_t currents)
{
    g->currents = 0;
    if ((FITTED & FITTED_OVEN_CURRENT) != 0) {
        g->currents |= currents & 1U;
    }
    if ((FITTED & FITTED_TANK_CURRENT) != 0) {
        g->currents |= currents & 2U;
    }
    for (uint8_t zone = 0; zone < ZONES; zone++) {
        if ((g->currents & BIT(zone)) == 0 || heating(g, zone)) {
            g->age[AGE_QUIET + zone] = 0;
        } else if (g->age[AGE_QUIET + zone] >= STUCK_MS) {
            trip(g, TRIP_CURRENT);
        }
    }
}

static uint8_t ones(uint32_t word)
{
    uint8_t count = 0;
    for (; word != 0; word &= word - 1) {
        count++;
    }
    return count;
}

/* One sensor's sample: does it trip its zone? */
static uint16_t count_sample(struct guard *g, uint8_t zone, uint8_t sensor)
{
    const bool good = g->sample.letter[sensor] == '-';
    const bool counts = !good && had_heat(g, zone);
    g->history[sensor] = (g->history[sensor] << 1 | counts) & BAD_HISTORY;
    if (counts) {
        const bool latch = (g->history[sensor] & BAD_IN_A_ROW) == BAD_IN_A_ROW ||
                           ones(g->history[sensor]) >= BAD_OF_HISTORY;
        return latch ? (uint16_t)(TRIP_SENSOR_OVEN << zone) : 0;
    }
    if (!good) {
        return 0;
    }
    const uint8_t which = (uint8_t)(2 * zone);
    const bool again = g->over[sensor] != 0;
    g->over[sensor] = at_or_over(g->sample.value[sensor], g->limit[which], flash_of(which)) ? 0xFF : 0;
    return again && g->over[sensor] != 0 ? (uint16_t)(TRIP_OVER_OVEN << zone) : 0;
}

/* The tank's heater-off: at the first sample, and until all its good sensors are 3 degrees below. */
static void watch_heater_off(struct guard *g)
{
    bool heard = false;
    int32_t highest = 0;
    for (uint8_t sensor = 2; sensor < 4; sensor++) {
        if (g->sample.letter[sensor] == '-' && (!heard || g->sample.value[sensor] > highest)) {
            heard = true;
            highest = g->sample.value[sensor];
        }
    }
    if (heard && zone_fitted(1)) {
        g->tank_heard = highest;
        const bool cooler = highest <= in_force(g, 1) - HEATER_OFF_CLEARS;
        if (at_or_over(highest, g->limit[1], flash_of(1))) {
            g->hot = 1;
        } else if (cooler) {
            g->hot = 0;
        }
    }
}

static void take_sample(struct guard *g, const struct guard_sample *sample)
{
    uint16_t raised = 0;
    g->sample = *sample;
    g->age[AGE_SAMPLE] = 0;
    for (uint8_t sensor = 0; sensor < SENSORS; sensor++) {
        if (!sensor_fitted(sensor)) {
            g->sample.letter[sensor] = 'N';
        }
        if (g->sample.letter[sensor] != '-') {
            g->sample.value[sensor] = 0;
        }
    }
    for (uint8_t zone = 0; zone < ZONES; zone++) {
        bool good = zone_fitted(zone);
        for (uint8_t sensor = (uint8_t)(2 * zone); sensor < 2 * zone + 2; sensor++) {
            if (zone_fitted(zone) && sensor_fitted(sensor)) {
                good = good && g->sample.letter[sensor] == '-';
                raised |= count_sample(g, zone, sensor);
            }
        }
        if (!good) {
            g->age[AGE_BAD + zone] = 0;
        }
        g->zone_good[zone] = good ? SURE : 0;
    }
    watch_heater_off(g);
    if (raised != 0) {
        trip(g, raised);
    }
}

void guard_boot(struct guard *g, uint32_t now, uint8_t contacts, uint8_t reset_cause, uint16_t boots,
                const uint8_t cells[STORE_BYTES])
{
    static const uint8_t NEVER_YET[] = {AGE_SILENT, AGE_PRESSED, AGE_RENEWED, AGE_HOLD, AGE_SAMPLE, AGE_HEAT,
                                        AGE_HEAT + 1};
    (void)memset(g, 0, sizeof *g);
    g->now = now;
    g->contacts = contacts;
    g->reset_cause = reset_cause;
    g->boots = boots;
    for (uint8_t place = 0; place < sizeof NEVER_YET; place++) {
        g->age[NEVER_YET[place]] = OLDEST;
    }
    for (uint8_t which = 0; which < 3; which++) {
        g->limit[which] = flash_of(which);
    }
    g->tank_heard = INT32_MIN;
    (void)memset(g->sample.letter, 'X', SENSORS);
    /* Until a contact has settled, none is safe, and a button counts as down. */
    g->stable = BIT(CONTACT_DOOR) | BIT(CONTACT_ARM) | BIT(CONTACT_RESET) | BIT(CONTACT_PRESS);
    for (uint8_t contact = 0; contact < CONTACT_ARM; contact++) {
        if (!contact_fitted(contact)) {
            const bool safe = contact == CONTACT_LEVEL || contact == CONTACT_AGITATOR;
            g->stable = (uint8_t)(safe ? g->stable | BIT(contact) : g->stable & ~BIT(contact));
        }
    }
    g->slot_at = RECORD_BYTES;
    load_trips(g, cells);
    update_outputs(g);
}

void guard_step(struct guard *g, uint32_t now, uint8_t contacts, uint8_t currents,
                const struct guard_sample *sample)
{
    pass_time(g, now);
    if (g->age[AGE_FED] >= SESSION_ENDS_MS || g->age[AGE_FED_AGAIN] >= SESSION_ENDS_MS) {
        end_session(g);
    }
    const bool pressed = settle(g, contacts);
    watch_contacts(g);
    watch_currents(g, currents);
    if (reset_held(g)) {
        reset(g);
    }
    if (pressed) {
        press(g);
    }
    if (g->armed != SURE || arm_left(g) == 0 || g->age[AGE_GOOD_S] >= SILENCE_DISARMS_MS) {
        disarm(g);
    }
    if (sample != NULL) {
        take_sample(g, sample);
    }
    update_outputs(g);
}

/* --- text ----------------------------------------------------------------------------------------------------- */

static char *put_unsigned(char *at, uint32_t number)
{
    char digits[10];
    uint8_t count = 0;
    do {
        digits[count++] = (char)('0' + number % 10);
        number /= 10;
    } while (number != 0);
    *at++ = ',';
    while (count > 0) {
        *at++ = digits[--count];
    }
    return at;
}

static char *put_signed(char *at, int32_t number)
{
    if (number >= 0) {
        return put_unsigned(at, (uint32_t)number);
    }
    char *const end = put_unsigned(at + 1, 0U - (uint32_t)number);
    at[0] = ',';
    at[1] = '-';
    return end;
}

static char *put_start(char *at, char kind)
{
    *at++ = '!';
    *at++ = kind;
    return at;
}

/* The check and the end of a frame that began at `start`. */
static char *put_end(char *start, char *at)
{
    static const char HEX[] = "0123456789ABCDEF";
    const uint16_t crc = guard_crc(start + 1, (uint8_t)(at - start - 1));
    *at++ = '*';
    for (int8_t shift = 12; shift >= 0; shift = (int8_t)(shift - 4)) {
        *at++ = HEX[crc >> shift & 15];
    }
    *at++ = '\n';
    return at;
}

static char *put_hello(const struct guard *g, char *text)
{
    char *at = put_start(text, 'B');
    at = put_unsigned(at, PROTOCOL);
    at = put_unsigned(at, FIRMWARE);
    at = put_unsigned(at, g->reset_cause);
    at = put_unsigned(at, g->boots);
    at = put_unsigned(at, standing(g));
    return put_end(text, at);
}

static char *put_greeting(const struct guard *g, uint16_t sid, char *text)
{
    char *at = put_start(text, 'H');
    at = put_unsigned(at, PROTOCOL);
    at = put_unsigned(at, FIRMWARE);
    at = put_unsigned(at, LAYOUT);
    at = put_unsigned(at, sid);
    at = put_unsigned(at, CHIP);
    at = put_signed(at, OVEN_FLASH);
    at = put_signed(at, TANK_FLASH);
    for (uint8_t which = 0; which < 3; which++) {
        at = put_signed(at, in_force(g, which));
    }
    at = put_unsigned(at, FITTED);
    at = put_unsigned(at, WINDOW_MS);
    return put_end(text, at);
}

uint8_t guard_hello(const struct guard *g, char *text)
{
    return (uint8_t)(put_hello(g, text) - text);
}

static uint8_t inputs(const struct guard *g)
{
    uint8_t bits = g->armed == SURE ? INPUT_ARMED : 0;
    for (uint8_t contact = 0; contact < CONTACT_PRESS; contact++) {
        if (stable(g, contact)) {
            bits |= INPUT_OF[contact];
        }
    }
    return bits;
}

uint8_t guard_telemetry(struct guard *g, uint16_t overruns, char *text)
{
    char *at = put_start(text, 'T');
    at = put_unsigned(at, g->tseq++);
    at = put_unsigned(at, g->now);
    at = put_unsigned(at, g->sid);
    for (uint8_t sensor = 0; sensor < SENSORS; sensor++) {
        at = put_signed(at, g->sample.value[sensor]);
    }
    at = put_signed(at, CHIP == 6675 ? 0 : g->sample.cold);
    *at++ = ',';
    (void)memcpy(at, g->sample.letter, SENSORS);
    at = put_unsigned(at + SENSORS, inputs(g));
    at = put_unsigned(at, g->outputs);
    at = put_unsigned(at, g->on_ms[0]);
    at = put_unsigned(at, g->on_ms[1]);
    at = put_unsigned(at, standing(g));
    at = put_unsigned(at, g->armed == SURE ? arm_left(g) / 1000 : 0);
    at = put_unsigned(at, g->arms);
    at = put_unsigned(at, g->resets);
    at = put_unsigned(at, g->last_seq);
    at = put_unsigned(at, g->age[AGE_GOOD_S] < 65535 ? g->age[AGE_GOOD_S] : 65535);
    at = put_unsigned(at, g->bad_frames);
    at = put_unsigned(at, overruns);
    return (uint8_t)(put_end(text, at) - text);
}

/* --- what the host says --------------------------------------------------------------------------------------- */

/* The codes of an answer. */
enum { DONE, RANGE, SESSION, SEQUENCE, TRIPPED, DISARMED, UNLIMITED };

static uint8_t stranger(const struct guard *g, uint16_t sid, uint16_t seq)
{
    const uint16_t ahead = (uint16_t)(seq - g->last_seq);
    if (g->sid == 0 || sid != g->sid) {
        return SESSION;
    }
    return ahead >= 1 && ahead <= SEQUENCE_AHEAD ? DONE : SEQUENCE;
}

static uint8_t may_heat(const struct guard *g, const uint16_t duty[ZONES])
{
    if (standing(g) != 0) {
        return TRIPPED;
    }
    if (g->armed != SURE) {
        return DISARMED;
    }
    return (duty[0] != 0 && !has_limits(g, 0)) || (duty[1] != 0 && !has_limits(g, 1)) ? UNLIMITED : DONE;
}

static uint8_t set_duty(struct guard *g, uint16_t sid, uint16_t seq, const uint16_t duty[ZONES], uint16_t flags)
{
    const bool none = duty[0] == 0 && duty[1] == 0;
    if (none) {
        no_duty(g);
    }
    if (duty[0] > FULL_DUTY || duty[1] > FULL_DUTY || flags > FLAGS_ALL || (duty[0] != 0 && !zone_fitted(0)) ||
        (duty[1] != 0 && !zone_fitted(1))) {
        return RANGE;
    }
    uint8_t code = stranger(g, sid, seq);
    if (code != DONE) {
        return code;
    }
    g->last_seq = seq;
    g->age[AGE_FED] = g->age[AGE_FED_AGAIN] = g->age[AGE_GOOD_S] = 0;
    g->flags = (uint8_t)flags;
    if ((flags & FLAG_TRIP) != 0 && g->age[AGE_HOLD] >= HOLD_GRACE_MS) {
        trip(g, TRIP_HOST);
    }
    if ((flags & FLAG_WORK) != 0 && g->armed == SURE) {
        g->age[AGE_RENEWED] = 0;
    }
    if (none) {
        return DONE;
    }
    code = may_heat(g, duty);
    if (code != DONE) {
        no_duty(g);
        return code;
    }
    g->duty[0] = duty[0];
    g->duty[1] = duty[1];
    return DONE;
}

static uint8_t set_limit(struct guard *g, uint16_t sid, uint16_t seq, uint16_t which, int32_t limit)
{
    if (which > 2 || limit < LOWEST_LIMIT || limit > flash_of((uint8_t)which) ||
        (limit > g->limit[which] && g->duty[which == 0 ? 0 : 1] != 0)) {
        return RANGE;
    }
    const uint8_t code = stranger(g, sid, seq);
    if (code == DONE) {
        g->last_seq = seq;
        g->limit[which] = limit;
        g->limits_set |= (uint8_t)BIT(which);
    }
    return code;
}

/* One field: a comma and a number without sign (`lowest` 0) or with one, in its strict form and range. */
static bool number(const char **at, int32_t lowest, int32_t highest, int32_t *found)
{
    const char *text = *at;
    uint32_t magnitude = 0;
    if (*text++ != ',') {
        return false;
    }
    const bool negative = lowest < 0 && *text == '-';
    if (negative) {
        text++;
    }
    if (*text < '0' || *text > '9' || (*text == '0' && (negative || (text[1] >= '0' && text[1] <= '9')))) {
        return false;
    }
    for (; *text >= '0' && *text <= '9'; text++) {
        if (magnitude > 214748364UL) {
            return false;
        }
        magnitude = magnitude * 10 + (uint32_t)(*text - '0');
    }
    if (magnitude > (uint32_t)highest + (negative ? 1U : 0U)) {
        return false;
    }
    *found = negative ? -(int32_t)(magnitude - 1) - 1 : (int32_t)magnitude;
    *at = text;
    return true;
}

/* The fields of a whole body, as far as `end`, where the `*` before its check stands. */
static bool fields(const char *body, const char *end, uint8_t count, bool last_is_signed, int32_t found[5])
{
    const char *at = body + 1;
    for (uint8_t field = 0; field < count; field++) {
        const bool is_signed = last_is_signed && field == count - 1;
        if (!number(&at, is_signed ? INT32_MIN : 0, is_signed ? INT32_MAX : 65535, &found[field])) {
            return false;
        }
    }
    return at == end;
}

static bool check_is_right(const struct guard *g)
{
    uint16_t crc = 0;
    for (uint8_t place = (uint8_t)(g->length - 4); place < g->length; place++) {
        const char digit = g->body[place];
        uint8_t value;
        if (digit >= '0' && digit <= '9') {
            value = (uint8_t)(digit - '0');
        } else if (digit >= 'A' && digit <= 'F') {
            value = (uint8_t)(digit - 'A' + 10);
        } else {
            return false;
        }
        crc = (uint16_t)(crc << 4 | value);
    }
    return crc == guard_crc(g->body, (uint8_t)(g->length - 5));
}

static uint8_t greet(struct guard *g, const int32_t range[2], uint16_t room, char *answer)
{
    const bool speaks = range[0] <= PROTOCOL && PROTOCOL <= range[1];
    const uint16_t sid = speaks ? (uint16_t)(1 + (g->boots * SESSIONS_A_BOOT + g->sessions) % SESSION_NUMBERS) : 0;
    const uint8_t length = (uint8_t)(put_greeting(g, sid, put_hello(g, answer)) - answer);
    if (length > room) {
        return 0;
    }
    if (speaks) {
        g->sessions++;
        g->sid = sid;
        g->last_seq = 0;
        g->flags = g->kept = 0;
        no_duty(g);
        g->age[AGE_FED] = g->age[AGE_FED_AGAIN] = 0;
    } else {
        end_session(g);
    }
    return length;
}

static uint8_t put_answer(uint16_t seq, uint8_t code, uint16_t room, char *answer)
{
    char *at = put_start(answer, 'A');
    at = put_unsigned(at, seq);
    at = put_unsigned(at, code);
    const uint8_t length = (uint8_t)(put_end(answer, at) - answer);
    return length > room ? 0 : length;
}

/* A whole frame is in `body`, its check included. */
static uint8_t whole_frame(struct guard *g, uint16_t room, char *answer)
{
    int32_t f[5];
    const char kind = g->body[0];
    const uint8_t count = kind == 'H' ? 2 : kind == 'S' ? 5 : kind == 'L' ? 4 : 0;
    const bool good = g->length > 5 && g->length < BODY_BYTES && g->body[g->length - 5] == '*' && count != 0 &&
                      fields(g->body, g->body + g->length - 5, count, kind == 'L', f) && check_is_right(g) &&
                      (kind != 'H' || (f[0] >= 1 && f[0] <= f[1] && f[1] <= 255));
    uint8_t length = 0;
    end_frame(g, good);
    if (good) {
        if (kind == 'H') {
            length = greet(g, f, room, answer);
        } else if (kind == 'S') {
            const uint16_t duty[ZONES] = {(uint16_t)f[2], (uint16_t)f[3]};
            const uint8_t code = set_duty(g, (uint16_t)f[0], (uint16_t)f[1], duty, (uint16_t)f[4]);
            length = put_answer((uint16_t)f[1], code, room, answer);
        } else {
            const uint8_t code = set_limit(g, (uint16_t)f[0], (uint16_t)f[1], (uint16_t)f[2], f[3]);
            length = put_answer((uint16_t)f[1], code, room, answer);
        }
        update_outputs(g);
    }
    return length;
}

uint8_t guard_byte(struct guard *g, uint32_t now, uint8_t byte, uint16_t room, char *answer)
{
    pass_time(g, now);
    g->age[AGE_BYTE] = 0;
    if (byte == '!') {
        if (g->in_frame != 0) {
            end_frame(g, false);
        }
        g->in_frame = 1;
        g->length = 0;
        return 0;
    }
    if (!g->in_frame) {
        return 0;
    }
    if (byte == '\n') {
        return whole_frame(g, room, answer);
    }
    if (g->length < BODY_BYTES) {
        g->body[g->length] = (char)byte;
    }
    g->length++;
    if (g->length + 1U >= FRAME_BYTES) {
        end_frame(g, false);
    }
    return 0;
}
