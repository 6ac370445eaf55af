/*
 * What does the board itself do for us? Time, sleep, analogue inputs, the watchdog, and why it started.
 *
 * An 8-bit AVR board at 16 MHz (the part that -mmcu names). Timer 1 counts half microseconds in normal mode:
 *
 *     overflow    every 32.768 ms: carries into the 32-bit clock
 *     compare A   servo edges (servo.c)
 *     compare B   the alarm that ends board_wait_until
 */
#ifndef BOARD_H
#define BOARD_H

#include <avr/io.h>
#include <stdbool.h>
#include <stdint.h>

#ifndef CLOCK_START_US
#define CLOCK_START_US 0 /* what the clock shows at start; tests set it near the wrap */
#endif

/* Call this first in main. Interrupts are on after it. */
void board_begin(void);
/* PC2 to PC5 are the part's JTAG pins, and as it leaves the factory JTAG is on: call this before using port C. */
void board_free_port_c(void);

/* Microseconds, wrapping at 2^32 (after 71.6 minutes). Compare times by their signed difference. Not for use in
 * interrupts: none of these, for a carry may be on its way. */
uint32_t board_micros(void);
/* Half microseconds, wrapping at 2^32. */
uint32_t board_ticks(void);
/* The same at the moment when timer 1 stood at `count`, not more than 32 ms ago. */
uint32_t board_ticks_at(uint16_t count);

/* Whether `now` is at or after `due`, across the wrap. Good for spans up to 35 minutes. */
static inline bool board_reached(uint32_t now, uint32_t due) { return (int32_t)(now - due) >= 0; }
/* The earlier of two instants. */
static inline uint32_t board_sooner(uint32_t a, uint32_t b) { return board_reached(a, b) ? b : a; }

/* For an interrupt that leaves work for the loop: ends board_wait_until. A bit in a spare register of the processor
 * takes one instruction and no working register, which a variable would. */
#define BOARD_WORK 0x01
static inline void board_wake(void) { GPIOR0 |= BOARD_WORK; }
/* Sleep until there is work or `due`; for 30 ms at most. */
void board_wait_until(uint32_t due);
/* Sleep until the next interrupt, whatever it is for. Call it with interrupts off after a look at what is waited for,
 * so that none slips in between; they are on afterwards. */
void board_nap(void);

/* Between filling a place of a ring and the store of the volatile index that hands it over (or between emptying and
 * giving back): the compiler may move an ordinary access across a volatile one, but not across this. */
static inline void board_publish(void) { __asm__ __volatile__("" ::: "memory"); }

/* Convert `count` analogue inputs from ADC`first` on; 0 to 1023 each, against the supply. Takes about 0.1 ms each. */
void board_analog(uint8_t first, uint8_t count, uint16_t *values);

void board_feed_watchdog(void);
/* Start anew through the watchdog, and know afterwards that it was meant. Never returns. */
void board_restart(void);
/* Before board_restart: let the clock begin with `clock_us`, and hand `number` on to the next life. */
void board_start_with(uint32_t clock_us, uint16_t number);
/* The number that was handed on to this life, or `otherwise`. */
uint16_t board_number(uint16_t otherwise);
/* What the clock showed at the start. */
uint32_t board_start_us(void);
/* Why the device started: enum bench_cause. */
uint8_t board_cause(void);
/* Starts since power was applied, the first not counted. */
uint16_t board_restarts(void);
/* Bytes between the variables and the stack now. */
uint16_t board_free_memory(void);

#endif
