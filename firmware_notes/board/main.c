/* The board's drivers: clock, serial line, thermocouple chips, contacts, outputs, EEPROM, watchdog. Everything that
 * decides about heat is in guard.c. Every wait is bounded; between two ticks the processor sleeps.
 */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <stddef.h>
#include <util/atomic.h>
#include <util/delay.h>

#include "config.h"
#include "guard.h"
#include "limits.h"
#include "pins.h"

#define TICK_MS 4U
#define TIMER_COUNTS (F_CPU / 256UL * TICK_MS / 1000UL)
/* A MAX6675 needs up to 220 ms for a conversion, and starts anew whenever it is read. */
#define SAMPLE_TICKS (CHIP == 6675 ? 63U : 50U)
#define BAUD_DIVIDER 51 /* 16 MHz, double speed: 38462 baud */
#define SEND_BYTES 320U /* the longest T and a greeting's two answers */
#define RECEIVE_BYTES 64U /* a power of two */
#define WAIT_TURNS 2000U
#define TRIPS_AT 0
#define BOOTS_AT 16

static struct guard guard;

/* --- from the first instruction on ---------------------------------------------------------------------------- */

static uint8_t reset_cause __attribute__((section(".noinit")));

/* Before anything else: outputs low, watchdog off. A bootloader that has cleared MCUSR leaves its copy in r2. */
__attribute__((naked, used, section(".init3"))) static void first(void)
{
    uint8_t from_bootloader;
    __asm__ volatile("mov %0, r2" : "=r"(from_bootloader));
    PORTD = 0;
    PORTB = 0;
    DDRD = MASK_OF(PIN_OVEN_HEATER) | MASK_OF(PIN_TANK_HEATER) | MASK_OF(PIN_CONTACTOR);
    DDRB = MASK_OF(PIN_SOUNDER) | MASK_OF(PIN_AGITATOR);
    reset_cause = MCUSR & 15;
    if (reset_cause == 0) {
        reset_cause = from_bootloader & 15;
    }
    MCUSR = 0;
    wdt_disable();
}

/* --- clock ---------------------------------------------------------------------------------------------------- */

static volatile uint8_t ticks;

ISR(TIMER0_COMPA_vect)
{
    ticks++;
}

/* --- serial line ---------------------------------------------------------------------------------------------- */

static volatile uint8_t received[RECEIVE_BYTES];
static volatile uint8_t received_in, received_out;
static volatile uint16_t overruns;
static char to_send[SEND_BYTES];
static volatile uint16_t send_in, send_out;

/* A flipped bit in a place must not read or write outside its buffer: telemetry would march through the whole address
 * space, output registers included. Both buffers' places are brought back inside wherever they are used. */
static uint16_t inside(uint16_t place)
{
    return place < SEND_BYTES ? place : 0;
}

ISR(USART_RX_vect)
{
    const uint8_t status = UCSR0A;
    uint8_t byte = UDR0;
    const uint8_t place = received_in & (RECEIVE_BYTES - 1U);
    const uint8_t next = (place + 1U) & (RECEIVE_BYTES - 1U);
    if ((status & (1 << DOR0)) != 0) {
        overruns++;
    }
    if ((status & (1 << FE0)) != 0) {
        byte = 0;
    }
    if (next == received_out) {
        overruns++;
        return;
    }
    received[place] = byte;
    received_in = next;
}

ISR(USART_UDRE_vect)
{
    if (send_out == send_in) {
        UCSR0B &= (uint8_t)~(1 << UDRIE0);
        return;
    }
    const uint16_t place = inside(send_out);
    UDR0 = (uint8_t)to_send[place];
    send_out = inside(place + 1U);
}

static uint16_t send_room(void)
{
    uint16_t out;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { out = inside(send_out); }
    const uint16_t in = inside(send_in);
    const uint16_t used = in >= out ? in - out : SEND_BYTES - out + in;
    return SEND_BYTES - 1U - used;
}

/* A whole frame, or nothing of it. */
static void send(const char *text, uint8_t length)
{
    if (length > send_room()) {
        return;
    }
    uint16_t place = inside(send_in);
    for (uint8_t byte = 0; byte < length; byte++) {
        to_send[place] = text[byte];
        place = inside(place + 1U);
    }
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        send_in = place;
        UCSR0B |= (1 << UDRIE0);
    }
}

static bool next_received(uint8_t *byte)
{
    const uint8_t out = received_out & (RECEIVE_BYTES - 1U);
    if (out == received_in) {
        return false;
    }
    *byte = received[out];
    received_out = (out + 1U) & (RECEIVE_BYTES - 1U);
    return true;
}

/* --- thermocouple chips --------------------------------------------------------------------------------------- */

static bool spi_failed;

/* One byte out, one in. A bus that does not answer in time fails the whole round. */
static uint8_t exchange(uint8_t byte)
{
    uint16_t turns = WAIT_TURNS;
    SPDR = byte;
    while ((SPSR & (1 << SPIF)) == 0) {
        if (--turns == 0) {
            spi_failed = true;
            return 0xFF;
        }
    }
    return SPDR;
}

/* All three lines change in one write. A decoder's spike meanwhile only starts a conversion anew, and all chips are
 * read within a few milliseconds of each other. */
static void select_chip(uint8_t output)
{
    const uint8_t lines = (uint8_t)((output & 1U) << BIT_OF(PIN_SELECT_0) | (output >> 1 & 1U) << BIT_OF(PIN_SELECT_1) |
                                    (output >> 2 & 1U) << BIT_OF(PIN_SELECT_2));
    const uint8_t all = MASK_OF(PIN_SELECT_0) | MASK_OF(PIN_SELECT_1) | MASK_OF(PIN_SELECT_2);
    PORT_OF(PIN_SELECT_0) = (uint8_t)((PORT_OF(PIN_SELECT_0) & ~all) | lines);
    _delay_us(1);
}

#if CHIP != 6675
static int32_t rounded(int32_t number, int32_t divisor)
{
    const int32_t half = divisor / 2;
    return (number < 0 ? number - half : number + half) / divisor;
}
#endif

static void set_sample(struct guard_sample *sample, uint8_t sensor, char letter, int32_t value)
{
    sample->letter[sensor] = letter;
    sample->value[sensor] = value;
}

#if CHIP == 31855 || CHIP == 6675

static void read_bytes(uint8_t output, uint8_t *bytes, uint8_t count)
{
    select_chip(output);
    for (uint8_t place = 0; place < count; place++) {
        bytes[place] = exchange(0);
    }
    select_chip(SELECT_NONE);
}

#endif

#if CHIP == 31855

static void start_chips(void)
{
}

/* 32 bits: 14 of the thermocouple in 1/4 degree, 0, fault; 12 of the cold junction in 1/16 degree, 0, short to
 * supply, short to ground, open. */
static void read_chip(struct guard_sample *sample, uint8_t sensor, uint8_t output, int32_t *cold)
{
    uint8_t bytes[4];
    read_bytes(output, bytes, 4);
    const uint16_t high = (uint16_t)(bytes[0] << 8 | bytes[1]);
    const uint16_t low = (uint16_t)(bytes[2] << 8 | bytes[3]);
    const int32_t value = (int32_t)((int16_t)(high & 0xFFFCU) / 4) * 25;
    *cold = rounded((int32_t)((int16_t)(low & 0xFFF0U) / 16) * 25, 4);
    const bool nothing = (high == 0 && low == 0) || (high & 2U) != 0 || (low & 8U) != 0;
    char letter = '-';
    if (nothing || ((high & 1U) != 0) != ((low & 7U) != 0)) {
        letter = 'X';
        *cold = 0;
    } else if ((low & 1U) != 0) {
        letter = 'O';
    } else if ((low & 2U) != 0) {
        letter = 'G';
    } else if ((low & 4U) != 0) {
        letter = 'V';
    } else if (value < -27000 || value > 137200 || *cold < -4000 || *cold > 12500) {
        letter = 'R';
    }
    set_sample(sample, sensor, letter, value);
}

#elif CHIP == 6675

static void start_chips(void)
{
}

/* 16 bits: 0, 12 of the thermocouple in 1/4 degree, open, 0, undefined. */
static void read_chip(struct guard_sample *sample, uint8_t sensor, uint8_t output, int32_t *cold)
{
    uint8_t bytes[2];
    read_bytes(output, bytes, 2);
    const uint16_t word = (uint16_t)(bytes[0] << 8 | bytes[1]);
    const bool nothing = (word & 0xFFFEU) == 0 || (word & 0x8002U) != 0;
    *cold = 0;
    set_sample(sample, sensor, nothing ? 'X' : (word & 4U) != 0 ? 'O' : '-', (int32_t)(word >> 3 & 0xFFFU) * 25);
}

#elif CHIP == 31856

/* CR0: convert all the time, look for open wires, the mains' frequency. CR1: no averaging, type K. */
#define CR0_FILTER (MAINS_HZ == 50 ? 0x01 : 0x00)
#define CR0_WANTED (0x90 | CR0_FILTER)
#define CR1_WANTED 0x03
#define WRITE 0x80
/* The test for open wires takes up to 1.6 s; until then nothing is known. */
#define BLIND_ROUNDS 10

static uint8_t blind_rounds[SENSORS];
static bool was_configured[SENSORS];

static void start_chips(void)
{
    SPCR |= (1 << CPHA);
}

/* The filter may only be changed while the chip does not convert. */
static void configure(uint8_t sensor, uint8_t output)
{
    static const uint8_t STEPS[3][2] = {{WRITE | 0, CR0_FILTER}, {WRITE | 1, CR1_WANTED}, {WRITE | 0, CR0_WANTED}};
    for (uint8_t step = 0; step < 3; step++) {
        select_chip(output);
        exchange(STEPS[step][0]);
        exchange(STEPS[step][1]);
        select_chip(SELECT_NONE);
    }
    blind_rounds[sensor] = BLIND_ROUNDS;
}

/* Registers 0 to 15 in one go; what was configured is read back every time. One round that differs may be a disturbed
 * one, and to configure a chip costs its next ten rounds, a trip: only a second one in a row says that it forgot. */
static void read_chip(struct guard_sample *sample, uint8_t sensor, uint8_t output, int32_t *cold)
{
    uint8_t bytes[16];
    select_chip(output);
    exchange(0);
    for (uint8_t place = 0; place < sizeof bytes; place++) {
        bytes[place] = exchange(0);
    }
    select_chip(SELECT_NONE);
    const int32_t raw = (int32_t)((uint32_t)bytes[12] << 24 | (uint32_t)bytes[13] << 16 | (uint32_t)bytes[14] << 8);
    const int32_t value = rounded(raw / 8192 * 25, 32);
    *cold = rounded((int32_t)((int16_t)(bytes[10] << 8 | bytes[11]) / 4) * 25, 16);
    const bool configured = bytes[0] == CR0_WANTED && bytes[1] == CR1_WANTED;
    char letter = '-';
    if (!configured) {
        letter = 'X';
        if (!was_configured[sensor]) {
            configure(sensor, output);
        }
    } else if (blind_rounds[sensor] > 0) {
        letter = 'X';
        blind_rounds[sensor]--;
    } else if ((bytes[15] & 0x01) != 0) {
        letter = 'O';
    } else if ((bytes[15] & 0x02) != 0) {
        letter = 'V';
    } else if (bytes[15] != 0 || *cold < -4000 || *cold > 12500) {
        letter = 'R';
    }
    was_configured[sensor] = configured;
    if (letter == 'X') {
        *cold = 0;
    }
    set_sample(sample, sensor, letter, value);
}

#else
#error "CHIP must be 31855, 31856 or 6675"
#endif

/* Where no chip is, nothing may answer. */
static bool is_empty(uint8_t output)
{
    select_chip(output);
    const uint8_t first_byte = exchange(0);
    const uint8_t second_byte = exchange(0);
    select_chip(SELECT_NONE);
    return (first_byte & second_byte) == 0xFF;
}

static void read_chips(struct guard_sample *sample)
{
    static const uint8_t OUTPUT_OF[SENSORS] = {SELECT_OVEN, SELECT_OVEN_LIMIT, SELECT_TANK, SELECT_TANK_LIMIT,
                                               SELECT_PART};
    bool first_fitted = true;
    bool lines_good = true;
    spi_failed = false;
    sample->cold = 0;
    for (uint8_t sensor = 0; sensor < SENSORS; sensor++) {
        int32_t cold = 0;
        set_sample(sample, sensor, 'N', 0);
        if ((FITTED >> sensor & 1) != 0) {
            read_chip(sample, sensor, OUTPUT_OF[sensor], &cold);
            if (first_fitted) {
                sample->cold = cold;
                first_fitted = false;
            }
        }
    }
    lines_good = is_empty(SELECT_EMPTY_A) && lines_good;
    lines_good = is_empty(SELECT_EMPTY_B) && lines_good;
    lines_good = (SELECT_PART == SELECT_EMPTY_C || is_empty(SELECT_EMPTY_C)) && lines_good;
    lines_good = is_empty(SELECT_NONE) && lines_good;
    if (!lines_good || spi_failed) {
        for (uint8_t sensor = 0; sensor < SENSORS; sensor++) {
            set_sample(sample, sensor, 'X', 0);
        }
    }
}

/* --- contacts, currents, outputs ------------------------------------------------------------------------------ */

#define IS_LOW(...) ((PIN_OF(__VA_ARGS__) & MASK_OF(__VA_ARGS__)) == 0)

static uint8_t contacts(void)
{
    uint8_t bits = 0;
    bits |= IS_LOW(PIN_DOOR) ? 0 : INPUT_DOOR_OPEN;
    bits |= IS_LOW(PIN_STOP) ? INPUT_STOP_CLOSED : 0;
    bits |= IS_LOW(PIN_LEVEL) ? INPUT_LEVEL_GOOD : 0;
    bits |= IS_LOW(PIN_AGITATOR_TURNING) ? INPUT_AGITATOR_TURNING : 0;
    bits |= IS_LOW(PIN_SMOKE) ? 0 : INPUT_SMOKE;
    bits |= IS_LOW(PIN_ARM) ? INPUT_ARM_BUTTON : 0;
    bits |= IS_LOW(PIN_RESET) ? INPUT_RESET_BUTTON : 0;
    return bits;
}

/* One channel a tick, in turn: the result of the last conversion is taken, the next one begun. One that is not
 * ready counts as current. */
static uint8_t currents(void)
{
#if (FITTED & 96) != 0
    static uint8_t flowing, channel;
    const bool flows = (ADCSRA & (1 << ADSC)) != 0 || ADC >= CURRENT_COUNTS;
    flowing = (uint8_t)(flows ? flowing | 1U << channel : flowing & ~(1U << channel));
    channel = channel == 0 ? 1 : 0; /* a flipped bit is gone with the next tick */
    ADMUX = (uint8_t)(1 << REFS0 | (channel ? ADC_TANK_CURRENT : ADC_OVEN_CURRENT));
    ADCSRA |= (1 << ADSC);
    return flowing;
#else
    return 0;
#endif
}

#define WRITE_PIN(on, ...) \
    (PORT_OF(__VA_ARGS__) = (uint8_t)((on) ? PORT_OF(__VA_ARGS__) | MASK_OF(__VA_ARGS__) \
                                           : PORT_OF(__VA_ARGS__) & ~MASK_OF(__VA_ARGS__)))

/* Directions too: a flipped bit there would outlive every trip. */
static void write_outputs(uint8_t outputs)
{
    DDRD |= MASK_OF(PIN_OVEN_HEATER) | MASK_OF(PIN_TANK_HEATER) | MASK_OF(PIN_CONTACTOR);
    DDRB |= MASK_OF(PIN_SOUNDER) | MASK_OF(PIN_AGITATOR);
    WRITE_PIN((outputs & OUTPUT_OVEN) != 0, PIN_OVEN_HEATER);
    WRITE_PIN((outputs & OUTPUT_TANK) != 0, PIN_TANK_HEATER);
    WRITE_PIN((outputs & OUTPUT_CONTACTOR) != 0, PIN_CONTACTOR);
    WRITE_PIN((outputs & OUTPUT_SOUNDER) != 0, PIN_SOUNDER);
    WRITE_PIN((outputs & OUTPUT_AGITATOR) != 0, PIN_AGITATOR);
}

/* --- EEPROM --------------------------------------------------------------------------------------------------- */

static void read_eeprom(uint16_t from, uint8_t *bytes, uint8_t count)
{
    for (uint8_t place = 0; place < count; place++) {
        bytes[place] = eeprom_read_byte((const uint8_t *)(from + place));
    }
}

/* False: what was written is not what is read. */
static bool keep_boot(uint8_t slot, const uint8_t record[BOOTS_BYTES])
{
    const uint16_t at = (uint16_t)(BOOTS_AT + slot * BOOTS_BYTES);
    uint8_t kept[BOOTS_BYTES];
    for (uint8_t place = 0; place < BOOTS_BYTES; place++) {
        eeprom_update_byte((uint8_t *)(at + place), record[place]);
    }
    read_eeprom(at, kept, sizeof kept);
    bool same = true;
    for (uint8_t place = 0; place < BOOTS_BYTES; place++) {
        same = same && kept[place] == record[place];
    }
    return same;
}

/* At the boot, before anything may be on and before anybody is told the number; a byte takes 3.4 ms. */
static uint16_t count_boot(void)
{
    uint8_t cells[2 * BOOTS_BYTES];
    uint8_t record[BOOTS_BYTES];
    uint16_t boots;
    read_eeprom(BOOTS_AT, cells, sizeof cells);
    const uint8_t slot = guard_boots(cells, &boots, record);
    if (!keep_boot(slot, record)) {
        (void)keep_boot(slot == 0, record); /* a worn cell; the same number for ever would be worse than one slot */
    }
    return boots;
}

/* At most one byte, and only while none is being written. */
static void store(void)
{
    uint8_t address, value;
    if (eeprom_is_ready() && guard_store_next(&guard, &address, &value)) {
        eeprom_update_byte((uint8_t *)(uint16_t)(TRIPS_AT + address), value);
    }
}

/* --- all together --------------------------------------------------------------------------------------------- */

static void set_up(void)
{
    PORTD |= MASK_OF(PIN_STOP) | MASK_OF(PIN_ARM) | MASK_OF(PIN_RESET);
    PORTC = MASK_OF(PIN_DOOR) | MASK_OF(PIN_LEVEL) | MASK_OF(PIN_AGITATOR_TURNING) | MASK_OF(PIN_SELECT_0) |
            MASK_OF(PIN_SELECT_1) | MASK_OF(PIN_SELECT_2);
    DDRC = MASK_OF(PIN_SELECT_0) | MASK_OF(PIN_SELECT_1) | MASK_OF(PIN_SELECT_2);
    PORTB |= MASK_OF(PIN_SMOKE) | MASK_OF(PIN_MISO);
    DDRB |= MASK_OF(PIN_MOSI) | MASK_OF(PIN_SCK);
    SPCR = (1 << SPE) | (1 << MSTR) | (1 << SPR0); /* 1 MHz */
    start_chips();
    UBRR0 = BAUD_DIVIDER;
    UCSR0A = (1 << U2X0);
    UCSR0C = (1 << UCSZ01) | (1 << UCSZ00);
    UCSR0B = (1 << RXCIE0) | (1 << RXEN0) | (1 << TXEN0);
#if (FITTED & 96) != 0
    ADCSRA = (1 << ADEN) | (1 << ADPS2) | (1 << ADPS1) | (1 << ADPS0);
#endif
    OCR0A = TIMER_COUNTS - 1;
    TCCR0A = (1 << WGM01);
    TCCR0B = (1 << CS02);
    TIMSK0 = (1 << OCIE0A);
    set_sleep_mode(SLEEP_MODE_IDLE);
}

/* Sleep until an interrupt, unless there is something to do already. */
static void rest(uint8_t ticks_done)
{
    cli();
    if (ticks == ticks_done && received_in == received_out) {
        sleep_enable();
        sei();
        sleep_cpu();
        sleep_disable();
    }
    sei();
}

/* True every 250 ms on the average: 4 ms do not divide it. */
static bool telemetry_due(uint8_t passed)
{
    static uint16_t since_ms;
    const uint16_t passed_ms = (uint16_t)passed * TICK_MS;
    since_ms += passed_ms;
    if (since_ms < 250) {
        return false;
    }
    since_ms -= 250;
    return true;
}

int main(void)
{
    static char text[FRAME_BYTES + 4];
    static struct guard_sample sample;
    uint8_t cells[STORE_BYTES];
    uint8_t ticks_done = 0;
    uint8_t since_sample = 0;

    wdt_enable(WDTO_250MS);
    set_up();
    read_eeprom(TRIPS_AT, cells, sizeof cells);
    guard_boot(&guard, 0, contacts(), reset_cause, count_boot(), cells);
    send(text, guard_hello(&guard, text));
    sei();
    for (;;) {
        uint8_t byte;
        rest(ticks_done);
        /* The compiler keeps a zero in r1 and never sets it again: a flipped bit there would last for ever. */
        __asm__ __volatile__("clr __zero_reg__");
        while (next_received(&byte)) {
            send(text, guard_byte(&guard, guard.now, byte, send_room(), text));
            write_outputs(guard.outputs);
        }
        const uint8_t passed = (uint8_t)(ticks - ticks_done);
        if (passed == 0) {
            continue;
        }
        ticks_done = (uint8_t)(ticks_done + passed);
        const uint32_t now = guard.now + passed * TICK_MS;
        since_sample = (uint8_t)(since_sample + passed);
        const struct guard_sample *fresh = NULL;
        if (since_sample >= SAMPLE_TICKS) {
            since_sample = (uint8_t)(since_sample - SAMPLE_TICKS);
            read_chips(&sample);
            fresh = &sample;
        }
        guard_step(&guard, now, contacts(), currents(), fresh);
        write_outputs(guard.outputs);
        if (telemetry_due(passed)) {
            uint16_t lost;
            ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { lost = overruns; }
            send(text, guard_telemetry(&guard, lost, text));
        }
        store();
        /* The one place: a tick has come, the guard stepped to it, and the samples are not overdue. */
        if (guard.now == now && since_sample < SAMPLE_TICKS) {
            wdt_reset();
        }
    }
}
