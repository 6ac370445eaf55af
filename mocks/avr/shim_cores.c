/* Cores start, run and stop: part of the shim, see shim.c. */
#include "shim.h"

enum { EXTERNAL_INTERRUPTS = 3 };
enum { SUPPLY_MV = 5000 };
enum { MARKERS = 1 << 20 };

avr_cycle_count_t stop(avr_t *avr, avr_cycle_count_t when, void *param)
{
    (void)avr, (void)when, (void)param;
    return 0; /* being in simavr's list is enough: no run of instructions goes past the next timer */
}

void restart(struct core *c, enum cause cause)
{
    avr_t *avr = c->avr;
    uint8_t *mcusr = &avr->data[avr->reset_flags.porf.reg], flags = *mcusr;
    clear_lines(c);
    if (avr->run != c->run)
        avr->run(avr); /* the watchdog's own reset; it gives `run` back */
    if (cause != BY_WATCHDOG)
        avr_reset(avr);
    *mcusr |= flags;
    if (cause == BY_POWER)
        *mcusr = 1 << avr->reset_flags.porf.bit;
    if (cause == BY_PIN)
        *mcusr |= 1 << avr->reset_flags.extrf.bit;
    avr->run_cycle_limit = UINT64_MAX;
    c->state = RUNNING;
    for (struct line *l = c->line; l < c->line + UARTS; l++) {
        avr_regbit_clear(avr, l->uart->txen);
        retime(l);
    }
    for (uint8_t i = 0; i < EXTERNAL_INTERRUPTS; i++) /* else simavr looks at each low pin every cycle */
        avr_extint_set_strict_lvl_trig(avr, i, 0);
    release_pins(c);
    emit(c, RESET, avr->cycle, cause);
    if (c->limit > avr->cycle)
        at_cycle(c, c->limit, stop, c);
    expect_input(c);
}

void power_up(struct core *c)
{
    for (unsigned i = 0; i <= c->avr->ramend; i++) {
        if (i >= 32 && i < REGISTERS_END)
            continue;
        c->noise ^= c->noise << 13, c->noise ^= c->noise >> 7, c->noise ^= c->noise << 17; /* xorshift64 */
        c->avr->data[i] = (uint8_t)(c->noise >> 32);
    }
    c->starts = 0;
    restart(c, BY_POWER);
}

static void halt(struct core *c, enum state state)
{
    c->state = state;
    emit(c, STOPPED, c->avr->cycle, state)->where = c->avr->pc;
}

/* Timers due up to `last`, each at its own cycle, though the instruction under way ends later. Without the
 * interrupt flag nothing wakes a core. */
static void run_timers(struct core *c, uint64_t last)
{
    avr_t *avr = c->avr;
    avr_cycle_timer_slot_p *first = &avr->cycle_timers.timer;
    uint64_t cycle = avr->cycle;
    int deaf = avr->state == cpu_Sleeping && !avr->sreg[S_I];
    if (last > cycle)
        last = cycle;
    while (*first && (*first)->when <= last) {
        avr->cycle = (*first)->when;
        avr_cycle_timer_process(avr);
    }
    avr->cycle = cycle;
    if (deaf && avr->state == cpu_Running)
        avr->state = cpu_Sleeping;
}

static void sleep_on(struct core *c)
{
    avr_t *avr = c->avr;
    int resets = avr_regbit_get(avr, c->watchdog->wde) && !avr_regbit_get(avr, c->watchdog->watchdog.enable);
    if (!avr->sreg[S_I] && !resets)
        halt(c, HALTED);
    else
        avr->cycle = avr->cycle_timers.timer->when;
}

void run_core(struct core *c)
{
    avr_t *avr = c->avr;
    uint64_t limit = cycle_at(c, c->bench->horizon) + 1;
    if (limit <= c->limit)
        return;
    c->limit = limit;
    if (c->starts && c->starts_at < c->limit) {
        let_pass(c, c->starts_at);
        power_up(c);
    }
    if (is_running(c) && avr->cycle < c->limit)
        at_cycle(c, c->limit, stop, c);
    while (is_running(c)) {
        run_timers(c, c->limit - 1);
        if (avr->cycle >= c->limit)
            return;
        if (avr->run != c->run) {
            restart(c, BY_WATCHDOG);
            continue;
        }
        if (avr->interrupt_state)
            avr_service_interrupts(avr);
        if (avr->state == cpu_Sleeping) {
            sleep_on(c);
            continue;
        }
        avr->run_cycle_count = avr->cycle_timers.timer->when - avr->cycle;
        avr->pc = avr_run_one(avr);
        if (avr->state == cpu_Crashed)
            halt(c, CRASHED);
    }
    let_pass(c, c->limit);
}

/* ---- making and freeing ---- */

void *part(avr_t *avr, const char *kind, char name)
{
    avr_io_t *io = avr->io_port;
    while (io && (strcmp(io->kind, kind) || (name && ((avr_uart_t *)io)->name != name)))
        io = io->next;
    return io;
}

static void keep_in_flash(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    (void)param;
    avr->data[address] = value & (avr->flashend >> 16);
}

static avr_t *make(uint32_t frequency)
{
    avr_t *avr = avr_make_mcu_by_name("atmega1284p");
    if (!avr)
        return NULL;
    avr_init(avr);
    avr->frequency = frequency;
    avr->vcc = avr->avcc = avr->aref = SUPPLY_MV;
    avr->log = LOG_NONE;
    avr->data = realloc(avr->data, DATA_SPACE); /* simavr notes a stray write as a crash, and then does it */
    if (!avr->data)
        abort();
    memset(avr->data + avr->ramend + 1, 0, DATA_SPACE - avr->ramend - 1);
    avr_register_io_write(avr, avr->rampz, keep_in_flash, avr);
    return avr;
}

static void unmake(avr_t *avr)
{
    avr_irq_t **pool = avr->irq_pool.irq;
    for (int i = 0; i < avr->interrupts.vector_count; i++) /* avr_terminate forgets these */
        avr_free_irq(avr->interrupts.vector[i]->irq, AVR_INT_IRQ_COUNT);
    avr_free_irq(avr->interrupts.irq, AVR_INT_IRQ_COUNT);
    for (int i = 0; i < MAX_IOs; i++)
        avr_free_irq(avr->io[i].irq, AVR_IOMEM_IRQ_ALL + 1);
    avr_terminate(avr);
    free(pool);
    free(avr);
}

struct core *make_core(struct bench *b, uint32_t hz)
{
    avr_t *avr = make(hz);
    if (!avr)
        return NULL;
    struct core *c = calloc(1, sizeof *c);
    if (!c)
        abort();
    *c = (struct core){.bench = b, .avr = avr, .run = avr->run, .frequency = hz, .index = b->count};
    c->watchdog = part(avr, "watchdog", 0);
    for (int i = 0; i < UARTS; i++)
        hook_uart(c, i);
    for (int i = 0; i < PORTS; i++)
        hook_port(c, i);
    return c;
}

void free_core(struct core *c)
{
    unmake(c->avr);
    free(c->inputs.items);
    free(c->markers.items);
    free(c);
}

static void marked(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct list *markers = param;
    avr->data[address] = value;
    if (markers->count < MARKERS)
        *(struct marker *)more(markers, 1, sizeof(struct marker)) = (struct marker){avr->cycle, value};
}

void mark(struct core *c)
{
    c->avr->io[AVR_DATA_TO_IO(GPIOR0)].w.c = marked;
    c->avr->io[AVR_DATA_TO_IO(GPIOR0)].w.param = &c->markers;
}
