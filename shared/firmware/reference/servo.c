#include "servo.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "board.h"
#include "faults.h"

#define FRAME_TICKS 40000U /* of 0.5 us: 20 ms */
#define SHORTEST_US 500
#define LONGEST_US 2500
#define PINS 0x3F /* PB0 to PB5 */

/* The interrupt comes this much before its edge and waits for the exact tick. An interrupt begins late by as
 * long as another one is at work or interrupts are off, here 6 us at most; waiting takes that out of the edge. */
#define EARLY_TICKS 20U

/* The pin of each pulse, and none after the last. */
static const uint8_t PIN[CHANNELS + 1] = {
    _BV(PB0), _BV(PB1), FAULT_PINS_SWAPPED ? _BV(PB3) : _BV(PB2), FAULT_PINS_SWAPPED ? _BV(PB2) : _BV(PB3),
    _BV(PB4), _BV(PB5), 0,
};

/* Sets of pulses: one for the frame under way, one for the next, one to write in. So a frame never shows a mixture,
 * and no edge waits while a set is copied. */
#define SETS 3
static uint16_t ticks[SETS][CHANNELS];
static volatile uint8_t shown, wanted;
static const uint16_t *next_ticks;       /* in the set shown */
static uint16_t edge, frame_start;       /* in ticks of timer 1 */
static volatile uint8_t pulse;           /* begins at `edge`; CHANNELS: the train ends there */
static volatile uint8_t frames;

uint16_t servo_clamped(uint16_t pulse_us)
{
    if (pulse_us < SHORTEST_US)
        return SHORTEST_US;
    return pulse_us > LONGEST_US ? LONGEST_US : pulse_us;
}

static uint16_t ticks_of(uint16_t pulse_us)
{
    return servo_clamped(pulse_us) * 2 + FAULT_PIN_OFFSET_TICKS;
}

/* The low byte is enough this close to the edge, and makes the shortest loop: 6 cycles, 0.4 us. */
static inline void wait_for(uint8_t tick)
{
    while ((int8_t)(TCNT1L - tick) < 0) {
    }
}

static inline void begin_frame(void)
{
    frame_start = edge;
    shown = wanted;
    next_ticks = ticks[shown];
    frames++;
    if (FAULT_ACK_FIRST)
        board_wake();
}

ISR(TIMER1_COMPA_vect)
{
    uint8_t now = pulse;
    uint8_t port = (PORTB & (uint8_t)~PINS) | PIN[now];
    wait_for((uint8_t)edge);
    PORTB = port; /* one write: a pulse ends exactly as the next begins */
    if (now == 0)
        begin_frame();
    if (now < CHANNELS) {
        edge += *next_ticks++;
        pulse = now + 1;
    } else {
        edge = frame_start + FRAME_TICKS;
        pulse = 0;
    }
    OCR1A = edge - EARLY_TICKS;
}

void servo_begin(const uint16_t pulses_us[CHANNELS])
{
    servo_set(pulses_us);
    PORTB &= (uint8_t)~PINS;
    DDRB |= PINS;
    cli();
    edge = TCNT1 + 2 * EARLY_TICKS;
    OCR1A = edge - EARLY_TICKS;
    TIFR1 = _BV(OCF1A);
    TIMSK1 |= _BV(OCIE1A);
    sei();
}

/* For FAULT_TORN_UPDATE: changes the set that is being shown. */
static void change_shown(const uint16_t pulses_us[CHANNELS])
{
    volatile uint32_t each = 1000; /* each byte is worked out anew, and that takes its time */
    for (uint8_t i = 0; FAULT_TORN_UPDATE == 2 && i < CHANNELS; i++) {
        uint16_t whole = ticks_of(pulses_us[i]);
        cli();
        ticks[shown][i] = whole;
        sei();
    }
    for (uint8_t byte = 0; FAULT_TORN_UPDATE == 1 && byte < 2; byte++) {
        for (uint8_t i = 0; i < CHANNELS; i++) {
            uint16_t whole = ticks_of((uint16_t)(pulses_us[i] * 1000UL / each));
            ((uint8_t *)&ticks[shown][i])[byte] = (uint8_t)(whole >> 8 * byte);
        }
    }
}

void servo_set(const uint16_t pulses_us[CHANNELS])
{
    if (FAULT_TORN_UPDATE) {
        change_shown(pulses_us);
        return;
    }
    uint8_t spare = 0;
    while (spare == shown || spare == wanted)
        spare++;
    for (uint8_t i = 0; i < CHANNELS; i++)
        ticks[spare][i] = ticks_of(pulses_us[i]);
    board_publish();
    wanted = spare; /* one byte, last of all: a frame that begins now takes the old set whole or the new one */
}

void servo_stop(void)
{
    cli(); /* between look and switch no pulse may begin: its pin would stay high */
    while (pulse != 0) {
        board_nap();
        cli();
    }
    TIMSK1 &= (uint8_t)~_BV(OCIE1A);
    sei();
}

uint8_t servo_frames(void)
{
    return frames;
}
