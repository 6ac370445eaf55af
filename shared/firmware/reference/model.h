/*
 * What is Dunlin? Everything the two ends of the link must agree on, and nothing else.
 *
 * Dunlin is a home-built twin-propeller flying wing for shoreline survey photographs. Copying these firmwares
 * for another model, begin here. Every number can also be set with -D when building.
 */
#ifndef MODEL_H
#define MODEL_H

#include <stdbool.h>
#include <stdint.h>

#ifndef PACKET_RATE_MHZ
#define PACKET_RATE_MHZ 50000 /* packets per 1000 s */
#endif
#ifndef FIRST_PACKET
#define FIRST_PACKET 0 /* number of the first packet after a start */
#endif
#ifndef FAILSAFE_AFTER_MS
#define FAILSAFE_AFTER_MS 480 /* from the last applied packet to failsafe */
#endif
#ifndef LINK_IDENTITY
#define LINK_IDENTITY 0x5D /* of the transmitter, in every packet; the receiver that is bound to it obeys no other */
#endif
#ifndef FOREIGN_IDENTITY
#define FOREIGN_IDENTITY 0xA2 /* of the other transmitter that ours plays when the bench asks for disturbance */
#endif
#ifndef WRONG_CHECK
#define WRONG_CHECK 0xFF /* bits of the check that are wrong in a packet corrupted for the bench; not 0 */
#endif
#ifndef UNIT_SERIAL
#define UNIT_SERIAL "" /* serial number of this one unit */
#endif

/* Pulses, in us. */
#ifndef LOW_US
#define LOW_US 1000
#endif
#ifndef HIGH_US
#define HIGH_US 2000
#endif
#ifndef CENTRE_US
#define CENTRE_US 1500
#endif
#ifndef TILT_LOW_US
#define TILT_LOW_US 1100
#endif
#ifndef TILT_HIGH_US
#define TILT_HIGH_US 1900
#endif
#define HOLD 0 /* as a failsafe pulse: keep the last one */
#ifndef MOTOR_FAILSAFE_US
#define MOTOR_FAILSAFE_US 950 /* below any stick: a flight controller behind the receiver knows failsafe by it */
#endif
#ifndef ELEVON_FAILSAFE_US
#define ELEVON_FAILSAFE_US 1500
#endif
#ifndef TILT_FAILSAFE_US
#define TILT_FAILSAFE_US HOLD
#endif
#ifndef SHUTTER_FAILSAFE_US
#define SHUTTER_FAILSAFE_US 1000
#endif

enum channel { LEFT_MOTOR, RIGHT_MOTOR, LEFT_ELEVON, RIGHT_ELEVON, CAMERA_TILT, SHUTTER, CHANNELS };

typedef struct {
    uint16_t low_us, high_us; /* ends of the stick's range */
    uint16_t rest_us;         /* the stick let go */
    uint16_t failsafe_us;     /* output without a link, or HOLD */
    bool throttle;
    bool reversed; /* the servo is mounted the other way round */
} channel_settings;

static const channel_settings MODEL[CHANNELS] = {
    [LEFT_MOTOR] = {LOW_US, HIGH_US, LOW_US, MOTOR_FAILSAFE_US, true, false},
    [RIGHT_MOTOR] = {LOW_US, HIGH_US, LOW_US, MOTOR_FAILSAFE_US, true, false},
    [LEFT_ELEVON] = {LOW_US, HIGH_US, CENTRE_US, ELEVON_FAILSAFE_US, false, false},
    [RIGHT_ELEVON] = {LOW_US, HIGH_US, CENTRE_US, ELEVON_FAILSAFE_US, false, true},
    [CAMERA_TILT] = {TILT_LOW_US, TILT_HIGH_US, CENTRE_US, TILT_FAILSAFE_US, false, false},
    [SHUTTER] = {LOW_US, HIGH_US, CENTRE_US, SHUTTER_FAILSAFE_US, false, false},
};

#endif
