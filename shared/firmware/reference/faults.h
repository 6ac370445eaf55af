/*
 * Which mistakes are built in? None, unless asked for with -D.
 *
 * These are for propsoff's own tests, which must see each of them caught. Leave them out when you copy: with a
 * switch at 0 the compiler drops its code.
 */
#ifndef FAULTS_H
#define FAULTS_H

/* Receiver. FAILSAFE_AFTER_MS in model.h makes failsafe late: 504 is too late by 4 ms, 499 is in time. */
#ifndef FAULT_FAILSAFE_NEVER
#define FAULT_FAILSAFE_NEVER 0 /* there is no failsafe */
#endif
#ifndef FAULT_FAILSAFE_THROTTLE_ONLY
#define FAULT_FAILSAFE_THROTTLE_ONLY 0 /* the other channels keep their last pulse */
#endif
#ifndef FAULT_FAILSAFE_TWICE
#define FAULT_FAILSAFE_TWICE 0 /* harmless: reports failsafe again every 100 ms, with the right outputs */
#endif
#ifndef FAULT_FAILSAFE_COUNTER_8BIT
#define FAULT_FAILSAFE_COUNTER_8BIT 0 /* an 8-bit count of 2 ms steps wraps: failsafe ends by itself */
#endif
#ifndef FAULT_FAILSAFE_ONCE
#define FAULT_FAILSAFE_ONCE 0 /* failsafe comes once after a start, and never again */
#endif
#ifndef FAULT_FAILSAFE_POWER_ONLY
#define FAULT_FAILSAFE_POWER_ONLY 0 /* failsafe is armed at power-on, not at a restart */
#endif
#ifndef FAULT_FAILSAFE_COMPARED
#define FAULT_FAILSAFE_COMPARED 0 /* a packet later than now by the clock's value is taken for none to time */
#endif
#ifndef FAULT_FED_BY
#define FAULT_FED_BY 0 /* failsafe timer: 1 corrupted, 2 foreign, 4 repeated packets, 8 any that the module gives */
#endif
#ifndef FAULT_EXIT_REPLAYS
#define FAULT_EXIT_REPLAYS 0 /* the packet that ends failsafe brings the pulses of the one before */
#endif
#ifndef FAULT_START_CENTRE
#define FAULT_START_CENTRE 0 /* every output begins at its centre, motors too */
#endif
#ifndef FAULT_CHECK_IGNORED
#define FAULT_CHECK_IGNORED 0 /* packets with a wrong check are applied */
#endif
#ifndef FAULT_IDENTITY_IGNORED
#define FAULT_IDENTITY_IGNORED 0 /* packets of another transmitter are applied */
#endif
#ifndef FAULT_REPEAT_ANSWERED
#define FAULT_REPEAT_ANSWERED 0 /* harmless: telemetry is loaded anew for a repeated packet too */
#endif
#ifndef FAULT_REPEAT_APPLIED
#define FAULT_REPEAT_APPLIED 0 /* a repeated packet is applied again */
#endif
#ifndef FAULT_NUMBER_WINDOW
#define FAULT_NUMBER_WINDOW 0 /* so many numbers up to the last are old: 32768 after a restart too, 32 is harmless */
#endif
#ifndef FAULT_NUMBER_8BIT
#define FAULT_NUMBER_8BIT 0 /* as FAULT_NUMBER_ORDER, with the low byte of the numbers */
#endif
#ifndef FAULT_SCALE_BY
#define FAULT_SCALE_BY 0 /* travel times this, over this, in 16 bits: 65 fits, 66 overflows at the end of travel */
#endif
#ifndef FAULT_KEEPS
#define FAULT_KEEPS 0 /* of the packets that wait when the loop comes round, only so many are applied */
#endif
#ifndef FAULT_FLOAT_WHOLE
#define FAULT_FLOAT_WHOLE 0 /* the current in telemetry loses its fraction */
#endif
#ifndef FAULT_TORN_UPDATE
#define FAULT_TORN_UPDATE 0 /* pins: 1 all low bytes change before the high ones, 2 harmless: pulse by pulse */
#endif
#ifndef FAULT_DISPLAY_MS
#define FAULT_DISPLAY_MS 0 /* a display routine blocks the loop so long once a second; 10 is harmless */
#endif
#ifndef FAULT_FLOAT_SWAPPED
#define FAULT_FLOAT_SWAPPED 0 /* the current in telemetry goes out most significant byte first */
#endif
#ifndef FAULT_NUMBER_ORDER
#define FAULT_NUMBER_ORDER 0 /* packets numbered below the last one are old: all of them after 65 535 */
#endif
#ifndef FAULT_ACK_FIRST
#define FAULT_ACK_FIRST 0 /* a packet is answered for at once, applied at the next servo frame, if still there */
#endif
#ifndef FAULT_HALF_UPDATE
#define FAULT_HALF_UPDATE 0 /* the second half of the channels comes from the packet before */
#endif
#ifndef FAULT_PINS_HOLD
#define FAULT_PINS_HOLD 0 /* failsafe is reported but never reaches the pins */
#endif
#ifndef FAULT_PINS_SWAPPED
#define FAULT_PINS_SWAPPED 0 /* the pins of the elevons are exchanged; the report is right */
#endif
#ifndef FAULT_REPORT_COPIES
#define FAULT_REPORT_COPIES 0 /* the pins are right; the report repeats the packet */
#endif
#ifndef FAULT_PIN_OFFSET_TICKS
#define FAULT_PIN_OFFSET_TICKS 0 /* pulses too long by so many half microseconds; 2 is harmless, 40 is not */
#endif

/* Transmitter. */
#ifndef FAULT_GIVE_UP_US
#define FAULT_GIVE_UP_US 0 /* a packet gets no further attempt so long after the first: 1 is none, 12000 is harmless */
#endif

/* Any device. Times count from its start. */
#ifndef FAULT_CRASH_MS
#define FAULT_CRASH_MS 0 /* jumps to where no program is */
#endif
#ifndef FAULT_HANG_MS
#define FAULT_HANG_MS 0 /* the loop stands still, until the watchdog bites */
#endif
#ifndef FAULT_FLOOD_MS
#define FAULT_FLOOD_MS 0 /* from then on it prints text as fast as its bench port takes it */
#endif
#ifndef FAULT_SILENT_MS
#define FAULT_SILENT_MS 0 /* from then on it says nothing on its bench port, and works on */
#endif
#ifndef FAULT_ROLE
#define FAULT_ROLE 0 /* claims this role number */
#endif
/* To claim another protocol version: -DBENCH_PROTOCOL_VERSION=2. */

#endif
