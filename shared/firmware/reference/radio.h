/*
 * How does the processor talk with its radio module? In frames on the second serial port, at 500 000 bit/s.
 *
 *     kind u8 | length u8 | payload, `length` bytes | checksum u8: all bytes of the frame add up to 0 (mod 256)
 *
 * The module repeats packets, filters repeats and attaches the acknowledgement payload by itself, as common
 * packet transceivers do. On a board with one serial port the module hangs on SPI instead: only radio.c changes.
 */
#ifndef RADIO_H
#define RADIO_H

#include <stdbool.h>
#include <stdint.h>

#define RADIO_MAX_PAYLOAD 40
#define RADIO_MAX_PACKET 32

enum radio_kind {
    RADIO_START = 0xA0,       /* to the module: {role}; forget everything, answer with RADIO_READY */
    RADIO_SEND = 0xA1,        /* sender: {packet}; ends with RADIO_DONE */
    RADIO_ANSWER = 0xA2,      /* listener: {payload} of the next acknowledgements */
    RADIO_ACKNOWLEDGE = 0xA3, /* listener: {0 or 1} */
    RADIO_STOP = 0xA4,        /* sender: {}; no further attempts, ends with RADIO_DONE */
    RADIO_DONE = 0xB0,        /* from the module: {attempts, acknowledged, acknowledgement payload} */
    RADIO_PACKET = 0xB1,      /* listener: {packet} */
    RADIO_READY = 0xB2        /* {} */
};

enum radio_role { RADIO_SENDER = 1, RADIO_LISTENER = 2 };

typedef struct {
    uint8_t kind; /* enum radio_kind */
    uint8_t length;
    uint8_t payload[RADIO_MAX_PAYLOAD];
} radio_frame;

void radio_begin(void);
/* Queue a frame for the module, whole. False if there is no room. */
bool radio_put(uint8_t kind, const uint8_t *payload, uint8_t length);
/* Take the next whole frame that came, if there is one. */
bool radio_get(radio_frame *frame);
/* Frames dropped for a wrong checksum since start; wraps. */
uint32_t radio_bad_frames(void);

#endif
