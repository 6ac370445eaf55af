/*
 * Dunlin's transmitter: reads the sticks, sends them 50 times a second, and knows what came back.
 *
 * ADC0 to ADC5 (PA0 to PA5): six sticks. Second serial port: radio module. First serial port: bench.
 * The loop never waits for anything: each turn does what has become due, then sleeps.
 *
 * PROPELLERS OFF on the bench, and the model restrained.
 */
#include "bench_side.h"
#include "board.h"
#include "model.h"
#include "radio.h"
#include "wire.h"

#define PATIENCE_US 60000UL  /* a module that is silent for so long has lost our packet, or itself */
#define KNOCK_US 50000UL     /* between two tries to start the module */
#define STOP_TURN_US 2000UL  /* during an exchange: how late a silence of the harness stops it at most */
#define BURST_TURN_US 250UL  /* how late a packet of a burst goes out at most */
#define BURST_PAUSE_US 100000UL /* a burst with no packet for so long is taken to be over */
#define BETWEEN_US 500UL     /* how far from half-way a foreign packet may go out */
#define SLOWEST_MHZ 1000
#define FASTEST_MHZ 250000
#define STICK_FULL 1023U

/* What a pilot's display would show. */
struct {
    uint32_t acknowledged, failed;
    uint16_t packets_applied, supply_mv;
    int16_t temperature_tenths;
    float current_a;
} cockpit;

/* Sticks of the harness; used while bench_overridden(). */
static uint16_t override_set, override_us[CHANNELS];

/* When the next packet is due. A period that is no whole number of us leaves a remainder, which is carried over,
 * so that nothing drifts. */
static struct {
    uint32_t rate_mhz, period_us, period_rest;
    uint32_t next_us, rest;
    uint32_t between_us; /* half-way from the last tick to the next */
    bool due, between;   /* `between`: that moment was not dealt with yet */
} pace;

static struct {
    bool ready;
    uint32_t knock_us;
} module;

/* The packet on its way. */
static struct {
    bool under_way, stopping;
    bool strange; /* sent for the bench's disturbance: not one of the link's packets */
    uint16_t packet, set_number;
    uint32_t sampled_us;
    uint32_t stop_look_us; /* when to look next whether a silence stops it */
    uint8_t flags;
} exchange;

static uint16_t next_packet, foreign_packet;
static uint8_t last_packet[PACKET_BYTES]; /* the last own one, as it went out */
static bool any_packet;
static uint32_t look_us; /* when to look next at what the harness asked for */
static uint32_t last_burst_us;
static bool bursting, burst_may_be_due;

/* -- hooks of the bench ------------------------------------------------------------------------------------ */

static void take_sticks(uint16_t set_number, const uint16_t *pulses_us, uint8_t count)
{
    override_set = set_number;
    for (uint8_t i = 0; i < CHANNELS; i++)
        override_us[i] = i < count ? pulses_us[i] : MODEL[i].rest_us;
}

static void describe(bench_identity *me)
{
    me->role = FAULT_ROLE ? FAULT_ROLE : BENCH_TRANSMITTER;
    me->channels = CHANNELS;
    me->packet_rate_mhz = pace.rate_mhz;
    me->abilities = BENCH_CAN_STICKS | BENCH_CAN_BURST | BENCH_CAN_SILENCE | BENCH_CAN_DISTURB | BENCH_CAN_RESTART
                    | BENCH_CAN_RESTART_AT | BENCH_SETS_PACKET_RATE;
    me->disturbances = 1 << BENCH_CORRUPTED | 1 << BENCH_FOREIGN | 1 << BENCH_REPEATED | 1 << BENCH_BESIDE;
    me->firmware = "dunlin transmitter";
    me->version = "0.1.0";
    me->serial = UNIT_SERIAL;
}

static void set_rate(uint32_t rate_mhz)
{
    pace.rate_mhz = rate_mhz;
    pace.period_us = 1000000000UL / rate_mhz;
    pace.period_rest = 1000000000UL % rate_mhz;
    pace.rest = 0;
    pace.next_us = board_micros() + pace.period_us;
}

static bool set(uint8_t setting, int32_t value)
{
    if (setting != BENCH_PACKET_RATE || value < SLOWEST_MHZ || value > FASTEST_MHZ)
        return false;
    if (pace.rate_mhz != (uint32_t)value)
        set_rate((uint32_t)value);
    return true;
}

static bench_hooks hooks = {.sticks = take_sticks, .describe = describe, .setting = set};

/* -- sending ----------------------------------------------------------------------------------------------- */

static void read_own_sticks(uint16_t *pulses_us)
{
    board_analog(0, CHANNELS, pulses_us);
    for (uint8_t i = 0; i < CHANNELS; i++) {
        uint16_t span_us = MODEL[i].high_us - MODEL[i].low_us;
        pulses_us[i] = MODEL[i].low_us + (uint32_t)pulses_us[i] * span_us / STICK_FULL;
    }
}

static void put_packet(uint8_t *packet, uint8_t identity, uint16_t number, const uint16_t *pulses_us)
{
    packet[IDENTITY_AT] = identity;
    put_u16(packet + NUMBER_AT, number);
    for (uint8_t i = 0; i < CHANNELS; i++)
        put_u16(packet + PULSES_AT + 2 * i, pulses_us[i]);
    packet[CHECK_AT] = crc8(packet, CHECK_AT);
}

/* The packet that is due, with the sticks as they stand. */
static void put_own_packet(uint8_t *packet)
{
    uint16_t own_us[CHANNELS];
    const uint16_t *pulses_us = override_us;

    exchange.sampled_us = board_micros();
    exchange.set_number = override_set;
    if (!bench_overridden()) {
        exchange.set_number = 0;
        read_own_sticks(own_us);
        pulses_us = own_us;
    }
    put_packet(packet, LINK_IDENTITY, next_packet, pulses_us);
}

static void begin_exchange(const uint8_t *packet, bool strange)
{
    exchange.strange = strange;
    exchange.stopping = false;
    exchange.under_way = true;
    exchange.stop_look_us = exchange.sampled_us + (FAULT_GIVE_UP_US ? FAULT_GIVE_UP_US : STOP_TURN_US);
    radio_put(RADIO_SEND, packet, PACKET_BYTES);
}

static void send_packet(uint8_t flags)
{
    put_own_packet(last_packet);
    any_packet = true;
    exchange.packet = next_packet++;
    exchange.flags = flags;
    begin_exchange(last_packet, false);
}

/* -- disturbance, for the bench: what no receiver may obey --------------------------------------------------- */

static void put_foreign_packet(uint8_t *packet)
{
    uint16_t pulses_us[CHANNELS];
    for (uint8_t i = 0; i < CHANNELS; i++)
        pulses_us[i] = MODEL[i].throttle ? MODEL[i].low_us : MODEL[i].high_us;
    exchange.sampled_us = board_micros();
    put_packet(packet, FOREIGN_IDENTITY, foreign_packet++, pulses_us);
}

/* Once, without repeated attempts. */
static void send_disturbance(uint8_t kind)
{
    uint8_t packet[PACKET_BYTES];
    if (kind == BENCH_REPEATED) {
        if (!any_packet)
            return;
        memcpy(packet, last_packet, PACKET_BYTES);
        exchange.sampled_us = board_micros();
    } else if (kind == BENCH_CORRUPTED) {
        put_own_packet(packet);
        packet[CHECK_AT] ^= WRONG_CHECK;
    } else {
        put_foreign_packet(packet);
    }
    begin_exchange(packet, true);
    exchange.stopping = radio_put(RADIO_STOP, 0, 0);
}

/* The next tick follows from the last tick, not from now: a late turn of the loop moves no later packet. */
static void keep_pace(uint32_t now)
{
    while (board_reached(now, pace.next_us)) {
        pace.due = pace.between = true;
        pace.between_us = pace.next_us + pace.period_us / 2;
        pace.next_us += pace.period_us;
        pace.rest += pace.period_rest;
        if (pace.rest >= pace.rate_mhz) {
            pace.rest -= pace.rate_mhz;
            pace.next_us++;
        }
    }
}

static bool is_in_place(uint8_t disturbance)
{
    return disturbance != 0 && disturbance != BENCH_BESIDE;
}

static void send_at_tick(void)
{
    uint8_t disturbance = bench_disturbance();
    if (bench_silent())
        return;
    if (is_in_place(disturbance))
        send_disturbance(disturbance);
    else
        send_packet(0);
}

/* A radio that is busy at that moment sends no foreign packet in this period. Nor does one that learns of the
 * disturbance too late: the loop wakes for that moment only while there is one. */
static void send_between(uint32_t now)
{
    if (!pace.between || !board_reached(now, pace.between_us))
        return;
    pace.between = false;
    if (now - pace.between_us >= BETWEEN_US || !module.ready || exchange.under_way)
        return;
    if (bench_disturbance() == BENCH_BESIDE)
        send_disturbance(BENCH_FOREIGN);
}

/* Paced packets go first. What falls due in a silence is dropped, and no number is used for it. */
static void send_what_is_due(uint32_t now)
{
    if (!module.ready || exchange.under_way)
        return;
    if (pace.due) {
        pace.due = false;
        send_at_tick();
    } else if (burst_may_be_due) {
        burst_may_be_due = bench_burst_due();
        if (burst_may_be_due) {
            bursting = true;
            last_burst_us = now;
            send_packet(BENCH_IN_BURST);
        }
    }
}

/* -- what the module says ---------------------------------------------------------------------------------- */

static void show_telemetry(const uint8_t *payload, uint8_t count)
{
    if (count < TELEMETRY_BYTES)
        return;
    cockpit.packets_applied = get_u16(payload);
    cockpit.supply_mv = get_u16(payload + 2);
    cockpit.temperature_tenths = get_i16(payload + 4);
    cockpit.current_a = get_f32(payload + 6);
}

static void end_exchange(uint8_t attempts, bool acknowledged, uint32_t now)
{
    exchange.under_way = false;
    burst_may_be_due = bursting;
    if (exchange.strange) {
        bench_disturbed(acknowledged);
        return;
    }
    if (acknowledged)
        cockpit.acknowledged++;
    else
        cockpit.failed++;
    uint8_t flags = exchange.flags | (acknowledged ? BENCH_ACKNOWLEDGED : 0);
    bench_sent(exchange.packet, exchange.set_number, exchange.sampled_us, now - exchange.sampled_us, attempts,
               flags);
}

static void packet_done(const radio_frame *frame)
{
    uint32_t now = board_micros();
    if (!exchange.under_way || frame->length < 2)
        return;
    const uint8_t *payload = frame->payload + 2;
    uint8_t count = frame->length - 2;
    end_exchange(frame->payload[0], frame->payload[1], now);
    if (frame->payload[1] && count > 0 && !exchange.strange) {
        show_telemetry(payload, count);
        bench_telemetry(exchange.packet, now, payload, count);
    }
}

static void listen_to_module(void)
{
    radio_frame frame;
    while (radio_get(&frame)) {
        if (frame.kind == RADIO_READY)
            module.ready = true;
        else if (frame.kind == RADIO_DONE && module.ready)
            packet_done(&frame);
    }
}

/* A module that does not answer is started again; its answer also says that no old RADIO_DONE will follow. */
static void look_after_module(uint32_t now)
{
    static const uint8_t ROLE = RADIO_SENDER;
    if (exchange.under_way && board_reached(now, exchange.sampled_us + PATIENCE_US)) {
        end_exchange(1, false, now);
        module.ready = false;
        module.knock_us = now;
    }
    if (!module.ready && board_reached(now, module.knock_us)) {
        radio_put(RADIO_START, &ROLE, 1);
        module.knock_us = now + KNOCK_US;
    }
}

/* -- the loop ---------------------------------------------------------------------------------------------- */

/* After a message of the harness, and now and then. */
static void look_at_bench(uint32_t now)
{
    burst_may_be_due = true;
    bursting = bursting && now - last_burst_us < BURST_PAUSE_US;
    look_us = now + (bursting ? BURST_TURN_US : BENCH_TURN_US);
    exchange.stop_look_us = now;
    if (bench_side_restart())
        board_restart();
}

static bool must_stop(uint32_t now)
{
    if (FAULT_GIVE_UP_US && now - exchange.sampled_us > FAULT_GIVE_UP_US)
        return true;
    return bench_silent() || is_in_place(bench_disturbance());
}

static void stop_if_silent(uint32_t now)
{
    if (!exchange.under_way || !board_reached(now, exchange.stop_look_us))
        return;
    exchange.stop_look_us = now + STOP_TURN_US;
    if (!exchange.stopping && must_stop(now))
        exchange.stopping = radio_put(RADIO_STOP, 0, 0);
}

static uint32_t next_turn(void)
{
    uint32_t due = board_sooner(pace.next_us, look_us);
    if (pace.between && bench_disturbance() == BENCH_BESIDE)
        due = board_sooner(due, pace.between_us);
    if (exchange.under_way)
        due = board_sooner(due, exchange.stop_look_us);
    return module.ready ? due : board_sooner(due, module.knock_us);
}

static void begin(void)
{
    board_begin();
    next_packet = board_number(FIRST_PACKET);
    radio_begin();
    set_rate(PACKET_RATE_MHZ);
    bench_side_begin(&hooks);
    pace.next_us = module.knock_us = look_us = board_micros();
}

int main(void)
{
    begin();
    for (;;) {
        board_feed_watchdog();
        uint32_t now = board_micros();
        bool timely = board_reached(now, look_us);
        if (timely)
            bench_loop();
        if (bench_side_listen() || timely)
            look_at_bench(now);
        stop_if_silent(now);
        listen_to_module();
        look_after_module(now);
        send_between(now);
        keep_pace(now);
        send_what_is_due(now);
        board_wait_until(next_turn());
    }
}
