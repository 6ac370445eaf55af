/* A maker's program that calls everything in the library: it must build in C and C++, with the bench and without. */
#include "bench_port.h"

static uint32_t ticks;
static uint16_t taken[BENCH_MAX_CHANNELS];

static bool write_frame(const uint8_t *frame, uint8_t count)
{
    return frame[count - 1] == 0;
}

static uint32_t read_clock(void)
{
    return ++ticks;
}

static void take_sticks_from_harness(uint16_t set_number, const uint16_t *pulses_us, uint8_t count)
{
    uint8_t i;
    for (i = 0; i < count; i++) {
        taken[i] = (uint16_t)(pulses_us[i] + set_number);
    }
}

static void say_who(bench_identity *me)
{
    me->role = BENCH_TRANSMITTER;
    me->channels = 6;
    me->abilities = BENCH_CAN_STICKS | BENCH_CAN_RESTART | BENCH_CAN_DISTURB;
    me->disturbances = 1 << BENCH_CORRUPTED | 1 << BENCH_BESIDE;
    me->firmware = "dunlin-tx";
    me->version = "1.4.0";
    me->serial = "A-0007";
}

static bool change(uint8_t setting, int32_t value)
{
    return setting == BENCH_PACKET_RATE && value > 0;
}

static const bench_hooks hooks = {write_frame, read_clock, take_sticks_from_harness, say_who, change};

static bool report_everything(void)
{
    const uint8_t payload[2] = {1, 2};
    const uint16_t outputs[1] = {1500};
    const bench_pulse pulses[1] = {{1, 2}};
    const bench_totals totals = {1, 2, 3, 4, 5};
    return bench_sent(1, 2, 3, 4, 5, BENCH_ACKNOWLEDGED) && bench_telemetry(1, 2, payload, 2)
        && bench_applied(1, 2, BENCH_SIGNAL_UNKNOWN, outputs, 1)
        && bench_output_change(1, BENCH_CHANGE_FAILSAFE, outputs, 1) && bench_counters(&totals)
        && bench_pulses(1, pulses, 1);
}

int main(void)
{
    const uint8_t bytes[3] = {2, 1, 0};
    int32_t raw = 0;
    bool any;
    bench_begin(&hooks, BENCH_START_POWER);
    bench_received(bytes, 3);
    bench_loop();
    any = bench_overridden() || bench_silent() || bench_burst_due() || bench_muted() || bench_deaf()
        || bench_injected(0, &raw) || bench_restart_wanted() || bench_restart_at() != 0 || bench_disturbance() != 0;
    bench_disturbed(any);
    return report_everything() && !any && bench_dropped() == 0 && bench_bad_frames() <= 1 && raw == 0 ? 0 : 1;
}
