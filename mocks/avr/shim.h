/* What the parts of the shim share: see shim.c. */
#ifndef SHIM_H
#define SHIM_H

#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include "avr_adc.h"
#include "avr_extint.h"
#include "avr_ioport.h"
#include "avr_uart.h"
#include "avr_watchdog.h"
#include "sim_avr.h"
#include "sim_core.h"
#include "sim_interrupts.h"
#include "sim_io.h"

enum { CORES = 8, PORTS = 4, UARTS = 2, WIRES = 16, SETTINGS = 5 };
enum { BENCH_UART, MODULE_UART };
enum { PIECE = 64, MODULE_PAYLOAD = 40 };
enum { TRANSMIT_DEPTH = 2 }; /* one in the buffer and one in the shift register */
enum { FLASH = 0x20000, GPIOR0 = 0x3e, REGISTERS_END = 0x100, DATA_SPACE = 0x10000 };
enum { SECOND = 1000000000 };

enum kind { BENCH_BYTES, MODULE_FRAME, EDGE, RESET, STOPPED };
enum cause { BY_POWER, BY_PIN, BY_WATCHDOG };
enum state { OFF, RUNNING, SLEEPING, CRASHED, HALTED };
enum { BYTE_IN, PIN_IN };

struct event { /* `length` bytes of payload stand at `where`; of STOPPED, the program counter stands there */
    int64_t at_ns;
    uint32_t sequence, where;
    uint8_t core, kind, detail, unused;
    uint32_t length;
};
struct input {
    uint64_t cycle;
    uint8_t what, number, bit, value;
};
struct marker {
    uint64_t cycle, value;
};
struct list {
    void *items;
    size_t count, room;
};

struct core;
struct line { /* what a UART sends */
    struct core *core;
    avr_uart_t *uart;
    avr_io_read_t read;
    uint64_t ends[TRANSMIT_DEPTH], free, last_end;
    int64_t fed_ns;
    uint8_t number, waiting[TRANSMIT_DEPTH], count, piece[PIECE], length;
};
struct setting { /* a register that changes how long a byte lasts */
    struct line *line;
    avr_io_write_t write;
    void *param;
};
struct pins { /* a port: what it drives, and what drives it */
    struct core *core;
    avr_irq_t *irq;
    uint8_t number, value, direction, watched, driven, levels;
};
struct wire {
    struct core *to;
    uint8_t port, bit, to_port, to_bit;
};
struct core {
    struct bench *bench;
    avr_t *avr;
    avr_run_t run;
    avr_watchdog_t *watchdog;
    uint32_t frequency;
    uint64_t noise, limit, starts_at;
    uint8_t index, starts, state, wires;
    struct line line[UARTS];
    struct setting settings[UARTS * SETTINGS];
    struct pins pins[PORTS];
    struct wire wire[WIRES];
    struct list inputs, markers;
    size_t next_input;
};
struct bench {
    struct core *core[CORES];
    int count;
    uint32_t sequence;
    int64_t now, horizon, lookahead;
    struct list events, payload, drained;
};

static inline int64_t ns_of(const struct core *c, uint64_t cycle)
{
    return (int64_t)(((unsigned __int128)cycle * SECOND + c->frequency - 1) / c->frequency);
}

static inline uint64_t cycle_at(const struct core *c, int64_t ns)
{
    return (uint64_t)((unsigned __int128)ns * c->frequency / SECOND);
}

static inline uint64_t cycle_from(const struct core *c, int64_t ns)
{
    return (uint64_t)(((unsigned __int128)ns * c->frequency + SECOND - 1) / SECOND);
}

static inline int is_running(const struct core *c) { return c->state == RUNNING; }

/* A `when` already past is kept as it is: relative times wrap. */
static inline void at_cycle(struct core *c, uint64_t when, avr_cycle_timer_t timer, void *param)
{
    avr_cycle_timer_register(c->avr, when - c->avr->cycle, timer, param);
}

#pragma GCC visibility push(hidden)

/* shim.c */
void *more(struct list *list, size_t count, size_t size);
struct event *emit(struct core *c, enum kind kind, uint64_t cycle, uint8_t detail);

/* shim_lines.c: what UARTs send and receive */
void tell_piece(struct core *c);
void hook_uart(struct core *c, int number);
void retime(struct line *l);
void clear_lines(struct core *c);
void deliver_byte(struct core *c, const struct input *in);

/* shim_pins.c: what pins do, and what is about to come in */
void hook_port(struct core *c, int number);
void release_pins(struct core *c);
void carry(struct core *c, const struct wire *w, int level);
void add_input(struct core *c, struct input input);
void expect_input(struct core *c);
void let_pass(struct core *c, uint64_t cycle);

/* shim_cores.c: starting, running and stopping */
avr_cycle_count_t stop(avr_t *avr, avr_cycle_count_t when, void *param);
void *part(avr_t *avr, const char *kind, char name);
struct core *make_core(struct bench *b, uint32_t hz);
void free_core(struct core *c);
void run_core(struct core *c);
void power_up(struct core *c);
void restart(struct core *c, enum cause cause);
void mark(struct core *c);

#pragma GCC visibility pop

#endif
