/*
 * How do six servo pulses come out of six pins? One after the other, 50 times a second, on PB0 to PB5.
 *
 *     |<------------------- frame, 20 ms ------------------->|
 *     | pulse 0 | pulse 1 | ... | pulse 5 |       gap        |
 */
#ifndef SERVO_H
#define SERVO_H

#include <stdint.h>

#include "model.h"

/* Begin with these pulses (us). */
void servo_begin(const uint16_t pulses_us[CHANNELS]);
/* Use these pulses (us, held within 500 to 2500) from the next frame on, all together. */
void servo_set(const uint16_t pulses_us[CHANNELS]);
/* The pulse (us) that a pin gives when asked for this one. */
uint16_t servo_clamped(uint16_t pulse_us);
/* Begin no further frame, and return when the last pulse has ended: 15 ms at most. */
void servo_stop(void);
/* Frames begun since start; wraps. */
uint8_t servo_frames(void);

#endif
