/* A program for the tests of the harness alone. It answers each byte with the next one, toggles D6 at every overrun,
 * keeps D5 high for 30 ms in every 100, and does what some letters say. */
#include <avr/eeprom.h>
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

static volatile uint16_t milliseconds;
static uint8_t cause __attribute__((section(".noinit")));

void early(void) __attribute__((naked, section(".init3"), used));
void early(void)
{
    cause = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

ISR(TIMER0_COMPA_vect)
{
    milliseconds++;
}

static void stand_still(void)
{
    for (;;) {
    }
}

ISR(USART_RX_vect)
{
    uint8_t status = UCSR0A, byte = UDR0;
    while (!(UCSR0A & 1 << UDRE0)) {
    }
    UDR0 = byte + 1;
    if (status & 1 << DOR0)
        PIND = 1 << 6;
    if (byte == 'e')
        eeprom_update_byte((uint8_t *)5, byte);
    if (byte == 'j')
        stand_still();
    if (byte == 'w') /* off the end of the program */
        ((void (*)(void))0x3F00)();
    if (byte == 'o') /* where the chip has no memory */
        for (uint16_t at = RAMEND + 1; at >= RAMEND + 1; at += 4)
            *(volatile uint8_t *)at = 0;
    if (byte == 's') /* deaf for 40 ms */
        for (volatile uint32_t i = 0; i < 30000; i++) {
        }
    if (byte == 'i') {
        while (!(UCSR0A & 1 << UDRE0)) {
        }
        UDR0 = PINC;
    }
}

int main(void)
{
    DDRD |= 0x60;
    UCSR0A = 1 << U2X0;
    UBRR0 = 51;
    UCSR0B = 1 << RXEN0 | 1 << TXEN0 | 1 << RXCIE0;
    UDR0 = '0' + cause;
    TCCR0A = 2;
    TCCR0B = 3;
    OCR0A = 249;
    TIMSK0 = 2;
    wdt_enable(WDTO_250MS);
    sei();
    for (uint16_t last = 0;;) {
        cli();
        uint16_t now = milliseconds;
        sei();
        if (now != last) {
            last = now;
            wdt_reset();
            if (now % 100 < 30)
                PORTD |= 1 << 5;
            else
                PORTD &= (uint8_t)~(1 << 5);
        }
        sleep_mode();
    }
}
