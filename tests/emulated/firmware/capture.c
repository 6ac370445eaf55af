/* Marks the level of PC0 at the start, with 16 added, and then each new one; asleep in between, so always
 * equally late. The pull-up is on. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>

ISR(PCINT2_vect) { GPIOR0 = PINC & 1; }

int main(void)
{
    PORTC = 1;
    GPIOR0 = 16 | (PINC & 1);
    PCMSK2 = 1;
    PCICR = 1 << PCIE2;
    sei();
    for (;;)
        sleep_mode();
}
