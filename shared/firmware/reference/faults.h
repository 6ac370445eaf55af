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
