/* Sends back what comes in on either UART, on the same one, and sleeps in between. PB0 is high meanwhile. An L
 * takes long. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <util/delay.h>

#ifndef DIVISOR
#define DIVISOR 16 /* 117647 bit/s at double speed and 16 MHz */
#endif
#ifndef FORMAT
#define FORMAT (1 << UCSZ01 | 1 << UCSZ00) /* 8N1 */
#endif

ISR(USART0_RX_vect)
{
    PORTB |= 1;
    uint8_t byte = UDR0;
    if (byte == 'L')
        _delay_us(300);
    UDR0 = byte;
    PORTB &= (uint8_t)~1;
}

ISR(USART1_RX_vect) { UDR1 = UDR1; }

int main(void)
{
    DDRB = 1;
    UBRR0 = DIVISOR;
    UCSR0A = 1 << U2X0;
    UCSR0C = FORMAT;
    UCSR0B = 1 << RXEN0 | 1 << TXEN0 | 1 << RXCIE0;
    UBRR1 = 1; /* 500000 bit/s */
    UCSR1B = 1 << RXEN1 | 1 << TXEN1 | 1 << RXCIE1;
    sei();
    for (;;)
        sleep_mode();
}
