/* Marks each change of PC0 with its new level; asleep in between, so always equally late. The pull-up is on. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

ISR(PCINT2_vect) { GPIOR0 = PINC & 1; }

int main(void)
{
    PORTC = 1;
    PCMSK2 = 1;
    PCICR = 1 << PCIE2;
    sei();
    for (;;)
        sleep_mode();
}
