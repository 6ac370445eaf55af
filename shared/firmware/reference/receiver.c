/*
 * Dunlin's receiver: applies packets to six servo pulses, goes to failsafe without them, and reports back.
 *
 * PB0 to PB5: motors, elevons, camera tilt, shutter. ADC6: supply, divided by 4. ADC7: temperature sensor.
 * ADC0: current sensor. Second serial port: radio module. First serial port: bench.
 *
 * PROPELLERS OFF on the bench, and the model restrained.
 */
#include "bench_side.h"
#include "board.h"
#include "model.h"
#include "radio.h"
#include "servo.h"
#include "wire.h"

#define KNOCK_US 50000UL       /* between two tries to start the module */
#define QUIET_US 4000000UL     /* so long without a packet, perhaps the module lost its power and forgot its start */
#define KNOCK_AGAIN_US 500000UL
#define SECOND_US 1000000UL
#define SENSE_US 250000UL      /* one sensor each time, in turn */
#define FAILSAFE_US (FAILSAFE_AFTER_MS * 1000UL)

/* Sensors, against a reference of 5 V on a 10-bit converter. */
#define REFERENCE_MV 5000UL
#define FULL_SCALE 1023UL
#define SUPPLY_INPUT 6
#define SUPPLY_DIVIDER 4
#define TEMPERATURE_INPUT 7
#define TEMPERATURE_ZERO_MV 500 /* sensor: 10 mV a degree, 500 mV at 0 degrees */
#define CURRENT_INPUT 0
#define CURRENT_A_PER_MV 0.01f

/* Telemetry fields as the harness numbers them; field 0, the packet count, cannot be injected. */
enum field { SUPPLY = 1, TEMPERATURE = 2, CURRENT = 3 };

static uint16_t outputs_us[CHANNELS];
static uint16_t pulses_us[CHANNELS]; /* of the last packet */
static uint16_t supply_mv;
static int16_t temperature_tenths;
static float current_a;

static struct {
    bool up; /* a packet was applied, and failsafe has not come since */
    bool heard;
    uint16_t last_packet;
    uint32_t applied_us;
} link;

static struct {
    bool ready, muted;
    uint32_t knock_us;
} module;

static bench_totals totals;
static uint32_t count_us, sense_us, look_us;

/* -- outputs ----------------------------------------------------------------------------------------------- */

static uint16_t mirrored(uint8_t channel, uint16_t pulse_us)
{
    const channel_settings *it = &MODEL[channel];
    uint16_t ends_us = it->low_us + it->high_us;
    if (!it->reversed)
        return pulse_us;
    return pulse_us < ends_us ? ends_us - pulse_us : 0;
}

static void set_failsafe_outputs(void)
{
    for (uint8_t i = 0; i < CHANNELS; i++) {
        if (FAULT_FAILSAFE_THROTTLE_ONLY && !MODEL[i].throttle)
            continue;
        if (MODEL[i].failsafe_us != HOLD)
            outputs_us[i] = MODEL[i].failsafe_us;
    }
}

/* Until the first packet: failsafe, and what would hold its last pulse has none but its rest. */
static void set_first_outputs(void)
{
    for (uint8_t i = 0; i < CHANNELS; i++) {
        outputs_us[i] = mirrored(i, MODEL[i].rest_us);
        if (MODEL[i].failsafe_us != HOLD)
            outputs_us[i] = MODEL[i].failsafe_us;
        if (FAULT_START_CENTRE)
            outputs_us[i] = CENTRE_US;
    }
}

#define SCALE (FAULT_SCALE_BY ? FAULT_SCALE_BY : 1U)

static uint16_t scaled(uint8_t channel, uint16_t pulse_us)
{
    uint16_t low_us = MODEL[channel].low_us;
    if (!FAULT_SCALE_BY || pulse_us < low_us)
        return pulse_us;
    return low_us + (uint16_t)((pulse_us - low_us) * SCALE) / SCALE;
}

/* A packet sets every output, or none: the servos take them all together at their next frame. */
static uint32_t set_outputs_from_packet(const uint8_t *pulses)
{
    bool replays = FAULT_EXIT_REPLAYS && !link.up && totals.packets > 0;
    for (uint8_t i = 0; i < CHANNELS; i++) {
        uint16_t before_us = pulses_us[i];
        pulses_us[i] = scaled(i, get_u16(pulses + 2 * i));
        bool stale = replays || (FAULT_HALF_UPDATE && i >= CHANNELS / 2 && totals.packets > 0);
        outputs_us[i] = servo_clamped(mirrored(i, stale ? before_us : pulses_us[i])); /* as the pins will be */
    }
    servo_set(outputs_us);
    return board_micros();
}

/* -- telemetry --------------------------------------------------------------------------------------------- */

static uint16_t input_mv(uint8_t input)
{
    uint16_t value;
    board_analog(input, 1, &value);
    return value * REFERENCE_MV / FULL_SCALE;
}

static void sense(uint8_t field)
{
    if (field == SUPPLY)
        supply_mv = input_mv(SUPPLY_INPUT) * SUPPLY_DIVIDER;
    else if (field == TEMPERATURE)
        temperature_tenths = (int16_t)input_mv(TEMPERATURE_INPUT) - TEMPERATURE_ZERO_MV;
    else if (field == CURRENT)
        current_a = input_mv(CURRENT_INPUT) * CURRENT_A_PER_MV;
}

static void sense_in_turn(uint32_t now)
{
    static uint8_t field = SUPPLY;
    if (!board_reached(now, sense_us))
        return;
    sense_us = now + SENSE_US;
    sense(field);
    field = field == CURRENT ? SUPPLY : field + 1;
}

/* The sensor's raw value, or the one that the harness injected for it. */
static uint32_t field_value(uint8_t field, uint32_t sensed)
{
    int32_t injected;
    return bench_injected(field, &injected) ? (uint32_t)injected : sensed;
}

static void put_current(uint8_t *to, uint32_t bits)
{
    if (FAULT_FLOAT_WHOLE)
        bits = float_bits((float)(int32_t)float_of(bits));
    if (FAULT_FLOAT_SWAPPED)
        bits = bits >> 24 | (bits >> 8 & 0xFF00UL) | (bits << 8 & 0xFF0000UL) | bits << 24;
    put_u32(to, bits);
}

/* The module holds the payload ready: an acknowledgement leaves before this processor knows of its packet. */
static void load_answer(void)
{
    uint8_t payload[TELEMETRY_BYTES];
    put_u16(payload, (uint16_t)totals.packets);
    put_u16(payload + 2, (uint16_t)field_value(SUPPLY, supply_mv));
    put_u16(payload + 4, (uint16_t)field_value(TEMPERATURE, (uint16_t)temperature_tenths));
    put_current(payload + 6, field_value(CURRENT, float_bits(current_a)));
    radio_put(RADIO_ANSWER, payload, TELEMETRY_BYTES);
}

/* -- packets ----------------------------------------------------------------------------------------------- */

static void apply(const uint8_t *packet)
{
    link.applied_us = set_outputs_from_packet(packet + PULSES_AT);
    link.up = true;
    if (!FAULT_ACK_FIRST) {
        totals.packets++;
        load_answer();
    }
    bench_applied(get_u16(packet + NUMBER_AT), link.applied_us, BENCH_SIGNAL_UNKNOWN,
                  FAULT_REPORT_COPIES ? pulses_us : outputs_us, CHANNELS);
}

static uint8_t mailbox[PACKET_BYTES]; /* for FAULT_ACK_FIRST only */
static bool mailbox_full;

static void answer_first(const uint8_t *packet)
{
    memcpy(mailbox, packet, PACKET_BYTES);
    mailbox_full = true;
    totals.packets++;
    load_answer();
}

static void empty_mailbox(void)
{
    static uint8_t frames;
    if (frames == servo_frames())
        return;
    frames = servo_frames();
    if (mailbox_full)
        apply(mailbox);
    mailbox_full = false;
}

static bool is_repeat(uint16_t number)
{
    static const uint16_t OLD = FAULT_NUMBER_WINDOW;
    if (!link.heard)
        return false;
    if (FAULT_NUMBER_ORDER)
        return number <= link.last_packet;
    if (FAULT_NUMBER_8BIT)
        return (uint8_t)number <= (uint8_t)link.last_packet;
    if (FAULT_NUMBER_WINDOW)
        return (uint16_t)(link.last_packet - number) < OLD;
    return number == link.last_packet;
}

/* What is to be thought of a packet; each bad thing is a bit of its own. */
enum { OURS = 0, DAMAGED = 1, STRANGERS = 2, REPEATED = 4, ANY = 8 };

static uint8_t opinion_of(const radio_frame *frame)
{
    const uint8_t *packet = frame->payload;
    if (frame->length != PACKET_BYTES)
        return DAMAGED;
    if (!FAULT_CHECK_IGNORED && crc8(packet, CHECK_AT) != packet[CHECK_AT])
        return DAMAGED;
    if (!FAULT_IDENTITY_IGNORED && packet[IDENTITY_AT] != LINK_IDENTITY)
        return STRANGERS;
    return is_repeat(get_u16(packet + NUMBER_AT)) ? REPEATED : OURS;
}

/* What is not ours is counted, and that is all: it is no sign that the link lives. */
static void turn_down(uint8_t opinion)
{
    if (opinion == REPEATED)
        totals.duplicates++;
    else
        totals.bad_packets++;
    if (FAULT_FED_BY & opinion)
        link.applied_us = board_micros();
    if (FAULT_REPEAT_ANSWERED && opinion == REPEATED)
        load_answer();
}

static void take_packet(const radio_frame *frame)
{
    uint16_t number = get_u16(frame->payload + NUMBER_AT);
    uint8_t opinion = opinion_of(frame);
    if (opinion != OURS && !(FAULT_REPEAT_APPLIED && opinion == REPEATED)) {
        turn_down(opinion);
        return;
    }
    link.heard = true;
    link.last_packet = number;
    if (FAULT_ACK_FIRST)
        answer_first(frame->payload);
    else
        apply(frame->payload);
}

static void mute_module(bool muted)
{
    uint8_t acknowledge = !muted;
    if (module.ready && module.muted != muted && radio_put(RADIO_ACKNOWLEDGE, &acknowledge, 1))
        module.muted = muted;
}

/* A module that starts acknowledges, with nothing loaded. */
static void module_ready(void)
{
    if (!module.ready)
        module.knock_us = board_micros() + QUIET_US;
    module.ready = true;
    module.muted = false;
    mute_module(bench_muted());
    load_answer();
}

static void listen_to_module(void)
{
    radio_frame frame;
    uint8_t taken = 0;
    while (radio_get(&frame)) {
        if (frame.kind == RADIO_READY) {
            module_ready();
        } else if (frame.kind == RADIO_PACKET && module.ready) {
            module.knock_us = board_micros() + QUIET_US; /* the module lives, whoever sent this */
            if (FAULT_FED_BY & ANY)
                link.applied_us = board_micros();
            if (!bench_deaf() && !(FAULT_KEEPS && ++taken > FAULT_KEEPS))
                take_packet(&frame);
        }
    }
    if (FAULT_ACK_FIRST)
        empty_mailbox();
}

/* Once it has answered, it is started again only when no packet comes: a start forgets the packets it holds. */
static void start_module(uint32_t now)
{
    static const uint8_t ROLE = RADIO_LISTENER;
    if (!board_reached(now, module.knock_us))
        return;
    radio_put(RADIO_START, &ROLE, 1);
    module.knock_us = now + (module.ready ? KNOCK_AGAIN_US : KNOCK_US);
}

/* -- failsafe ---------------------------------------------------------------------------------------------- */

static uint8_t failsafes; /* for FAULT_FAILSAFE_ONCE only */

static bool link_lost(uint32_t now)
{
    uint32_t silence_us = now - link.applied_us;
    if (FAULT_FAILSAFE_NEVER || (FAULT_FAILSAFE_ONCE && failsafes > 0))
        return false;
    if (FAULT_FAILSAFE_POWER_ONLY && board_restarts() > 0)
        return false;
    if (FAULT_FAILSAFE_COMPARED && now < link.applied_us)
        return false;
    if (FAULT_FAILSAFE_COUNTER_8BIT)
        return (uint8_t)(silence_us / 2000) >= FAILSAFE_AFTER_MS / 2;
    return silence_us >= FAILSAFE_US;
}

static uint32_t failsafe_said_us;

static void enter_failsafe(uint32_t now)
{
    link.up = false;
    failsafes = 1;
    failsafe_said_us = now;
    set_failsafe_outputs();
    if (!FAULT_PINS_HOLD)
        servo_set(outputs_us);
    bench_output_change(now, BENCH_CHANGE_FAILSAFE, outputs_us, CHANNELS);
}

static void act_faulty_in_failsafe(uint32_t now)
{
    if (FAULT_FAILSAFE_TWICE && now - failsafe_said_us >= 100000UL) {
        failsafe_said_us = now;
        bench_output_change(now, BENCH_CHANGE_FAILSAFE, outputs_us, CHANNELS);
    }
    if (FAULT_FAILSAFE_COUNTER_8BIT && !link_lost(now)) {
        link.up = true;
        for (uint8_t i = 0; i < CHANNELS; i++)
            outputs_us[i] = servo_clamped(mirrored(i, pulses_us[i]));
        servo_set(outputs_us);
        bench_output_change(now, BENCH_CHANGE_OTHER, outputs_us, CHANNELS);
    }
}

/* Only a packet ends failsafe. (A time span compared again and again would end it when the clock wraps.) */
static void watch_link(uint32_t now)
{
    if (link.up && link_lost(now))
        enter_failsafe(now);
    else if (!link.up && totals.packets > 0)
        act_faulty_in_failsafe(now);
}

/* -- reports ----------------------------------------------------------------------------------------------- */

static void describe(bench_identity *me)
{
    me->role = FAULT_ROLE ? FAULT_ROLE : BENCH_RECEIVER;
    me->channels = CHANNELS;
    me->packet_rate_mhz = PACKET_RATE_MHZ;
    me->abilities = BENCH_CAN_INJECT | BENCH_CAN_MUTE_ACKS | BENCH_CAN_DEAFEN | BENCH_CAN_RESTART
                    | BENCH_CAN_RESTART_AT;
    me->firmware = "dunlin receiver";
    me->version = "0.1.0";
    me->serial = UNIT_SERIAL;
}

static bench_hooks hooks = {.describe = describe};

static void report_counters(uint32_t now)
{
    if (!board_reached(now, count_us))
        return;
    count_us += SECOND_US;
    bench_totals said = totals;
    said.bad_packets += radio_bad_frames();
    said.restarts = board_restarts();
    said.free_memory = board_free_memory();
    bench_counters(&said);
}

/* -- the loop ---------------------------------------------------------------------------------------------- */

static void block_for_display(uint32_t blocked_us)
{
    static uint32_t drawn_us;
    uint32_t now = board_micros();
    if (now - drawn_us < SECOND_US)
        return;
    drawn_us = now;
    while (board_micros() - now < blocked_us)
        board_nap();
}

static void begin(void)
{
    board_begin();
    set_first_outputs();
    servo_begin(outputs_us);
    radio_begin();
    for (uint8_t field = SUPPLY; field <= CURRENT; field++)
        sense(field);
    bench_side_begin(&hooks);
    bench_output_change(board_micros(), BENCH_CHANGE_START, outputs_us, CHANNELS);
    module.knock_us = sense_us = look_us = board_micros();
    count_us = sense_us + SECOND_US;
}

static void restart(void)
{
    servo_stop(); /* a pulse cut short is a wrong command */
    board_restart();
}

static void look_at_bench(uint32_t now)
{
    bench_loop();
    mute_module(bench_muted());
    look_us = now + BENCH_TURN_US;
    if (bench_side_restart())
        restart();
}

static uint32_t next_turn(void)
{
    uint32_t due = board_sooner(look_us, count_us);
    return link.up ? board_sooner(due, link.applied_us + FAILSAFE_US) : due;
}

int main(void)
{
    begin();
    for (;;) {
        board_feed_watchdog();
        listen_to_module();
        uint32_t now = board_micros(); /* after the packet: a silence is never negative */
        watch_link(now);
        if (bench_side_listen() || board_reached(now, look_us))
            look_at_bench(now);
        start_module(now);
        sense_in_turn(now);
        report_counters(now);
        if (FAULT_DISPLAY_MS)
            block_for_display(FAULT_DISPLAY_MS * 1000UL);
        board_wait_until(next_turn());
    }
}
