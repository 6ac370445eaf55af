/*
 * How do numbers stand in a radio packet? Byte by byte, least significant first, whatever the processor.
 *
 * A struct copied whole would carry this compiler's padding and this processor's byte order; the other end may
 * have others.
 *
 *     packet            bytes   acknowledgement payload         bytes
 *     number        u16   0-1   packets applied            u16    0-1
 *     six pulses    u16   2-13  supply, mV                 u16    2-3
 *                               temperature, 0.1 degrees   i16    4-5
 *                               current, A                 f32    6-9   (IEEE 754 single precision)
 */
#ifndef WIRE_H
#define WIRE_H

#include <stdint.h>
#include <string.h>

#include "model.h"

#define PACKET_BYTES (2 + 2 * CHANNELS)
#define TELEMETRY_BYTES 10

static inline void put_u16(uint8_t *to, uint16_t value)
{
    to[0] = (uint8_t)value;
    to[1] = (uint8_t)(value >> 8);
}

static inline uint16_t get_u16(const uint8_t *from)
{
    return (uint16_t)(from[0] | (uint16_t)from[1] << 8);
}

/* A negative number travels as its two's complement: the cast keeps the bits. */
static inline int16_t get_i16(const uint8_t *from)
{
    return (int16_t)get_u16(from);
}

static inline void put_u32(uint8_t *to, uint32_t value)
{
    put_u16(to, (uint16_t)value);
    put_u16(to + 2, (uint16_t)(value >> 16));
}

static inline uint32_t get_u32(const uint8_t *from)
{
    return get_u16(from) | (uint32_t)get_u16(from + 2) << 16;
}

/* memcpy is the way to a float's bits: a pointer cast may break the aliasing rule and the alignment. */
static inline uint32_t float_bits(float value)
{
    uint32_t bits;
    memcpy(&bits, &value, sizeof bits);
    return bits;
}

static inline float get_f32(const uint8_t *from)
{
    uint32_t bits = get_u32(from);
    float value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

#endif
