#include "board.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "bench_port.h"

#define OVERFLOW_US 32768UL
#define LONGEST_SLEEP_US 30000L /* below one turn of the timer, so that the alarm is never ambiguous */
#define SHORTEST_SLEEP_US 8L    /* a compare value set later than its time would wait a whole turn */
#define MEANT_TO 0x5EA5U
#define MEANT_WITH 0xA55EU /* likewise, with a clock and a number */
#define COUNTING 0xD07EU

/* Memory that no start clears. At power-on it holds anything at all: hence the magic words. */
static uint8_t reset_flags __attribute__((section(".noinit")));
static uint16_t meant __attribute__((section(".noinit")));
static uint16_t next_number __attribute__((section(".noinit")));
static uint32_t next_start_us __attribute__((section(".noinit")));
static uint16_t counting __attribute__((section(".noinit")));
static uint16_t restarts __attribute__((section(".noinit")));

static uint8_t cause;
static bool has_number;
static uint32_t start_us = (uint32_t)CLOCK_START_US;
static volatile uint32_t overflowed_us;

/* Runs before main and before variables are set up: after a watchdog reset the watchdog is still on, at its
 * shortest time, and would bite again during a longer start. */
void board_keep_flags(void) __attribute__((naked, used, section(".init3")));
void board_keep_flags(void)
{
    reset_flags = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

/* Power first: a rising supply often sets the brown-out and the external flag as well. */
static uint8_t cause_of(uint8_t flags, bool was_meant)
{
    if (flags & _BV(PORF))
        return BENCH_START_POWER;
    if (flags & _BV(BORF))
        return BENCH_START_BROWN_OUT;
    if (flags & _BV(WDRF))
        return was_meant ? BENCH_START_COMMAND : BENCH_START_WATCHDOG;
    if (flags & _BV(EXTRF))
        return BENCH_START_EXTERNAL;
    return BENCH_START_UNKNOWN;
}

static void look_at_start(void)
{
    cause = cause_of(reset_flags, meant == MEANT_TO || meant == MEANT_WITH);
    has_number = cause == BENCH_START_COMMAND && meant == MEANT_WITH;
    if (has_number)
        start_us = next_start_us;
    overflowed_us = start_us; /* nothing counts yet */
    meant = 0;
    if (cause == BENCH_START_POWER || counting != COUNTING)
        restarts = 0;
    else
        restarts++;
    counting = COUNTING;
}

void board_begin(void)
{
    look_at_start();
    wdt_enable(WDTO_500MS);
    TCCR1A = 0;
    TCCR1B = _BV(CS11); /* normal mode, clock / 8 */
    TIMSK1 = _BV(TOIE1) | _BV(OCIE1B);
    ADMUX = _BV(REFS0);
    set_sleep_mode(SLEEP_MODE_IDLE); /* deeper sleep would stop the timer and the serial ports */
    sleep_enable();
    sei();
}

/* The part takes the bit only when it is written twice within four cycles: no interrupt in between. */
void board_free_port_c(void)
{
    uint8_t before = SREG;
    cli();
    uint8_t off = MCUCR | _BV(JTD);
    MCUCR = off;
    MCUCR = off;
    SREG = before;
}

/* Neither of these need keep others waiting. */
ISR(TIMER1_OVF_vect, ISR_NOBLOCK)
{
    overflowed_us += OVERFLOW_US;
}

ISR(TIMER1_COMPB_vect, ISR_NOBLOCK)
{
    board_wake();
}

/* Timer and carry must belong together: with interrupts off, an overflow may be pending that is not counted yet. */
static inline __attribute__((always_inline)) uint32_t read_clock(uint16_t *ticks)
{
    uint8_t before = SREG;
    cli();
    uint16_t count = TCNT1;
    uint32_t carried_us = overflowed_us;
    uint8_t flags = TIFR1;
    SREG = before;
    *ticks = count;
    if ((flags & _BV(TOV1)) && count < 0x8000)
        carried_us += OVERFLOW_US;
    return carried_us;
}

uint32_t board_micros(void)
{
    uint16_t ticks;
    uint32_t carried_us = read_clock(&ticks);
    return carried_us + ticks / 2;
}

uint32_t board_ticks_at(uint16_t count)
{
    uint16_t ticks;
    uint32_t carried_us = read_clock(&ticks);
    return carried_us * 2 + ticks - (uint16_t)(ticks - count);
}

uint32_t board_ticks(void)
{
    uint16_t ticks;
    uint32_t carried_us = read_clock(&ticks);
    return carried_us * 2 + ticks;
}

/* Call with interrupts off, after a look at what is waited for: sei lets one more instruction pass before any
 * interrupt, so none can slip in between look and sleep and be slept over. The nop is for the emulator, which
 * takes an interrupt that was already waiting one instruction later still. */
static inline void sleep_once(void)
{
    sei();
    sleep_cpu();
    __asm__ __volatile__("nop");
    cli();
}

void board_wait_until(uint32_t due)
{
    int32_t left_us = (int32_t)(due - board_micros());
    if (left_us > LONGEST_SLEEP_US)
        left_us = LONGEST_SLEEP_US;
    cli();
    if (left_us < SHORTEST_SLEEP_US)
        board_wake();
    else
        OCR1B = TCNT1 + (uint16_t)left_us * 2;
    while (!(GPIOR0 & BOARD_WORK))
        sleep_once();
    GPIOR0 &= (uint8_t)~BOARD_WORK;
    sei();
}

void board_nap(void)
{
    sei(); /* lets one more instruction pass: see sleep_once */
    sleep_cpu();
}

EMPTY_INTERRUPT(ADC_vect) /* only wakes */

static uint16_t convert(uint8_t input)
{
    ADMUX = _BV(REFS0) | input;
    ADCSRA |= _BV(ADSC);
    cli();
    while (ADCSRA & _BV(ADSC))
        sleep_once();
    sei();
    return ADC;
}

/* The converter is on only here: idle sleep starts a conversion by itself if it finds the converter on. */
void board_analog(uint8_t first, uint8_t count, uint16_t *values)
{
    ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0); /* 125 kHz */
    for (uint8_t i = 0; i < count; i++)
        values[i] = convert(first + i);
    ADCSRA = 0;
}

void board_feed_watchdog(void)
{
    wdt_reset();
}

void board_start_with(uint32_t clock_us, uint16_t number)
{
    next_start_us = clock_us;
    next_number = number;
    meant = MEANT_WITH;
}

uint16_t board_number(uint16_t otherwise)
{
    return has_number ? next_number : otherwise;
}

uint32_t board_start_us(void)
{
    return start_us;
}

void board_restart(void)
{
    cli();
    if (meant != MEANT_WITH)
        meant = MEANT_TO;
    wdt_enable(WDTO_15MS);
    wdt_reset(); /* the emulator counts by the new time only from here */
    for (;;) {
    }
}

uint8_t board_cause(void)
{
    return cause;
}

uint16_t board_restarts(void)
{
    return restarts;
}

extern uint8_t __heap_start; /* from the linker: the first byte after all variables */

uint16_t board_free_memory(void)
{
    return SP - (uint16_t)&__heap_start;
}
