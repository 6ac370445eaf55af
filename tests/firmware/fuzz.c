/*
 * Any bytes at all, any passing of time, a port that is full at times: the library neither leaves its memory nor
 * writes anything but whole frames whose numbers run on, and does no more than was asked.
 *
 * With libFuzzer see fuzz.sh. With -DPLAIN_FUZZ a program that reads inputs from standard input: each a length
 * (two bytes, least significant first) and that many bytes.
 */
#include <stdio.h>
#include <stdlib.h>

#include "bench_port.h"

#define CHANNELS 6
#define PIECE 80
#define ALL_ABILITIES 0x3FFF

static const uint8_t *input;
static size_t left;
static uint32_t now_us;
static uint32_t refusals; /* a bit for each of the next frames */
static uint16_t number;   /* of the next frame that may come */
static uint16_t lost;

#ifdef __cplusplus
extern "C"
#endif
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);

static void must(bool holds)
{
    if (!holds) {
        abort();
    }
}

static uint8_t next(void)
{
    if (left == 0) {
        return 0;
    }
    left--;
    return *input++;
}

static uint16_t crc_bit_by_bit(const uint8_t *bytes, uint8_t count)
{
    uint32_t crc = 0xFFFF;
    uint8_t i;
    for (i = 0; i < count; i++) {
        int bit;
        crc ^= (uint32_t)bytes[i] << 8;
        for (bit = 0; bit < 8; bit++) {
            crc = (crc & 0x8000) != 0 ? (crc << 1) ^ 0x1021 : crc << 1;
        }
    }
    return (uint16_t)(crc & 0xFFFF);
}

/* Undo COBS, and hold the body to what protocol.md says of every frame. */
static void check_frame(const uint8_t *frame, uint8_t count)
{
    uint8_t body[BENCH_MAX_FRAME];
    uint8_t size = 0;
    uint8_t at = 0;
    must(count >= 7 && count <= BENCH_MAX_FRAME && frame[count - 1] == 0);
    while (at < count - 1) {
        uint8_t code = frame[at++];
        must(code > 0 && at + code - 1 <= count - 1);
        for (; code > 1; code--) {
            must(frame[at] != 0);
            body[size++] = frame[at++];
        }
        if (at < count - 1) {
            body[size++] = 0;
        }
    }
    must(size == count - 2 && crc_bit_by_bit(body, size) == 0);
    must(body[0] >= 0x40 && body[0] < 0x80);
    must((body[1] | body[2] << 8) == number);
}

static bool on_write(const uint8_t *frame, uint8_t count)
{
    bool refused = (refusals & 1) != 0;
    refusals >>= 1;
    check_frame(frame, count);
    number++;
    if (refused && lost < UINT16_MAX) {
        lost++;
    }
    return !refused;
}

static uint32_t on_micros(void)
{
    return now_us;
}

static void on_sticks(uint16_t set_number, const uint16_t *pulses_us, uint8_t count)
{
    volatile uint32_t sum = set_number;
    uint8_t i;
    must(count <= CHANNELS && pulses_us != NULL);
    for (i = 0; i < count; i++) {
        sum = sum + pulses_us[i];
    }
}

static void on_describe(bench_identity *me)
{
    must(me->role == 0 && me->packet_rate_mhz == 0 && me->firmware == NULL);
    me->role = BENCH_TRANSMITTER;
    me->channels = CHANNELS;
    me->abilities = ALL_ABILITIES;
    me->disturbances = 0x1E;
    me->firmware = "strandl\xC3\xA4ufer, a name too long";
    me->version = "\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80\x80";
}

static bool on_setting(uint8_t setting, int32_t value)
{
    must(setting >= BENCH_PACKET_RATE && setting <= BENCH_RETRANSMIT_DELAY);
    return (value & 1) != 0;
}

static const bench_hooks hooks = {on_write, on_micros, on_sticks, on_describe, on_setting};

static void receive(uint8_t count)
{
    uint8_t *piece = (uint8_t *)malloc(count > 0 ? count : 1); /* exactly as long: a step too far is seen */
    uint8_t i;
    must(piece != NULL);
    for (i = 0; i < count; i++) {
        piece[i] = next();
    }
    bench_received(piece, count);
    free(piece);
}

static void report(uint8_t kind)
{
    uint16_t words[64];
    bench_pulse pulses[32];
    uint8_t count = (uint8_t)(next() % 40);
    uint8_t i;
    bool fits = count <= (kind == 0 ? BENCH_MAX_TELEMETRY : BENCH_MAX_CHANNELS);
    uint16_t before = bench_dropped();
    for (i = 0; i < 64; i++) {
        words[i] = next();
        pulses[i / 2].ended_us = words[i];
        pulses[i / 2].width = 0;
    }
    if (kind == 0) {
        (void)bench_telemetry(words[0], now_us, (const uint8_t *)words, count);
    } else if (kind == 1) {
        (void)bench_applied(words[0], now_us, (int8_t)next(), words, count);
    } else if (kind == 2) {
        (void)bench_output_change(now_us, next(), words, count);
    } else {
        (void)bench_pulses(now_us, pulses, count);
    }
    if (!fits) { /* lost unseen by the hook */
        must(before == UINT16_MAX || bench_dropped() == before + 1);
        number++;
        lost = lost < UINT16_MAX ? (uint16_t)(lost + 1) : lost;
    }
}

static void ask(void)
{
    int32_t raw = 0;
    bool silent = bench_silent();
    bool closed = bench_disturbance() != 0 && bench_disturbance() != BENCH_BESIDE;
    if (bench_injected(next(), &raw)) {
        now_us += (uint32_t)raw & 0xFF;
    }
    must(!(bench_burst_due() && (silent || closed)));
    must(bench_disturbance() <= BENCH_BESIDE);
    bench_disturbed(silent);
    must(bench_restart_at() == NULL || bench_restart_wanted());
    (void)bench_muted();
    (void)bench_deaf();
    (void)bench_overridden();
    (void)bench_restart_wanted();
}

static void step(uint8_t choice)
{
    switch (choice % 16) {
    case 0:
        now_us += (uint32_t)next() << (next() % 25);
        break;
    case 1:
        refusals = next();
        break;
    case 2:
        ask();
        break;
    case 3:
        (void)bench_sent(next(), next(), now_us, (uint32_t)next() << 9, next(), next());
        break;
    case 4:
    case 5:
    case 6:
    case 7:
        report((uint8_t)(choice % 4));
        break;
    case 8:
        bench_loop();
        break;
    default:
        receive((uint8_t)(choice / 16 * 5 % PIECE));
        break;
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size)
{
    input = data;
    left = size;
    now_us = (uint32_t)next() << 24;
    refusals = 0;
    number = 0;
    lost = 0;
    bench_begin(&hooks, next());
    while (left > 0) {
        step(next());
        must(bench_dropped() == lost);
    }
    return 0;
}

#if defined(PLAIN_FUZZ)

int main(void)
{
    static uint8_t data[65536];
    unsigned long inputs = 0;
    int low;
    while ((low = getchar()) != EOF) {
        size_t size = (size_t)low | (size_t)getchar() << 8;
        must(fread(data, 1, size, stdin) == size);
        (void)LLVMFuzzerTestOneInput(data, size);
        inputs++;
    }
    printf("%lu inputs\n", inputs);
    return 0;
}

#endif
