/*
 * Measures the library on the part itself: every call stands between two writes to GPIOR0, and the emulator
 * notes the cycle of each. Runs only in the emulator.
 */
#include <avr/io.h>

#include "bench_port.h"

enum { NOTHING = 1, BYTE = 2, FRAME_END = 3, LOOP = 4, SENT = 10, TELEMETRY, APPLIED, CHANGE, COUNTERS, PULSES, STACK };

#define MEASURE(what, call) \
    do {                    \
        GPIOR0 = (what);    \
        call;               \
        GPIOR0 = 0;         \
    } while (0)

extern uint8_t __heap_start;
static const uint8_t paint = 0xA5;

static bool write_frame(const uint8_t *frame, uint8_t count)
{
    (void)frame;
    (void)count;
    return true;
}

static uint32_t now_us(void)
{
    return 0x12345678;
}

static void use_sticks(uint16_t set_number, const uint16_t *pulses_us, uint8_t count)
{
    (void)set_number;
    (void)pulses_us;
    (void)count;
}

static void describe(bench_identity *me)
{
    me->role = BENCH_TRANSMITTER;
    me->channels = BENCH_MAX_CHANNELS;
    me->packet_rate_mhz = 50000;
    me->abilities = 0xFFFF;
    me->disturbances = 0x1E;
    me->firmware = "twenty-four letters long";
    me->version = "1234567890";
    me->serial = "of this one unit, all 24";
}

static bool set(uint8_t setting, int32_t value)
{
    (void)setting;
    (void)value;
    return true;
}

static const bench_hooks hooks = {write_frame, now_us, use_sticks, describe, set};

static void measure_reports(void)
{
    static const uint8_t payload[BENCH_MAX_TELEMETRY];
    static const uint16_t outputs[BENCH_MAX_CHANNELS];
    static const bench_pulse pulses[BENCH_MAX_CHANNELS];
    static const bench_totals totals;

    MEASURE(SENT, bench_sent(1, 2, 3, 4, 1, BENCH_ACKNOWLEDGED));
    MEASURE(TELEMETRY, bench_telemetry(1, 2, payload, BENCH_MAX_TELEMETRY));
    MEASURE(APPLIED, bench_applied(1, 2, -60, outputs, BENCH_MAX_CHANNELS));
    MEASURE(CHANGE, bench_output_change(1, BENCH_CHANGE_FAILSAFE, outputs, BENCH_MAX_CHANNELS));
    MEASURE(COUNTERS, bench_counters(&totals));
    MEASURE(PULSES, bench_pulses(1, pulses, BENCH_MAX_CHANNELS));
    MEASURE(LOOP, bench_loop());
}

/* Fill the memory below the stack, but for what is in use now. */
static void paint_stack(void)
{
    for (uint8_t *place = &__heap_start; place < (uint8_t *)SP - 8; place++)
        *place = paint;
}

/* Tell how many bytes of stack were ever used below main(). */
static void tell_stack(uint16_t begin)
{
    const uint8_t *place = &__heap_start;
    while (*place == paint)
        place++;
    uint16_t used = begin - (uint16_t)place;
    GPIOR0 = STACK;
    GPIOR0 = (uint8_t)(used >> 8);
    GPIOR0 = (uint8_t)used;
}

int main(void)
{
    paint_stack();
    const uint16_t begin = SP;
    UCSR0A = _BV(U2X0);
    UBRR0 = 16;
    UCSR0B = _BV(RXEN0) | _BV(TXEN0);
    MEASURE(NOTHING, (void)0);
    bench_begin(&hooks, BENCH_START_POWER);
    measure_reports();
    for (;;) {
        if (!(UCSR0A & _BV(RXC0)))
            continue;
        const uint8_t byte = UDR0;
        if (byte)
            MEASURE(BYTE, bench_received(&byte, 1));
        else {
            MEASURE(FRAME_END, bench_received(&byte, 1));
            tell_stack(begin);
        }
    }
}
