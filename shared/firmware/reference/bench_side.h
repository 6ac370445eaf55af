/*
 * How is the bench library joined to this board? Its serial port, its clock, its restart, its hooks.
 *
 * With BENCH_DISABLED (the flown build) all of this, and the serial port with it, compiles to nothing.
 */
#ifndef BENCH_SIDE_H
#define BENCH_SIDE_H

#include <stdbool.h>

#include "bench_port.h"
#include "faults.h"

#ifndef BENCH_DISABLED

/* Open the bench port and say that the device started. `hooks` need not name write and micros. */
void bench_side_begin(bench_hooks *hooks);
/* Hand the library what came in; true if something did. Then, and every BENCH_TURN_US, call bench_loop. */
bool bench_side_listen(void);
/* Whether to restart now: the harness asked for it, and the answer is out. Call it with bench_loop. */
bool bench_side_restart(void);

#else

static inline void bench_side_begin(bench_hooks *hooks) { (void)hooks; }
static inline bool bench_side_listen(void) { return false; }
static inline bool bench_side_restart(void) { return false; }

#endif

/* How often to look at what the harness asked for, in us. An order that begins by itself, such as a delayed
 * MuteAcks, begins so late at most; looking more often costs sleep. */
#define BENCH_TURN_US 10000UL

#endif
