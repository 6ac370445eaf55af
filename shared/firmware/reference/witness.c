/*
 * The witness: measures the receiver's servo pulses, whatever the receiver says of them.
 *
 * PC0 to PC5: the receiver's outputs 0 to 5, and the grounds joined; a resistor of 100 kOhm from each input to
 * ground, so that one that hangs free does not flutter. First serial port: bench.
 *
 * The clock counts half microseconds. An interrupt stamps each edge, always equally late, so that widths do not
 * feel it. But it may find another interrupt at its entry, or interrupts off, and is then up to 1.7 us later still,
 * so a width can be wrong by 2.5 us either way. (Worked out from the cycles; of 23760 widths in the emulator, with
 * the PC asking all the time, 81 % were right to a quarter of a microsecond, the worst 1.5 us off.) Edges of
 * different inputs that come less than 7 us apart, but not together, can be worse by as much: the interrupt is still
 * busy with the first.
 *
 * PROPELLERS OFF on the bench, and the model restrained.
 */
#include <avr/interrupt.h>
#include <avr/io.h>

#include "bench_side.h"
#include "board.h"
#include "model.h"

#define PINS 0x3F         /* PC0 to PC5 */
#define GAP 0x80          /* in a stamp's levels: edges before it were lost */
#define EDGES 32          /* a power of two; one servo frame has twelve at most */
#define TICKS_PER_MS 2000UL
#define SET_TICKS (25 * TICKS_PER_MS)    /* a set is closed so long after its first falling edge */
#define EMPTY_TICKS (100 * TICKS_PER_MS) /* without any pulse, an empty set so often */
#define WIDEST_TICKS (65535U / 5)

typedef struct {
    uint16_t count; /* of timer 1 */
    uint8_t levels;
} stamp;

static stamp stamps[EDGES];
static volatile uint8_t head, tail;
static uint8_t gap; /* for the interrupt: GAP when it lost edges since the last stamp, else 0 */

/* The set that is being filled. */
static uint32_t rose_ticks[CHANNELS], fell_ticks[CHANNELS], first_ticks, closed_ticks;
static uint16_t width_ticks[CHANNELS]; /* 0: no pulse yet */
static bool any_pulse;
static uint8_t levels, rising_seen; /* a pulse that was high at the start has no known beginning */

ISR(PCINT2_vect)
{
    uint16_t count = TCNT1; /* first of all */
    uint8_t now = PINC & PINS, at = head, next = (at + 1) % EDGES;
    if (next == tail) {
        gap = GAP; /* the loop is blocked: these widths are lost */
        return;
    }
    stamps[at].count = count;
    stamps[at].levels = now | gap;
    gap = 0;
    board_publish();
    head = next;
    board_wake();
}

static bench_pulse pulse_of(uint8_t input, uint32_t now)
{
    bench_pulse pulse = {0, 0};
    if (width_ticks[input] != 0) {
        pulse.ended_us = (uint16_t)((now - fell_ticks[input]) / 2);
        pulse.width = width_ticks[input] < WIDEST_TICKS ? width_ticks[input] * 5 : 65535U;
    }
    return pulse;
}

static void close_set(void)
{
    bench_pulse pulses[CHANNELS];
    uint32_t now = board_ticks();
    uint32_t at_us = board_micros();
    for (uint8_t i = 0; i < CHANNELS; i++) {
        pulses[i] = pulse_of(i, now);
        width_ticks[i] = 0;
    }
    any_pulse = false;
    closed_ticks = now;
    bench_pulses(at_us, pulses, CHANNELS);
}

static void take_pulse(uint8_t input, uint32_t fell)
{
    uint32_t width = fell - rose_ticks[input];
    if (width_ticks[input] != 0)
        close_set();
    if (!any_pulse)
        first_ticks = fell;
    any_pulse = true;
    fell_ticks[input] = fell;
    width_ticks[input] = width > UINT16_MAX ? UINT16_MAX : width == 0 ? 1 : (uint16_t)width;
}

static void take_stamp(const stamp *it)
{
    uint8_t changed = (levels ^ it->levels) & PINS;
    uint32_t at_ticks = board_ticks_at(it->count);
    levels = it->levels & PINS;
    if (it->levels & GAP) {
        rising_seen = 0; /* what was high may have fallen and risen since: rather no width than a false one */
        return;
    }
    for (uint8_t i = 0; i < CHANNELS; i++) {
        uint8_t bit = (uint8_t)(1 << i);
        if (!(changed & bit))
            continue;
        if (levels & bit) {
            rose_ticks[i] = at_ticks;
            rising_seen |= bit;
        } else if (rising_seen & bit) {
            take_pulse(i, at_ticks);
        }
    }
}

static void take_stamps(void)
{
    while (tail != head) {
        take_stamp(&stamps[tail]);
        board_publish();
        tail = (tail + 1) % EDGES;
    }
}

static void close_when_old(void)
{
    uint32_t now = board_ticks();
    if (any_pulse ? now - first_ticks >= SET_TICKS : now - closed_ticks >= EMPTY_TICKS)
        close_set();
}

static void describe(bench_identity *me)
{
    me->role = FAULT_ROLE ? FAULT_ROLE : BENCH_WITNESS;
    me->channels = CHANNELS;
    me->abilities = BENCH_CAN_RESTART | BENCH_CAN_RESTART_AT;
    me->firmware = "dunlin witness";
    me->version = "0.1.0";
    me->serial = UNIT_SERIAL;
}

static bench_hooks hooks = {.describe = describe};

static void begin(void)
{
    board_begin();
    board_free_port_c();
    DDRC &= (uint8_t)~PINS;
    levels = PINC;
    PCMSK2 = PINS;
    PCICR = _BV(PCIE2);
    closed_ticks = board_ticks();
    bench_side_begin(&hooks);
}

int main(void)
{
    begin();
    for (;;) {
        board_feed_watchdog();
        take_stamps();
        close_when_old();
        bench_side_listen();
        bench_loop();
        if (bench_side_restart())
            board_restart();
        board_wait_until(board_micros() + BENCH_TURN_US);
    }
}
