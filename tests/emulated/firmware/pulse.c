/* A pulse train on PD5, made by the compare unit of timer 1 itself: WIDTH cycles high, GAP cycles low. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

#ifdef BUSY /* instructions of two cycles all the time, in place of sleep */
#define WAIT() __asm__ volatile("rjmp 1f\n1: rjmp 2f\n2:")
#else
#define WAIT() sleep_mode()
#endif

#ifndef WIDTH
#define WIDTH 24000 /* 1500 us */
#endif
#ifndef GAP
#define GAP 40000
#endif

ISR(TIMER1_COMPA_vect) { OCR1A += bit_is_set(PIND, 5) ? WIDTH : GAP; }

int main(void)
{
    DDRD = 1 << 5;
    OCR1A = GAP;
    TCCR1A = 1 << COM1A0;
    TCCR1B = 1 << CS10;
    TIMSK1 = 1 << OCIE1A;
    sei();
    for (;;)
        WAIT();
}
