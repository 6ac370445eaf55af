/*
 * How do numbers stand in a radio packet? Byte by byte, least significant first, whatever the processor.
 *
 * A struct copied whole would carry this compiler's padding and this processor's byte order; the other end may
 * have others.
 *
 *     packet            bytes   acknowledgement payload         bytes
 *     identity      u8    0     packets applied            u16    0-1
 *     number        u16   1-2   supply, mV                 u16    2-3
 *     six pulses    u16   3-14  temperature, 0.1 degrees   i16    4-5
 *     check         u8    15    current, A                 f32    6-9   (IEEE 754 single precision)
 *
 * The identity says whose packet it is, for a radio module's address may be another model's too. The check covers
 * everything before it: what the module's own checksum found good can still be damaged on its way to the processor.
 */
#ifndef WIRE_H
#define WIRE_H

#include <stdint.h>
#include <string.h>

#include "model.h"

#define IDENTITY_AT 0
#define NUMBER_AT 1
#define PULSES_AT 3
#define CHECK_AT (PULSES_AT + 2 * CHANNELS)
#define PACKET_BYTES (CHECK_AT + 1)
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

/* CRC-8 of SAE J1850: polynomial 0x1D (x^8 + x^4 + x^3 + x^2 + 1), most significant bit first, beginning with 0xFF,
 * inverted at the end. In a packet of up to 31 bytes it finds every error of up to two bits; 0x07 and its like do so
 * up to 15 only. */
static inline uint8_t crc8(const uint8_t *bytes, uint8_t count)
{
    uint8_t crc = 0xFF;
    for (; count > 0; count--) {
        crc ^= *bytes++;
        for (uint8_t bit = 0; bit < 8; bit++)
            crc = (uint8_t)(crc & 0x80 ? crc << 1 ^ 0x1D : crc << 1);
    }
    return (uint8_t)~crc;
}

/* memcpy is the way to a float's bits: a pointer cast may break the aliasing rule and the alignment. */
static inline uint32_t float_bits(float value)
{
    uint32_t bits;
    memcpy(&bits, &value, sizeof bits);
    return bits;
}

static inline float float_of(uint32_t bits)
{
    float value;
    memcpy(&value, &bits, sizeof value);
    return value;
}

static inline float get_f32(const uint8_t *from)
{
    return float_of(get_u32(from));
}

#endif
