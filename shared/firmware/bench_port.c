/*
 * The device's side of the bench protocol, version 1. What the calls mean stands in bench_port.h, what the
 * bytes mean in ../protocol.md.
 *
 * A frame coming in is decoded byte by byte: its checksum is run over every byte, but only what the longest
 * command needs is kept, so that a frame of 127 bytes costs no buffer of 127. A frame going out is built on
 * the stack and encoded where it stands. Numbers are copied as they lie in memory, which is as they lie on the
 * line: hence little-endian parts only.
 */
#include "bench_port.h"

#ifndef BENCH_DISABLED

#include <string.h>

#if defined(__BYTE_ORDER__) && __BYTE_ORDER__ != __ORDER_LITTLE_ENDIAN__
#error "this library copies numbers as they lie in memory: it is for little-endian parts"
#endif
#if BENCH_FIELDS < 1 || BENCH_FIELDS > 255
#error "BENCH_FIELDS must be 1 to 255: a field number is one byte, and an array has at least one element"
#endif

#define FOR_TRANSMITTER ((BENCH_ROLES & BENCH_ROLE_TRANSMITTER) != 0)
#define FOR_RECEIVER ((BENCH_ROLES & BENCH_ROLE_RECEIVER) != 0)
#define FOR_WITNESS ((BENCH_ROLES & BENCH_ROLE_WITNESS) != 0)

/* On an 8-bit AVR a constant stands in RAM unless it is fetched from flash by name. */
#if defined(__AVR__)
#include <avr/pgmspace.h>
#define IN_FLASH PROGMEM
#define FETCH(place) pgm_read_byte(&(place))
#define FETCH_HANDLER(place) ((handler)pgm_read_word(&(place)))
#else
#define IN_FLASH
#define FETCH(place) (place)
#define FETCH_HANDLER(place) (place)
#endif

/* A function kept as one body that takes its state by pointer: on an 8-bit AVR half the size of copies that
 * name each byte's address. */
#if defined(__clang__)
#define APART __attribute__((noinline))
#define IN_PLACE __inline__ __attribute__((always_inline))
#elif defined(__GNUC__)
#define APART __attribute__((noinline, noclone, used))
#define IN_PLACE __inline__ __attribute__((always_inline))
#else
#define APART
#define IN_PLACE
#endif

#define MAX_TEXT 24
#define MAX_LIST 16 /* channels or injected values in a command */
#define FIRST_TYPE_FROM_DEVICE 0x40
#define FIRST_SETTING_BIT 8 /* of setting 1, among the abilities */
#define CRC_START 0xFFFFU
#define MOST_AT_ONCE 250

/* A body is type u8, counter u16, payload, checksum u16. A frame is the byte that COBS adds, the body, 0x00. */
#define EMPTY_BODY 5
#define BODY_PAYLOAD 3
#define PAYLOAD 4 /* its place in a frame */
#define FRAME(payload) (1 + EMPTY_BODY + (payload) + 1)
#define LONGEST_IDENTITY (11 + 3 * (1 + MAX_TEXT))
#define LONGEST_REPORT (7 + 4 * BENCH_MAX_CHANNELS) /* Pulses, and a packet number that is passed over */
#define LONGEST_STICKS (3 + 2 * BENCH_MAX_CHANNELS)
#define LONGEST_INJECT (1 + 5 * (BENCH_FIELDS < MAX_LIST ? BENCH_FIELDS : MAX_LIST))
#define KEPT (BODY_PAYLOAD + (FOR_RECEIVER && LONGEST_INJECT > LONGEST_STICKS ? LONGEST_INJECT : LONGEST_STICKS))

enum {
    IDENTIFY = 0x01, PING = 0x02, KEEP_ALIVE = 0x03, RELEASE = 0x04, SETTING = 0x05, RESTART = 0x06,
    RESTART_AT = 0x07, STICKS = 0x10, BURST = 0x11, SILENCE = 0x12, DISTURB = 0x13, INJECT = 0x20,
    MUTE_ACKS = 0x21, DEAFEN = 0x22, IDENTITY = 0x41, PONG = 0x42, REPLY = 0x43, STARTED = 0x44, SENT = 0x50,
    TELEMETRY = 0x51, DISTURBED = 0x52, APPLIED = 0x60, OUTPUT_CHANGE = 0x61, COUNTERS = 0x62, PULSES = 0x70
};

/* What became of a command: a result of Reply, or no answer. */
#define DONE 0
#define UNKNOWN 1
#define OUT_OF_RANGE 2
#define BUSY 3
#define NO_REPLY 255

/* The build is what tells a bench build from another, so it is never cut away. */
static const char build[] = " " BENCH_BUILD;
#define BUILD_SIZE ((uint8_t)(sizeof(build) - 1))

/* Both are copied whole. An array of a negative size stops the build. */
typedef char build_fits_a_text[sizeof(build) <= MAX_TEXT + 1 ? 1 : -1];
typedef char totals_have_no_gaps[sizeof(bench_totals) == 16 ? 1 : -1];
typedef char pulses_have_no_gaps[sizeof(bench_pulse) == 4 ? 1 : -1];

typedef struct {
    uint32_t begin_us;
    uint32_t length_us; /* 0 once it is over */
    bool runs;
} span;

enum {
    WATCHED,
#if FOR_TRANSMITTER
    SILENT,
    DISTURBING,
#endif
#if FOR_RECEIVER
    MUTED,
    DEAF,
#endif
    SPANS
};

typedef struct {
    uint16_t left;
    uint32_t due_us; /* when the next packet is to start */
    uint32_t spacing_us;
} burst;

typedef struct {
    uint8_t kind;       /* enum bench_disturbance_kind; 0 when none was asked for, or all is told */
    uint16_t counts[2]; /* packets, acknowledged: as Disturbed has them */
} disturbance;

typedef struct {
    bool on;
    int32_t raw;
} injection;

/* What the harness set going, and what Release and the dead-man's switch therefore end. */
typedef struct {
    bool overridden;
    bool watched; /* a KeepAlive came */
    span spans[SPANS];
#if FOR_TRANSMITTER
    burst extra;
    disturbance other;
#endif
#if FOR_RECEIVER
    injection fields[BENCH_FIELDS];
#endif
} orders;

typedef struct {
    const bench_hooks *hooks;
    uint32_t now_us; /* of the call under way */
    uint8_t restart_wanted; /* RESTART, RESTART_AT, or 0 */
    bench_start start;
    uint16_t number; /* of the next message to the PC */
    uint16_t dropped;
    uint16_t bad_frames;
    bench_identity who; /* as the harness was told: commands are held to it */
    uint16_t crc;  /* of the body coming in; 0 at the end of a good one */
    uint8_t count; /* bytes since the last 0x00, up to BENCH_MAX_FRAME */
    uint8_t group; /* data bytes left in this COBS group */
    orders on;
    uint8_t small[FRAME(18)]; /* frames going out, the short ones; Counters is the longest of them */
    union {
        uint8_t body[KEPT];
        uint16_t words[KEPT / 2]; /* lets pulses be read where they stand */
    } in;
} port;

static port self;

/* CRC-16, polynomial 0x1021, a byte at a time without a table. */
static APART uint16_t crc_of(uint16_t crc, uint8_t byte)
{
    uint8_t mixed = (uint8_t)((uint8_t)(crc >> 8) ^ byte);
    uint8_t high;
    uint8_t low;
    mixed = (uint8_t)(mixed ^ (mixed >> 4));
    high = (uint8_t)((uint8_t)crc ^ (uint8_t)(mixed << 4) ^ (mixed >> 3));
    low = (uint8_t)(mixed ^ (uint8_t)(mixed << 5));
    return (uint16_t)((uint16_t)((uint16_t)high << 8) | low);
}

static APART uint8_t *put(uint8_t *to, const void *from, uint8_t size)
{
    const uint8_t *bytes = (const uint8_t *)from;
    for (; size > 0; size--) {
        *to++ = *bytes++;
    }
    return to;
}

static IN_PLACE void put16(uint8_t *to, uint16_t value)
{
    to[0] = (uint8_t)value;
    to[1] = (uint8_t)(value >> 8);
}

static IN_PLACE void put32(uint8_t *to, uint32_t value)
{
    put16(to, (uint16_t)value);
    put16(to + 2, (uint16_t)(value >> 16));
}

/* ---- to the PC ---- */

/* A message's number is used up whether or not it leaves: the gap is how the PC learns of the loss. */
static APART bool count_message(port *me, bool sent)
{
    me->number++;
    if (!sent && me->dropped != UINT16_MAX) {
        me->dropped++;
    }
    return sent;
}

/* Make a frame of the payload that stands in it, and write it. The CRC of a CRC's first byte leaves its second
 * on top, so both are taken from there. In a body this short COBS turns every zero into the distance to the
 * next one. */
static APART bool send(uint8_t *frame, uint8_t type, uint8_t size)
{
    uint16_t crc = CRC_START;
    uint8_t *zero = frame;
    uint8_t *at = frame;
    uint8_t left = (uint8_t)(size + EMPTY_BODY);
    frame[1] = type;
    memcpy(&frame[2], &self.number, 2);
    for (; left > 0; left--) {
        at++;
        if (left <= 2) {
            *at = (uint8_t)(crc >> 8);
        }
        crc = crc_of(crc, *at);
        if (*at == 0) {
            *zero = (uint8_t)(at - zero);
            zero = at;
        }
    }
    at++;
    *zero = (uint8_t)(at - zero);
    *at = 0;
    return count_message(&self, self.hooks->write(frame, (uint8_t)(size + FRAME(0))));
}

/* Send Pong, Reply, Started or Counters: some bytes, then four more. */
static APART bool answer(uint8_t type, const void *bytes, uint8_t count, uint32_t last)
{
    uint8_t *frame = self.small;
    put32(put(&frame[PAYLOAD], bytes, count), last);
    return send(frame, type, (uint8_t)(count + 4));
}

/* Send Telemetry, Applied, OutputChange or Pulses: all carry a time, and a list after its count. */
static APART bool report(uint16_t packet, uint32_t at_us, uint8_t extra, const void *list, uint8_t count,
                         uint8_t type)
{
    uint8_t frame[FRAME(LONGEST_REPORT)];
    uint8_t *begin = frame;
    uint8_t *to = &frame[PAYLOAD + 6];
    if (count > (type == TELEMETRY ? BENCH_MAX_TELEMETRY : BENCH_MAX_CHANNELS)) {
        return count_message(&self, false);
    }
    put16(&frame[PAYLOAD], packet);
    put32(&frame[PAYLOAD + 2], at_us);
    if (type > APPLIED) { /* OutputChange and Pulses have no packet */
        begin += 2;
    }
    if (type == APPLIED || type == OUTPUT_CHANGE) {
        *to++ = extra;
    }
    *to++ = count;
    if (type != TELEMETRY) {
        count = (uint8_t)(2 * count);
    }
    if (type == PULSES) {
        count = (uint8_t)(2 * count);
    }
    to = put(to, list, count);
    return send(begin, type, (uint8_t)(to - begin - PAYLOAD));
}

/* Put a text of at most `room` bytes without cutting a UTF-8 character in two; return its end. */
static APART uint8_t *put_text(uint8_t *at, const char *text, uint8_t room)
{
    uint8_t *to = at + 1;
    if (text != 0) {
        for (; room > 0 && *text != 0; room--) {
            *to++ = (uint8_t)*text++;
        }
        while (to != at + 1 && ((uint8_t)*text & 0xC0U) == 0x80U) {
            to--;
            text--;
        }
    }
    *at = (uint8_t)(to - at - 1);
    return to;
}

static APART void describe(port *me)
{
    memset(&me->who, 0, sizeof me->who);
    me->hooks->describe(&me->who);
}

static uint8_t take_identify(port *me, const uint8_t *payload)
{
    uint8_t frame[FRAME(LONGEST_IDENTITY)];
    uint8_t *at = &frame[PAYLOAD];
    uint8_t *text;
    (void)payload;
    describe(me);
    at[0] = BENCH_PROTOCOL_VERSION;
    at[1] = me->who.role;
    at[2] = me->who.channels;
    put32(&at[3], me->who.packet_rate_mhz);
    put32(&at[7], me->who.abilities);
    text = put_text(&at[11], me->who.firmware, MAX_TEXT);
    at = put(put_text(text, me->who.version, MAX_TEXT - BUILD_SIZE), build, BUILD_SIZE);
    *text = (uint8_t)(*text + BUILD_SIZE);
    at = put_text(at, me->who.serial, MAX_TEXT);
    (void)send(frame, IDENTITY, (uint8_t)(at - &frame[PAYLOAD]));
    return NO_REPLY;
}

/* ---- time ---- */

static APART uint32_t clock_us(const port *me)
{
    return me->hooks->micros();
}

#if FOR_TRANSMITTER
/* Whether the next packet of a burst was due by then; if so it is taken off. */
static APART bool take_due(burst *extra, uint32_t by_us)
{
    if (extra->left == 0 || (int32_t)(by_us - extra->due_us) < 0) {
        return false;
    }
    extra->left--;
    extra->due_us += extra->spacing_us;
    return true;
}

/* Whether no packet of its own may go out. */
static IN_PLACE bool is_closed(const port *me)
{
    return me->on.spans[SILENT].runs || (me->on.spans[DISTURBING].runs && me->on.other.kind != BENCH_BESIDE);
}

/* A disturbance is over: tell what became of it. */
static APART void end_disturbance(port *me, uint32_t at_us)
{
    disturbance *other = &me->on.other;
    uint8_t *frame = me->small;
    if (other->kind != 0) {
        frame[PAYLOAD] = other->kind;
        put32(&frame[PAYLOAD + 1], at_us);
        (void)put(&frame[PAYLOAD + 5], other->counts, 4);
        memset(other, 0, sizeof *other);
        (void)send(frame, DISTURBED, 9);
    }
}
#endif

/* Bring everything up to now. A span that is over is forgotten, lest it come again when the clock wraps; its
 * beginning then says when it ended. What is due of a burst in a silence, or while other packets go out in place of
 * the own, is dropped; so many at once are as good as back to back, and the rest goes with them. */
static APART void advance(port *me)
{
    span *one = me->on.spans;
    uint32_t now_us = clock_us(me);
    uint8_t left;
    me->now_us = now_us;
    for (left = SPANS; left > 0; left--, one++) {
        uint32_t since_us = now_us - one->begin_us;
        one->runs = since_us < one->length_us;
        if (!one->runs && (int32_t)since_us >= 0) {
            one->begin_us += one->length_us;
            one->length_us = 0;
        }
    }
#if FOR_TRANSMITTER
    for (left = MOST_AT_ONCE; is_closed(me) && take_due(&me->on.extra, now_us); left--) {
        if (left == 0) {
            me->on.extra.left = 0;
        }
    }
#endif
}

static APART uint8_t let_go(port *me, const uint8_t *payload)
{
    (void)payload;
    if (me->on.overridden) { /* an address is given for hooks that copy without looking at the count */
        me->hooks->sticks(0, me->in.words, 0);
    }
#if FOR_TRANSMITTER
    end_disturbance(me, me->now_us);
#endif
    memset(&me->on, 0, sizeof me->on);
    return NO_REPLY;
}

/* The dead-man's switch acts here alone, not in the questions that a maker asks while handling a packet. */
static APART void look(port *me)
{
    advance(me);
#if FOR_TRANSMITTER
    if (me->on.spans[DISTURBING].length_us == 0) { /* begin_us is then its end */
        end_disturbance(me, me->on.spans[DISTURBING].begin_us);
    }
#endif
    if (me->on.watched && !me->on.spans[WATCHED].runs) {
        (void)let_go(me, 0);
    }
}

/* ---- commands ---- */

static uint8_t take_ping(port *me, const uint8_t *payload)
{
    (void)answer(PONG, payload, 4, clock_us(me));
    return NO_REPLY;
}

static uint8_t take_keep_alive(port *me, const uint8_t *payload)
{
    (void)payload;
    me->on.watched = true;
    me->on.spans[WATCHED].begin_us = me->now_us;
    me->on.spans[WATCHED].length_us = 1000UL * BENCH_DEAD_MAN_MS;
    return NO_REPLY;
}

/* A loop, for an 8-bit part shifts by one place at a time anyway. */
static APART bool has_bit(uint16_t bits, uint8_t place)
{
    for (; place > 0; place--) {
        bits >>= 1;
    }
    return (bits & 1U) != 0;
}

static uint8_t take_setting(port *me, const uint8_t *payload)
{
    int32_t value;
    uint8_t setting = payload[0];
    if (setting > BENCH_RETRANSMIT_DELAY || setting == 0 || me->hooks->setting == 0
        || !has_bit(me->who.abilities, (uint8_t)(FIRST_SETTING_BIT - 1 + setting))) {
        return UNKNOWN;
    }
    memcpy(&value, &payload[1], 4);
    return me->hooks->setting(setting, value) ? DONE : OUT_OF_RANGE;
}

/* Restart and RestartAt; the first leaves values that nobody asks for. */
static uint8_t take_restart(port *me, const uint8_t *payload)
{
    (void)put((uint8_t *)&me->start, payload, 6);
    me->restart_wanted = me->in.body[0];
    return DONE;
}

#if FOR_TRANSMITTER
static uint8_t take_sticks(port *me, const uint8_t *payload)
{
    const uint16_t *words = me->in.words; /* type, counter, set number, count: the pulses are the fourth on */
    uint16_t set_number;
    uint8_t count = payload[2];
    if (me->hooks->sticks == 0) {
        return UNKNOWN;
    }
    if (count > me->who.channels) {
        return OUT_OF_RANGE;
    }
    memcpy(&set_number, payload, 2);
    me->on.overridden = (set_number | count) != 0;
    me->hooks->sticks(set_number, words + 3, count);
    return NO_REPLY;
}

/* Spans of 2^31 us and more are refused: half of the clock is kept to tell before from after. */
static uint8_t take_burst(port *me, const uint8_t *payload)
{
    burst *extra = &me->on.extra;
    if (extra->left > 0) {
        return BUSY;
    }
    if (payload[5] >= 0x80) {
        return OUT_OF_RANGE;
    }
    memcpy(&extra->left, payload, 2);
    memcpy(&extra->spacing_us, &payload[2], 4);
    extra->due_us = me->now_us;
    return DONE;
}
#endif

#if FOR_TRANSMITTER || FOR_RECEIVER
static APART uint8_t start_span(port *me, uint8_t which, const uint8_t *times)
{
    span *one = &me->on.spans[which];
    if ((times[3] | times[7]) >= 0x80) {
        return OUT_OF_RANGE;
    }
    (void)put((uint8_t *)one, times, 8);
    one->begin_us += me->now_us;
    return DONE;
}
#endif

#if FOR_TRANSMITTER
static uint8_t take_silence(port *me, const uint8_t *payload)
{
    uint8_t result = start_span(me, SILENT, payload);
    if (result == DONE) {
        me->on.spans[DISTURBING].length_us = 0;
        end_disturbance(me, me->now_us);
    }
    return result;
}

/* A refused one leaves the one that runs alone. */
static uint8_t take_disturb(port *me, const uint8_t *payload)
{
    uint8_t result = OUT_OF_RANGE;
    if (has_bit(me->who.disturbances & 0xFEU, payload[0])) { /* there is no kind 0 */
        result = start_span(me, DISTURBING, &payload[1]);
    }
    if (result == DONE) {
        end_disturbance(me, me->now_us);
        me->on.other.kind = payload[0];
    }
    return result;
}
#endif

#if FOR_RECEIVER
static uint8_t take_mute_acks(port *me, const uint8_t *payload)
{
    return start_span(me, MUTED, payload);
}

static uint8_t take_deafen(port *me, const uint8_t *payload)
{
    return start_span(me, DEAF, payload);
}
#endif

#if FOR_RECEIVER
/* Looks at every field before it changes one, so that a refused message changes nothing. More values than
 * there are fields are refused: so many were not kept. */
static uint8_t take_inject(port *me, const uint8_t *payload)
{
    const uint8_t *value = payload + 1;
    uint8_t count = payload[0];
    uint8_t i;
    for (i = 0; i < count; i++) {
        if (count > BENCH_FIELDS || value[5 * i] >= BENCH_FIELDS) {
            return OUT_OF_RANGE;
        }
    }
    for (; count > 0; count--, value += 5) {
        injection *field = &me->on.fields[*value];
        field->on = true;
        memcpy(&field->raw, value + 1, 4);
    }
    return DONE;
}
#endif

typedef uint8_t (*handler)(port *me, const uint8_t *payload);

typedef struct {
    uint8_t type;
    uint8_t ability; /* bit of an enum bench_ability, or ANY */
    uint8_t size;    /* of the payload without its list; a list's count is the last byte of that */
    uint8_t each;    /* bytes of the payload for each element of the list; 0 without a list */
    handler take;
} command;

#define ANY 15 /* a bit that every device has */

static const command commands[] IN_FLASH = {
#if FOR_TRANSMITTER
    {STICKS, 0, 3, 2, take_sticks},
    {BURST, 1, 6, 0, take_burst},
    {SILENCE, 2, 8, 0, take_silence},
    {DISTURB, 7, 9, 0, take_disturb},
#endif
#if FOR_RECEIVER
    {INJECT, 3, 1, 5, take_inject},
    {MUTE_ACKS, 4, 8, 0, take_mute_acks},
    {DEAFEN, 13, 8, 0, take_deafen},
#endif
    {PING, ANY, 4, 0, take_ping},
    {KEEP_ALIVE, ANY, 0, 0, take_keep_alive},
    {IDENTIFY, ANY, 1, 0, take_identify},
    {RELEASE, ANY, 0, 0, let_go},
    {SETTING, ANY, 5, 0, take_setting},
    {RESTART, 5, 0, 0, take_restart},
    {RESTART_AT, 6, 6, 0, take_restart},
};
#define COMMANDS ((uint8_t)(sizeof(commands) / sizeof(commands[0])))

/* Whether a payload has the length that fits the command. A count that was not sent reads as a byte that was,
 * or as an old one: the length is then wrong whatever it says. */
static bool fits(const command *one, const uint8_t *payload, uint8_t length)
{
    uint8_t size = FETCH(one->size);
    uint8_t each = FETCH(one->each);
    if (each != 0) {
        uint8_t count = payload[size - 1];
        if (count > MAX_LIST) {
            return false;
        }
        size = (uint8_t)(size + each * count);
    } else if (size == 1 && length > 1 && payload[0] > BENCH_PROTOCOL_VERSION) {
        return true; /* Identify: a later version may add bytes */
    }
    return size == length;
}

static uint8_t carry_out(port *me, uint8_t length)
{
    const uint8_t *payload = &me->in.body[BODY_PAYLOAD];
    const command *one = commands;
    uint8_t left = COMMANDS;
    for (; FETCH(one->type) != me->in.body[0]; one++) {
        if (--left == 0) {
            return UNKNOWN;
        }
    }
    if (!fits(one, payload, length)) {
        me->bad_frames++;
        return NO_REPLY;
    }
    if (!has_bit((uint16_t)(me->who.abilities | 1U << ANY), FETCH(one->ability))) {
        return UNKNOWN;
    }
    return FETCH_HANDLER(one->take)(me, payload);
}

static APART void obey(port *me, uint8_t length)
{
    uint8_t *body = me->in.body;
    uint8_t result;
    if (body[0] >= FIRST_TYPE_FROM_DEVICE) {
        return;
    }
    look(me);
    result = carry_out(me, length);
    if (result != NO_REPLY) {
        body[BODY_PAYLOAD] = result; /* behind type and counter, as Reply has them */
        (void)answer(REPLY, body, BODY_PAYLOAD + 1, me->now_us);
    }
}

/* ---- from the PC ---- */

static APART void end_frame(port *me)
{
    uint8_t count = me->count;
    bool good = me->group == 0 && me->crc == 0;
    me->count = 0;
    me->group = 0;
    me->crc = CRC_START;
    if (good && count > EMPTY_BODY && count < BENCH_MAX_FRAME) {
        obey(me, (uint8_t)(count - 1 - EMPTY_BODY));
    } else if (count > 0) {
        me->bad_frames++;
    }
}

/* Every byte after the first of a frame is one byte of the body: itself, or the zero it stands for. */
static APART void take_byte(port *me, uint8_t byte)
{
    uint8_t count = me->count;
    uint8_t group = me->group;
    if (count == BENCH_MAX_FRAME) {
        return; /* too long for a frame: wait for its end */
    }
    me->count = (uint8_t)(count + 1);
    if (group == 0) {
        group = byte;
        byte = 0;
    }
    me->group = (uint8_t)(group - 1);
    if (count != 0) {
        me->crc = crc_of(me->crc, byte);
        if (count <= KEPT) {
            me->in.body[count - 1] = byte;
        }
    }
}

void bench_received(const uint8_t *bytes, uint16_t count)
{
    for (; count > 0; count--) {
        uint8_t byte = *bytes++;
        if (byte == 0) {
            end_frame(&self);
        } else {
            take_byte(&self, byte);
        }
    }
}

static void begin(port *me, const bench_hooks *hooks, uint8_t cause)
{
    memset(me, 0, sizeof *me);
    me->crc = CRC_START;
    me->hooks = hooks;
    describe(me);
    me->in.body[0] = cause;
    (void)answer(STARTED, me->in.body, 1, clock_us(me));
}

void bench_begin(const bench_hooks *hooks, uint8_t cause)
{
    begin(&self, hooks, cause);
}

void bench_loop(void)
{
    look(&self);
}

/* ---- questions ---- */

bool bench_overridden(void)
{
    return self.on.overridden;
}

bool bench_restart_wanted(void)
{
    return self.restart_wanted != 0;
}

const bench_start *bench_restart_at(void)
{
    return self.restart_wanted == RESTART_AT ? &self.start : 0;
}

uint16_t bench_dropped(void)
{
    return self.dropped;
}

uint16_t bench_bad_frames(void)
{
    return self.bad_frames;
}

#if FOR_TRANSMITTER

bool bench_silent(void)
{
    advance(&self);
    return self.on.spans[SILENT].runs;
}

bool bench_burst_due(void)
{
    advance(&self);
    return take_due(&self.on.extra, self.now_us);
}

uint8_t bench_disturbance(void)
{
    advance(&self);
    return self.on.spans[DISTURBING].runs ? self.on.other.kind : 0;
}

/* One that comes after the end was told is told by nobody. */
void bench_disturbed(bool acknowledged)
{
    disturbance *other = &self.on.other;
    if (other->kind != 0 && other->counts[0] != UINT16_MAX) {
        other->counts[0]++;
        other->counts[1] = (uint16_t)(other->counts[1] + acknowledged);
    }
}

bool bench_sent(uint16_t packet, uint16_t set_number, uint32_t at_us, uint32_t took_us, uint8_t attempts,
                uint8_t flags)
{
    uint8_t *frame = self.small;
    put16(&frame[PAYLOAD], packet);
    put16(&frame[PAYLOAD + 2], set_number);
    put32(&frame[PAYLOAD + 4], at_us);
    put16(&frame[PAYLOAD + 8], (took_us >> 16) != 0 ? UINT16_MAX : (uint16_t)took_us);
    frame[PAYLOAD + 10] = attempts;
    frame[PAYLOAD + 11] = flags;
    return send(frame, SENT, 12);
}

bool bench_telemetry(uint16_t packet, uint32_t at_us, const uint8_t *payload, uint8_t count)
{
    return report(packet, at_us, 0, payload, count, TELEMETRY);
}

#endif
#if FOR_RECEIVER

bool bench_muted(void)
{
    advance(&self);
    return self.on.spans[MUTED].runs;
}

bool bench_deaf(void)
{
    advance(&self);
    return self.on.spans[DEAF].runs;
}

bool bench_injected(uint8_t field, int32_t *raw)
{
    if (field >= BENCH_FIELDS || !self.on.fields[field].on) {
        return false;
    }
    *raw = self.on.fields[field].raw;
    return true;
}

bool bench_applied(uint16_t packet, uint32_t at_us, int8_t signal_dbm, const uint16_t *outputs_us, uint8_t count)
{
    return report(packet, at_us, (uint8_t)signal_dbm, outputs_us, count, APPLIED);
}

bool bench_output_change(uint32_t at_us, uint8_t reason, const uint16_t *outputs_us, uint8_t count)
{
    return report(0, at_us, reason, outputs_us, count, OUTPUT_CHANGE);
}

/* The last four bytes are the last of the totals, and the library's own count behind it. */
bool bench_counters(const bench_totals *totals)
{
    return answer(COUNTERS, totals, 14, totals->free_memory | (uint32_t)self.bad_frames << 16);
}

#endif
#if FOR_WITNESS

bool bench_pulses(uint32_t at_us, const bench_pulse *pulses, uint8_t count)
{
    return report(0, at_us, 0, pulses, count, PULSES);
}

#endif
#endif
