/* The serial line. The receiver is our own, because the emulator's is 64 bytes deep, never overruns, and keeps the
 * wrong time: here a byte takes ten bits of the host's clock, and the fourth unread one is lost and sets DOR, as in
 * the chip (two in the buffer, one in the shift register). For tests only; see board.h. */
#include "inside.h"

#include <simavr/avr_uart.h>
#include <simavr/sim_core.h>
#include <simavr/sim_time.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define UCSR0A 0xC0
#define UCSR0B 0xC1
#define UDR0 0xC6
#define DEPTH 3
#define WAITING 65536

static avr_uart_t *uart;
static uint8_t unread[DEPTH], unread_count;
static uint8_t waiting[WAITING];
static uint32_t waiting_first, waiting_count;
static uint64_t due_hundredths; /* when the next byte is whole, in hundredths of a cycle */
static uint32_t byte_hundredths = 416667;
static uint64_t received, lost, sent;

static avr_cycle_count_t byte_arrives(struct avr_t *mcu, avr_cycle_count_t when, void *parameter);

static void schedule(void)
{
    uint64_t now = board_now() * 100;
    if (due_hundredths < now)
        due_hundredths = now;
    avr_cycle_timer_register(avr, (due_hundredths - now) / 100 + 1, byte_arrives, NULL);
}

static void take(uint8_t byte)
{
    received++;
    if (!avr_regbit_get(avr, uart->rxen))
        return;
    if (unread_count == DEPTH) {
        lost++;
        avr_regbit_set(avr, uart->dor);
        board_note(EVENT_OVERRUN, byte, 0, 0);
        return;
    }
    unread[unread_count++] = byte;
    avr_raise_interrupt(avr, &uart->rxc);
}

static avr_cycle_count_t byte_arrives(struct avr_t *mcu, avr_cycle_count_t when, void *parameter)
{
    (void)mcu, (void)when, (void)parameter;
    if (!waiting_count)
        return 0;
    uint8_t byte = waiting[waiting_first];
    waiting_first = (waiting_first + 1) % WAITING;
    waiting_count--;
    due_hundredths += byte_hundredths;
    take(byte);
    if (waiting_count)
        schedule();
    return 0;
}

static uint8_t data_read(struct avr_t *mcu, avr_io_addr_t address, void *parameter)
{
    (void)parameter;
    uint8_t byte = unread[0];
    if (unread_count)
        memmove(unread, unread + 1, --unread_count);
    avr_regbit_clear(mcu, uart->dor);
    avr_clear_interrupt(mcu, &uart->rxc);
    avr_regbit_clear(mcu, uart->rxc.raised);
    if (unread_count)
        avr_raise_interrupt(mcu, &uart->rxc);
    mcu->data[address] = byte;
    return byte;
}

static uint8_t status_read(struct avr_t *mcu, avr_io_addr_t address, void *parameter)
{
    (void)parameter;
    return mcu->data[address];
}

static avr_io_write_t control_write;
static void *control_parameter;

/* Interrupts switched on while a byte waits are raised at once. */
static void receiver_control(struct avr_t *mcu, avr_io_addr_t address, uint8_t value, void *parameter)
{
    (void)parameter;
    if (control_write)
        control_write(mcu, address, value, control_parameter);
    else
        mcu->data[address] = value;
    if (!avr_regbit_get(mcu, uart->rxen))
        unread_count = 0;
    if (unread_count)
        avr_raise_interrupt(mcu, &uart->rxc);
}

static void byte_sent(struct avr_irq_t *irq, uint32_t value, void *parameter)
{
    (void)irq, (void)parameter;
    sent++;
    board_note(EVENT_SENT, (uint8_t)value, 0, 0);
}

void line_own(void)
{
    for (avr_io_t *io = avr->io_port; io; io = io->next)
        if (!strcmp(io->kind, "uart"))
            uart = (avr_uart_t *)io;
    if (!uart) {
        fprintf(stderr, "the emulator has no serial line\n");
        exit(2);
    }
    uart->flags = 0;
    avr->io[AVR_DATA_TO_IO(UDR0)].r.c = data_read;
    avr->io[AVR_DATA_TO_IO(UCSR0A)].r.c = status_read;
    control_write = avr->io[AVR_DATA_TO_IO(UCSR0B)].w.c;
    control_parameter = avr->io[AVR_DATA_TO_IO(UCSR0B)].w.param;
    avr->io[AVR_DATA_TO_IO(UCSR0B)].w.c = receiver_control;
    avr_irq_register_notify(
        avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), byte_sent, NULL);
}

/* A reset empties the receiver; what is on the wire goes on coming. */
void line_restart(void)
{
    unread_count = 0;
    if (waiting_count)
        schedule();
}

void line_counts(struct board_counts *counts)
{
    counts->received = received;
    counts->lost = lost;
    counts->sent = sent;
}

void board_receive(const uint8_t *bytes, uint32_t number)
{
    if (!number)
        return;
    if (waiting_count + number > WAITING) {
        fprintf(stderr, "more than %d bytes wait on the line\n", WAITING);
        exit(3);
    }
    uint32_t before = waiting_count;
    for (uint32_t i = 0; i < number; i++)
        waiting[(waiting_first + waiting_count++) % WAITING] = bytes[i];
    if (!before) {
        uint64_t whole = board_now() * 100 + byte_hundredths;
        if (due_hundredths < whole)
            due_hundredths = whole;
        schedule();
    }
}

void board_drop_pending(void)
{
    waiting_count = 0;
}

void board_line_cycles(uint32_t hundredths_a_byte)
{
    byte_hundredths = hundredths_a_byte;
}
