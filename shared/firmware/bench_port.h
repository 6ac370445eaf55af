/*
 * bench_port: the device's side of the propsoff bench protocol, version 1 (../protocol.md).
 *
 * C99, also C++; little-endian parts of 8 to 32 bits; no dynamic memory; one bench port per device. Nothing
 * here blocks: the work of a call is bounded by the bytes it is given. Call everything from the main loop, not
 * from interrupts, and nothing before bench_begin().
 *
 *     bench_begin(&hooks, cause)         once, after start
 *     bench_received(bytes, count)       whenever bytes came in
 *     bench_loop()                       every time round the loop, at least every 50 ms
 *     bench_sent(...) and other reports  when something happened
 *
 * Build with -DBENCH_DISABLED for flight: every call then compiles to nothing. Build with -DBENCH_ROLES=1 (2, 4)
 * for a transmitter (receiver, witness) alone: a tenth to two fifths smaller than all of it.
 *
 * PROPELLERS OFF. A bench port can move every output of the model.
 */
#ifndef BENCH_PORT_H
#define BENCH_PORT_H

#include <stdbool.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

#ifndef BENCH_FIELDS
#define BENCH_FIELDS 8 /* telemetry fields that can be injected, 1 to 255: numbers 0 to BENCH_FIELDS - 1 */
#endif
#ifndef BENCH_BUILD
#define BENCH_BUILD "bench" /* stands after the version in the identity: says which build answers */
#endif
#ifndef BENCH_PROTOCOL_VERSION
#define BENCH_PROTOCOL_VERSION 1
#endif
#define BENCH_ROLE_TRANSMITTER 1
#define BENCH_ROLE_RECEIVER 2
#define BENCH_ROLE_WITNESS 4
#ifndef BENCH_ROLES
#define BENCH_ROLES 7 /* whose calls and commands are built: the sum of the above; one device needs one */
#endif
#define BENCH_MAX_CHANNELS 16
#define BENCH_MAX_TELEMETRY 32
#define BENCH_MAX_FRAME 127
#define BENCH_DEAD_MAN_MS 500
#define BENCH_SIGNAL_UNKNOWN (-128)

enum bench_role { BENCH_TRANSMITTER = 1, BENCH_RECEIVER = 2, BENCH_WITNESS = 3 };

enum bench_ability {
    BENCH_CAN_STICKS = 1 << 0,
    BENCH_CAN_BURST = 1 << 1,
    BENCH_CAN_SILENCE = 1 << 2,
    BENCH_CAN_INJECT = 1 << 3,
    BENCH_CAN_MUTE_ACKS = 1 << 4,
    BENCH_CAN_RESTART = 1 << 5,
    BENCH_CAN_RESTART_AT = 1 << 6,
    BENCH_CAN_DISTURB = 1 << 7,
    BENCH_SETS_PACKET_RATE = 1 << 8,
    BENCH_SETS_POWER = 1 << 9,
    BENCH_SETS_RADIO_CHANNEL = 1 << 10,
    BENCH_SETS_RETRANSMIT_LIMIT = 1 << 11,
    BENCH_SETS_RETRANSMIT_DELAY = 1 << 12,
    BENCH_CAN_DEAFEN = 1 << 13
};

enum bench_setting {
    BENCH_PACKET_RATE = 1,     /* millihertz */
    BENCH_POWER = 2,           /* tenths of a dBm */
    BENCH_RADIO_CHANNEL = 3,   /* number */
    BENCH_RETRANSMIT_LIMIT = 4, /* attempts after the first */
    BENCH_RETRANSMIT_DELAY = 5 /* us */
};

/* What a transmitter sends in a Disturb: the first three in place of its own packets, the last between them. */
enum bench_disturbance_kind {
    BENCH_CORRUPTED = 1, /* the packet that is due, with a wrong check */
    BENCH_FOREIGN = 2,   /* another transmitter's: right check, another identity, throttles low, the rest high */
    BENCH_REPEATED = 3,  /* the last own packet again */
    BENCH_BESIDE = 4     /* foreign ones half-way between the own */
};

enum bench_cause {
    BENCH_START_POWER = 0,
    BENCH_START_COMMAND = 1,
    BENCH_START_WATCHDOG = 2,
    BENCH_START_BROWN_OUT = 3,
    BENCH_START_EXTERNAL = 4,
    BENCH_START_UNKNOWN = 255
};

enum bench_reason { BENCH_CHANGE_START = 0, BENCH_CHANGE_FAILSAFE = 1, BENCH_CHANGE_OTHER = 2 };

enum bench_sent_flag { BENCH_ACKNOWLEDGED = 1 << 0, BENCH_IN_BURST = 1 << 1 };

/* Who the device is. Text is UTF-8, at most 24 bytes each; longer is cut after a whole character. */
typedef struct {
    uint8_t role;             /* enum bench_role */
    uint8_t channels;         /* 0 to 16 */
    uint32_t packet_rate_mhz; /* packets per 1000 s; 0 if not known */
    uint16_t abilities;       /* enum bench_ability; commands without their bit are refused */
    uint8_t disturbances;     /* with BENCH_CAN_DISTURB: 1 << each enum bench_disturbance_kind it can do */
    const char *firmware;
    const char *version; /* the library adds " " BENCH_BUILD, and cuts the version to make room for it */
    const char *serial;  /* of this one unit; "" if it has none */
} bench_identity;

/* What the maker supplies. All are called from within the calls below; none may call back into this library. */
typedef struct {
    /* Take a copy of a whole frame for the serial port, or none of it: return false if the buffer has no room. */
    bool (*write)(const uint8_t *frame, uint8_t count);
    /* Microseconds since any instant, wrapping at 2^32. Pauses and bursts are as fine as this is. */
    uint32_t (*micros)(void);
    /* Use these pulses (us, channel order) in place of the sticks, from the next packet on. Fewer channels
     * than the device has leave the others at rest. set_number 0 with count 0: back to the own sticks.
     * Never called with more channels than described. Copy the pulses: they do not stay. May be 0 on a receiver
     * or witness. */
    void (*sticks)(uint16_t set_number, const uint16_t *pulses_us, uint8_t count);
    /* Fill in who you are; the library has zeroed it. Called by bench_begin() and whenever the harness asks;
     * commands are held to what was told last. The texts must stay. */
    void (*describe)(bench_identity *me);
    /* Optional, may be 0: change a setting (enum bench_setting); return false if the value is out of range. */
    bool (*setting)(uint8_t setting, int32_t value);
} bench_hooks;

/* One output pulse seen by a witness. */
typedef struct {
    uint16_t ended_us; /* us from the falling edge to the time of the set */
    uint16_t width;    /* tenths of a microsecond; 0 if there was no pulse */
} bench_pulse;

/* What a device begins with after RestartAt. */
typedef struct {
    uint32_t clock_us; /* device time at the start */
    uint16_t packet;   /* number of a transmitter's first packet */
} bench_start;

/* Totals since start. */
typedef struct {
    uint32_t packets;     /* applied */
    uint32_t duplicates;  /* received again */
    uint32_t bad_packets; /* wrong length or check, or another transmitter's */
    uint16_t restarts;    /* starts since power, the first not counted */
    uint16_t free_memory; /* bytes; 65535 if not known */
} bench_totals;

#ifndef BENCH_DISABLED

/* Begin: remember the hooks (which must stay) and say that the device started. */
void bench_begin(const bench_hooks *hooks, uint8_t cause);

/* Take bytes from the serial port, whatever they are. */
void bench_received(const uint8_t *bytes, uint16_t count);

/* Do what time brings: the dead-man's switch, the ends of silences and their like. The hook for sticks may be called
 * from here and from bench_received(), never from the questions below. */
void bench_loop(void);

/* Whether the harness drives the sticks now. */
bool bench_overridden(void);
/* Transmitter: whether no packet may go out now (command Silence). This and the next two look at the clock. */
bool bench_silent(void);
/* Transmitter: whether an extra packet is due; true once for each. What falls into a silence is swallowed here. */
bool bench_burst_due(void);
/* Transmitter: what to send now for the command Disturb: enum bench_disturbance_kind, or 0 for nothing. Such packets
 * use no packet number and are not repeated. Packets of a burst are swallowed while the own ones are replaced. */
uint8_t bench_disturbance(void);
/* Transmitter: one packet sent for a Disturb is done with. At the end the library tells the PC how many there were. */
void bench_disturbed(bool acknowledged);
/* Receiver: whether packets must not be acknowledged now (command MuteAcks). */
bool bench_muted(void);
/* Receiver: whether every packet must be thrown away as it comes out of the radio module (command Deafen). */
bool bench_deaf(void);
/* Receiver: whether telemetry field number `field` is injected; puts its raw value (a float's bits) into *raw. */
bool bench_injected(uint8_t field, int32_t *raw);
/* Whether the harness asked for a restart: let the output drain, then reset. Stays true until then. */
bool bench_restart_wanted(void);
/* The device time and packet number which that restart is to begin with (command RestartAt), or 0 if it names none.
 * Keep them over the reset in memory that it does not clear. */
const bench_start *bench_restart_at(void);

/* Reports. Each returns false if the write hook had no room: the message is lost, and its number with it, so
 * that the harness sees the gap. A list longer than a message holds (16 channels or pulses, 32 bytes) is lost in
 * the same way, rather than told in part. */
bool bench_sent(uint16_t packet, uint16_t set_number, uint32_t at_us, uint32_t took_us, uint8_t attempts,
                uint8_t flags);
bool bench_telemetry(uint16_t packet, uint32_t at_us, const uint8_t *payload, uint8_t count);
bool bench_applied(uint16_t packet, uint32_t at_us, int8_t signal_dbm, const uint16_t *outputs_us, uint8_t count);
bool bench_output_change(uint32_t at_us, uint8_t reason, const uint16_t *outputs_us, uint8_t count);
bool bench_counters(const bench_totals *totals);
bool bench_pulses(uint32_t at_us, const bench_pulse *pulses, uint8_t count);

/* Messages lost because the write hook had no room, since start; stops at 65 535. */
uint16_t bench_dropped(void);
/* Frames from the PC that were cut, failed their checksum or did not fit their type, since start; wraps. */
uint16_t bench_bad_frames(void);

#else /* the flown build: no bench code, no bench port */

static inline void bench_begin(const bench_hooks *hooks, uint8_t cause) { (void)hooks; (void)cause; }
static inline void bench_received(const uint8_t *bytes, uint16_t count) { (void)bytes; (void)count; }
static inline void bench_loop(void) {}
static inline bool bench_overridden(void) { return false; }
static inline bool bench_silent(void) { return false; }
static inline bool bench_burst_due(void) { return false; }
static inline uint8_t bench_disturbance(void) { return 0; }
static inline void bench_disturbed(bool acknowledged) { (void)acknowledged; }
static inline bool bench_muted(void) { return false; }
static inline bool bench_deaf(void) { return false; }
static inline bool bench_injected(uint8_t field, int32_t *raw) { (void)field; (void)raw; return false; }
static inline bool bench_restart_wanted(void) { return false; }
static inline const bench_start *bench_restart_at(void) { return 0; }
static inline bool bench_sent(uint16_t packet, uint16_t set_number, uint32_t at_us, uint32_t took_us,
                              uint8_t attempts, uint8_t flags)
{ (void)packet; (void)set_number; (void)at_us; (void)took_us; (void)attempts; (void)flags; return true; }
static inline bool bench_telemetry(uint16_t packet, uint32_t at_us, const uint8_t *payload, uint8_t count)
{ (void)packet; (void)at_us; (void)payload; (void)count; return true; }
static inline bool bench_applied(uint16_t packet, uint32_t at_us, int8_t signal_dbm, const uint16_t *outputs_us,
                                 uint8_t count)
{ (void)packet; (void)at_us; (void)signal_dbm; (void)outputs_us; (void)count; return true; }
static inline bool bench_output_change(uint32_t at_us, uint8_t reason, const uint16_t *outputs_us, uint8_t count)
{ (void)at_us; (void)reason; (void)outputs_us; (void)count; return true; }
static inline bool bench_counters(const bench_totals *totals) { (void)totals; return true; }
static inline bool bench_pulses(uint32_t at_us, const bench_pulse *pulses, uint8_t count)
{ (void)at_us; (void)pulses; (void)count; return true; }
static inline uint16_t bench_dropped(void) { return 0; }
static inline uint16_t bench_bad_frames(void) { return 0; }

#endif

#ifdef __cplusplus
}
#endif

#endif
