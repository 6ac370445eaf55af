/*
 * Runs every check in vectors_data.h (vectors_gen.py says how it is laid out) against the library, on a PC or on
 * an 8-bit AVR. Each check is run twice: with whole pieces of input, and byte by byte.
 */
#include "bench_port.c"

#include "vectors_data.h"

#define LOG 512
#define PIECE 48

enum { CHECK, BEGIN, AT, NUMBER, TALLY, FEED, SENT_, LIST, COUNTERS_, ANY_FRAME, STATE, EXPECT, END };

static uint32_t place;
static uint8_t logged[LOG];
static uint16_t log_size;
static bool log_full;
static uint32_t clock_now;
static uint8_t piece_size;
static bench_identity who;
static char texts[3][25];

#if defined(ON_AVR)

#include <avr/io.h>

static void begin_report(void)
{
    UCSR0A = 1 << U2X0;
    UBRR0 = 16; /* 115 200 bit/s at 16 MHz */
    UCSR0B = 1 << TXEN0;
}

static void report_char(char character)
{
    while ((UCSR0A & (1 << UDRE0)) == 0) {
    }
    UDR0 = (uint8_t)character;
}

#else

#include <stdio.h>

static void begin_report(void)
{
}

static void report_char(char character)
{
    putchar(character);
}

#endif

static void say(const char *text)
{
    while (*text != 0) {
        report_char(*text++);
    }
}

static void say_number(uint16_t number)
{
    char digits[6];
    uint8_t at = 5;
    digits[at] = 0;
    do {
        digits[--at] = (char)('0' + number % 10);
        number = (uint16_t)(number / 10);
    } while (number > 0);
    say(&digits[at]);
}

static uint8_t next8(void)
{
    return FETCH(vectors[place++]);
}

static uint16_t next16(void)
{
    uint8_t low = next8();
    return (uint16_t)(low | (uint16_t)(next8() << 8));
}

static uint32_t next32(void)
{
    uint16_t low = next16();
    return low | (uint32_t)next16() << 16;
}

static void log8(uint8_t value)
{
    if (log_size < LOG) {
        logged[log_size++] = value;
    } else {
        log_full = true;
    }
}

static void log16(uint16_t value)
{
    log8((uint8_t)value);
    log8((uint8_t)(value >> 8));
}

static void log32(uint32_t value)
{
    log16((uint16_t)value);
    log16((uint16_t)(value >> 16));
}

static bool on_write(const uint8_t *frame, uint8_t count)
{
    uint8_t i;
    log8(1);
    log8(count);
    for (i = 0; i < count; i++) {
        log8(frame[i]);
    }
    return true;
}

static uint32_t on_micros(void)
{
    return clock_now;
}

static void on_sticks(uint16_t set_number, const uint16_t *pulses_us, uint8_t count)
{
    uint8_t i;
    log8(2);
    log16(set_number);
    log8(count);
    for (i = 0; i < count; i++) {
        log16(pulses_us[i]);
    }
}

static void on_describe(bench_identity *me)
{
    *me = who;
}

static bool on_setting(uint8_t setting, int32_t value)
{
    log8(3);
    log8(setting);
    log32((uint32_t)value);
    return true;
}

static const bench_hooks hooks = {on_write, on_micros, on_sticks, on_describe, on_setting};

static void run_begin(void)
{
    uint8_t cause = next8();
    bool keep;
    uint8_t i;
    clock_now = next32();
    keep = next8() != 0;
    who.role = next8();
    who.channels = next8();
    who.packet_rate_mhz = next32();
    who.abilities = next16();
    who.disturbances = next8();
    for (i = 0; i < 3; i++) {
        uint8_t size = next8();
        uint8_t at;
        for (at = 0; at < size; at++) {
            texts[i][at] = (char)next8();
        }
        texts[i][size] = 0;
    }
    who.firmware = texts[0];
    who.version = texts[1];
    who.serial = texts[2];
    log_size = 0;
    bench_begin(&hooks, cause);
    if (!keep) {
        log_size = 0;
    }
}

static void run_feed(void)
{
    uint16_t times = next16();
    uint16_t size = next16();
    uint32_t begin = place;
    for (; times > 0; times--) {
        uint16_t left = size;
        place = begin;
        while (left > 0) {
            uint8_t piece[PIECE];
            uint8_t count = 0;
            while (count < piece_size && left > 0) {
                piece[count++] = next8();
                left--;
            }
            bench_received(piece, count);
        }
    }
}

static void run_sent(void)
{
    uint16_t packet = next16();
    uint16_t set_number = next16();
    uint32_t at_us = next32();
    uint32_t took_us = next32();
    uint8_t attempts = next8();
    (void)bench_sent(packet, set_number, at_us, took_us, attempts, next8());
}

static void run_list(void)
{
    union {
        uint8_t bytes[64];
        uint16_t words[32];
        bench_pulse pulses[16];
    } list;
    uint8_t type = next8();
    uint16_t packet = next16();
    uint32_t at_us = next32();
    uint8_t extra = next8();
    uint8_t size = next8();
    uint8_t i;
    for (i = 0; i < size; i++) {
        list.bytes[i] = next8();
    }
    if (type == TELEMETRY) {
        (void)bench_telemetry(packet, at_us, list.bytes, size);
    } else if (type == APPLIED) {
        (void)bench_applied(packet, at_us, (int8_t)extra, list.words, size / 2);
    } else if (type == OUTPUT_CHANGE) {
        (void)bench_output_change(at_us, extra, list.words, size / 2);
    } else {
        (void)bench_pulses(at_us, list.pulses, size / 4);
    }
}

static void run_counters(void)
{
    bench_totals totals;
    totals.packets = next32();
    totals.duplicates = next32();
    totals.bad_packets = next32();
    totals.restarts = next16();
    totals.free_memory = next16();
    (void)bench_counters(&totals);
}

static void run_any(void)
{
    uint8_t frame[FRAME(120)];
    uint8_t type = next8();
    uint8_t size = next8();
    uint8_t i;
    for (i = 0; i < size; i++) {
        frame[PAYLOAD + i] = next8();
    }
    (void)send(frame, type, size);
}

static void run_state(void)
{
    uint8_t field;
    uint16_t count_at;
    uint8_t count = 0;
    const bench_start *start = bench_restart_at();
    log8(4);
    log8((uint8_t)(bench_overridden() | bench_silent() << 1 | bench_muted() << 2 | bench_restart_wanted() << 3
                   | bench_deaf() << 4 | (start != 0) << 5));
    log8(bench_disturbance());
    if (start != 0) {
        log32(start->clock_us);
        log16(start->packet);
    }
    log16(bench_bad_frames());
    count_at = log_size;
    log8(0);
    for (field = 0; field < BENCH_FIELDS; field++) {
        int32_t raw;
        if (bench_injected(field, &raw)) {
            log8(field);
            log32((uint32_t)raw);
            count++;
        }
    }
    if (count_at < LOG) {
        logged[count_at] = count;
    }
}

static bool run_expect(void)
{
    uint16_t size = next16();
    bool good = size == log_size && !log_full;
    uint16_t i;
    for (i = 0; i < size; i++) {
        uint8_t wanted = next8();
        good = good && logged[i] == wanted;
    }
    log_size = 0;
    log_full = false;
    return good;
}

static void run_step(uint8_t step)
{
    switch (step) {
    case BEGIN:
        run_begin();
        break;
    case AT:
        clock_now = next32();
        break;
    case NUMBER:
        self.number = next16();
        break;
    case TALLY:
        self.bad_frames = next16();
        break;
    case FEED:
        run_feed();
        break;
    case SENT_:
        run_sent();
        break;
    case LIST:
        run_list();
        break;
    case COUNTERS_:
        run_counters();
        break;
    case ANY_FRAME:
        run_any();
        break;
    default:
        run_state();
        break;
    }
}

static void say_failed(uint32_t name)
{
    uint32_t here = place;
    uint8_t left;
    place = name;
    say("FAILED ");
    for (left = next8(); left > 0; left--) {
        report_char((char)next8());
    }
    say("\n");
    place = here;
}

/* Run all checks once and return how many there were. */
static uint16_t run_all(void)
{
    uint16_t checks = 0;
    uint32_t name = 0;
    uint8_t step;
    place = 0;
    while ((step = next8()) != END) {
        if (step == CHECK) {
            name = place;
            place += next8();
        } else if (step == EXPECT) {
            checks++;
            if (!run_expect()) {
                say_failed(name);
            }
        } else {
            run_step(step);
        }
    }
    return checks;
}

int main(void)
{
    uint16_t checks;
    begin_report();
    piece_size = PIECE;
    checks = run_all();
    piece_size = 1;
    checks = (uint16_t)(checks + run_all());
    say("done ");
    say_number(checks);
    say(" checks\n");
#if defined(ON_AVR)
    for (;;) {
    }
#endif
    return 0;
}
