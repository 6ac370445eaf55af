/*
 * How do real AVR cores run in virtual time, and what comes out of their pins and UARTs at which cycle?
 *
 * A thin layer over libsimavr, compiled when an emulated bench is first opened and loaded by
 * mocks/avr/emulator.py, which says what each call means and checks what it is given. One bench owns its cores;
 * benches share nothing but simavr's logger, silenced once. What a bench is told stands here; cores run in
 * shim_cores.c, UARTs are in shim_lines.c, pins and whatever comes in at its time in shim_pins.c.
 *
 * Time. A core's cycle c happens at ceil(c * 1e9 / f) ns, so cycles up to floor(t * f / 1e9) happen by time t.
 * Running to t means: every instruction that starts, and every cycle timer that is due, before `limit` =
 * floor(t * f / 1e9) + 1. The order of steps in `run_core` makes the result independent of where runs are cut.
 *
 * Mended in simavr 1.6, each beside its code: sleeping is exact (upstream adds a cycle a time and waits on the
 * wall clock), timers see the cycle they were due at, a byte lasts as many bits as were set up (upstream always
 * counts a parity bit), a received byte is ready when it ends (upstream: a byte later), buffers are as deep as
 * the hardware's, the transmitter is off after a reset, MCUSR keeps its flags over one, and stray addresses
 * stay inside the emulated memories.
 */
#include "shim.h"

static void be_quiet(avr_t *avr, const int level, const char *format, va_list values)
{
    (void)avr, (void)level, (void)format, (void)values;
}

__attribute__((constructor)) static void loaded(void) { avr_global_logger_set(be_quiet); }

void *more(struct list *list, size_t count, size_t size)
{
    if (list->count + count > list->room) {
        size_t room = 2 * (list->count + count) + 16;
        void *items = realloc(list->items, room * size);
        if (!items)
            abort(); /* out of memory: nothing sensible is left to do */
        list->items = items;
        list->room = room;
    }
    list->count += count;
    return (char *)list->items + (list->count - count) * size;
}

struct event *emit(struct core *c, enum kind kind, uint64_t cycle, uint8_t detail)
{
    struct event *e = more(&c->bench->events, 1, sizeof *e);
    *e = (struct event){.at_ns = ns_of(c, cycle), .sequence = c->bench->sequence++, .core = c->index,
                        .kind = kind, .detail = detail};
    return e;
}

/* ---- making and freeing ---- */

struct bench *bench_open(void) { return calloc(1, sizeof(struct bench)); }

void bench_close(struct bench *b)
{
    for (int i = 0; i < b->count; i++)
        free_core(b->core[i]);
    free(b->events.items);
    free(b->payload.items);
    free(b->drained.items);
    free(b);
}

int bench_add(struct bench *b, const uint8_t *flash, uint32_t size, uint32_t hz, int64_t on_ns, uint64_t seed)
{
    struct core *c = b->count < CORES && size <= FLASH ? make_core(b, hz) : NULL;
    if (!c)
        return -1;
    memcpy(c->avr->flash, flash, size);
    c->noise = (seed + 1) * 0x9e3779b97f4a7c15 | 1;
    c->starts = 1;
    c->starts_at = cycle_from(c, on_ns > b->now ? on_ns : b->now);
    b->core[b->count] = c;
    return b->count++;
}

/* ---- calls while it runs ---- */

int64_t bench_run(struct bench *b, int64_t until_ns, int64_t lookahead_ns)
{
    if (!b->events.count)
        b->payload.count = 0;
    b->horizon = until_ns;
    b->lookahead = lookahead_ns;
    for (size_t i = 0; lookahead_ns && i < b->events.count; i++) { /* frames that were not told yet */
        const struct event *e = (const struct event *)b->events.items + i;
        if (e->kind == MODULE_FRAME && e->at_ns + lookahead_ns < b->horizon)
            b->horizon = e->at_ns + lookahead_ns;
    }
    if (b->horizon < b->now)
        b->horizon = b->now;
    for (int i = 0; i < b->count; i++)
        run_core(b->core[i]);
    return b->now = b->horizon;
}

static int in_order(const void *a, const void *b)
{
    const struct event *x = a, *y = b;
    if (x->at_ns != y->at_ns)
        return x->at_ns < y->at_ns ? -1 : 1;
    return (int32_t)(x->sequence - y->sequence);
}

/* Events up to now, in order; they and their payload stand until the next run. */
size_t bench_drain(struct bench *b, const struct event **events, const uint8_t **payload)
{
    struct event *all = b->events.items;
    size_t ready = 0, count = b->events.count;
    if (count > 1)
        qsort(all, count, sizeof *all, in_order);
    while (ready < count && all[ready].at_ns <= b->now)
        ready++;
    b->drained.count = 0;
    if (ready)
        memcpy(more(&b->drained, ready, sizeof *all), all, ready * sizeof *all);
    if (ready < count)
        memmove(all, all + ready, (count - ready) * sizeof *all);
    b->events.count = count - ready;
    *events = b->drained.items;
    *payload = b->payload.items;
    return ready;
}

/* Let a piece that is still under way be told as far as it has come. */
void bench_flush(struct bench *b)
{
    for (int i = 0; i < b->count; i++)
        tell_piece(b->core[i]);
}

void bench_feed(struct bench *b, int core, int uart, int64_t end, int64_t byte, const uint8_t *data, size_t n)
{
    struct core *c = b->core[core];
    struct line *l = &c->line[uart];
    for (size_t i = 0; i < n; i++, end += byte) {
        if (end < l->fed_ns + byte)
            end = l->fed_ns + byte;
        if (end < b->now)
            end = b->now;
        l->fed_ns = end;
        add_input(c, (struct input){.cycle = cycle_from(c, end), .what = BYTE_IN, .number = uart,
                                    .value = data[i]});
    }
}

int bench_wire(struct bench *b, int core, int port, int bit, int to, int to_port, int to_bit)
{
    struct core *c = b->core[core];
    const struct pins *p = &c->pins[port];
    if (c->wires == WIRES)
        return -1;
    struct wire *w = &c->wire[c->wires++];
    *w = (struct wire){.to = b->core[to], .port = port, .bit = bit, .to_port = to_port, .to_bit = to_bit};
    carry(c, w, p->value & p->direction & 1 << bit);
    return 0;
}

void bench_watch(struct bench *b, int core, int port, int bit)
{
    b->core[core]->pins[port].watched |= 1 << bit;
}

void bench_analog(struct bench *b, int core, int channel, uint32_t millivolt)
{
    avr_raise_irq(avr_io_getirq(b->core[core]->avr, AVR_IOCTL_ADC_GETIRQ, channel), millivolt);
}

/* What is done to a core from outside happens now: an instruction that ends later is cut off. */
static void act_now(struct core *c) { c->avr->cycle = c->limit ? c->limit - 1 : 0; }

void bench_power(struct bench *b, int core, int on)
{
    struct core *c = b->core[core];
    if (on == (c->state != OFF || c->starts))
        return;
    act_now(c);
    if (on) {
        power_up(c);
        return;
    }
    if (c->state != OFF) {
        clear_lines(c);
        c->state = OFF;
        release_pins(c);
    }
    c->starts = 0;
}

void bench_reset(struct bench *b, int core)
{
    struct core *c = b->core[core];
    if (c->state == OFF)
        return;
    act_now(c);
    restart(c, BY_PIN);
}

int64_t bench_byte_ns(struct bench *b, int core, int uart)
{
    struct core *c = b->core[core];
    avr_uart_t *u = c->line[uart].uart;
    if (c->state == OFF || !avr_regbit_get(c->avr, u->txen))
        return 0;
    return (int64_t)((u->cycles_per_byte * SECOND + c->frequency / 2) / c->frequency);
}

void bench_mark(struct bench *b, int core) { mark(b->core[core]); }

size_t bench_markers(struct bench *b, int core, const struct marker **markers)
{
    *markers = b->core[core]->markers.items;
    return b->core[core]->markers.count;
}

uint64_t bench_cycles(struct bench *b, int core) { return b->core[core]->avr->cycle; }

int bench_state(struct bench *b, int core)
{
    struct core *c = b->core[core];
    return is_running(c) && c->avr->state == cpu_Sleeping ? SLEEPING : c->state;
}
