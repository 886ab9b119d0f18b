/* The smallest rig: an ATmega328P at 16 MHz, its UART at 115200 Bd, no library but the line's header.
 *
 *   avr-gcc -std=c99 -Os -mmcu=atmega328p -o rig.elf rig_atmega328p.c
 *
 * It reads one MAX31855: clock PB5, data from the chip PB4, select PB2 (3.3 V parts). The project's tests run it in
 * a simulated processor.
 */
#define F_CPU 16000000UL
#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "stokewatch_line.h"

#define PERIOD_MS 500u

static volatile uint32_t ticks;

ISR(TIMER0_COMPA_vect) { ticks++; }

static uint32_t now_ms(void)
{
    uint32_t now;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { now = ticks; }
    return now;
}

static void put(void *port, char byte)
{
    (void)port;
    while (!(UCSR0A & (1 << UDRE0))) {}
    UDR0 = (uint8_t)byte;
}

static void read_word(uint8_t word[4])
{
    uint8_t i;
    PORTB &= (uint8_t)~(1 << PB2);
    for (i = 0; i < 32; i++) {
        PORTB |= 1 << PB5;
        word[i / 8] = (uint8_t)(word[i / 8] << 1 | ((PINB >> PB4) & 1));
        PORTB &= (uint8_t)~(1 << PB5);
    }
    PORTB |= 1 << PB2;
}

int main(void)
{
    struct sw_line line = {put, 0, 0, 0};
    uint32_t seq = 0, due = 0, now;
    uint8_t word[4], heard = 0;

    DDRB = (1 << PB5) | (1 << PB2);
    PORTB = (1 << PB4) | (1 << PB2); /* a pull-up: a missing chip reads as all ones */
    OCR0A = 249;                     /* 16 MHz / 64 / 250: a tick each millisecond */
    TCCR0A = 1 << WGM01;
    TCCR0B = (1 << CS01) | (1 << CS00);
    TIMSK0 = 1 << OCIE0A;
    UCSR0A = 1 << U2X0;
    UBRR0 = 16; /* 117,647 Bd, 2.1 % fast: the best this clock can do, and near enough */
    UCSR0B = (1 << TXEN0) | (1 << RXEN0);
    sei();

    sw_about(&line, "b2", PERIOD_MS, "\"k0\":\"max31855\"");
    for (;;) {
        if (UCSR0A & (1 << RXC0) && sw_asked(&heard, (char)UDR0)) sw_about(&line, "b2", PERIOD_MS, "\"k0\":\"max31855\"");
        now = now_ms();
        if ((int32_t)(now - due) < 0) continue;
        due += PERIOD_MS;
        read_word(word);
        sw_begin(&line, "b2", seq++, now);
        sw_raw(&line, "k0", "max31855", word, 4);
        sw_end(&line);
    }
}
