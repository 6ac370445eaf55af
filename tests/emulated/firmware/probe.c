/* Says why it started and how often since its memory was lost; then does what single letters tell it to. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <util/delay.h>

static uint8_t starts __attribute__((section(".noinit")));
static uint16_t known __attribute__((section(".noinit")));

static void say(uint8_t byte)
{
    loop_until_bit_is_set(UCSR0A, UDRE0);
    UDR0 = byte;
}

static uint8_t hear(void)
{
    loop_until_bit_is_set(UCSR0A, RXC0);
    return UDR0;
}

static void watch(void)
{
    cli();
    wdt_enable(WDTO_15MS);
}

static void measure(uint8_t input)
{
    ADMUX = (uint8_t)(1 << REFS0 | (input & 7));
    ADCSRA = 1 << ADEN | 1 << ADSC | 7;
    loop_until_bit_is_clear(ADCSRA, ADSC);
    say(ADCL);
    say(ADCH);
}

static void obey(uint8_t letter)
{
    switch (letter) {
    case 'c': /* crash: jump to the last word of an empty flash, and on */
        ((void (*)(void))0xffff)();
        break;
    case 'd': /* sleep deaf, but for the watchdog */
        watch();
        UCSR0B |= 1 << RXCIE0;
        sleep_mode();
        say('!');
        break;
    case 'f': /* five bytes into a transmitter that holds two */
        for (uint8_t i = 0; i < 5; i++)
            UDR0 = 'a' + i;
        break;
    case 'h': /* sleep deaf: for ever */
        cli();
        sleep_mode();
        break;
    case 'p': /* look away for 5 ms, then send back what waited */
        _delay_ms(5);
        while (bit_is_set(UCSR0A, RXC0))
            say(UDR0);
        break;
    case 's': /* write where there is no memory */
        *(volatile uint8_t *)0xfff0 = 1;
        break;
    case 'w': /* hang, until the watchdog bites */
        watch();
        for (;;)
            ;
    case 't': /* a byte while the transmitter is off */
        UCSR0B = 1 << RXEN0;
        UDR0 = 'x';
        break;
    default:
        measure(letter);
    }
}

int main(void)
{
    uint8_t cause = MCUSR;
#ifndef KEEP_FLAGS
    MCUSR = 0;
#endif
    wdt_disable();
    if (known != 0x5a5a)
        starts = 0;
    known = 0x5a5a;
    starts++;
    UCSR0A = 1 << U2X0;
    UBRR0 = 16;
    UCSR0B = 1 << RXEN0 | 1 << TXEN0;
    PORTB = DDRB = 2;
    sei();
    say(cause);
    say(starts);
    for (;;)
        obey(hear());
}
