/* What UARTs send and receive, byte by byte: part of the shim, see shim.c. */
#include "shim.h"

DEFINE_FIFO(uint16_t, uart_fifo);

enum { RECEIVE_DEPTH = 3 };  /* two bytes in the buffer and one in the shift register (data sheet, USART) */
static const int64_t MODULE_GAP_NS = 5000000;

static void emit_piece(struct line *l, enum kind kind)
{
    struct list *payload = &l->core->bench->payload;
    if (!l->length)
        return;
    struct event *e = emit(l->core, kind, l->last_end, 0);
    e->where = (uint32_t)payload->count;
    e->length = l->length;
    memcpy(more(payload, l->length, 1), l->piece, l->length);
    l->length = 0;
}

void tell_piece(struct core *c) { emit_piece(&c->line[BENCH_UART], BENCH_BYTES); }

/* A core stops soon after a frame, and the cores after it no later, so that what the frame brings about can
 * still be fed in time. A core before it may have gone further: nothing that it does not know of reaches it. */
static void look_ahead(struct core *c, uint64_t cycle)
{
    struct bench *b = c->bench;
    int64_t horizon = ns_of(c, cycle) + b->lookahead;
    if (!b->lookahead || horizon >= b->horizon)
        return;
    b->horizon = horizon;
    c->limit = cycle_at(c, horizon) + 1;
    at_cycle(c, c->limit, stop, c);
}

static void take_bench_byte(struct line *l, uint8_t byte, uint64_t end)
{
    l->piece[l->length++] = byte;
    l->last_end = end;
    if (!byte || l->length == PIECE)
        emit_piece(l, BENCH_BYTES);
}

static void take_module_byte(struct line *l, uint8_t byte, uint64_t end)
{
    uint64_t start = end - l->uart->cycles_per_byte;
    if (l->length && start > l->last_end && ns_of(l->core, start - l->last_end) > MODULE_GAP_NS)
        l->length = 0;
    l->piece[l->length++] = byte;
    l->last_end = end;
    if (l->length == 2 && byte > MODULE_PAYLOAD)
        l->length = 0;
    if (l->length < 2 || l->length < l->piece[1] + 3)
        return;
    emit_piece(l, MODULE_FRAME);
    look_ahead(l->core, end);
}

/* A byte has ended; if none is on the line, it has been idle for two byte times. */
static avr_cycle_count_t line_due(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct line *l = param;
    (void)avr;
    if (!l->count) {
        emit_piece(l, BENCH_BYTES);
        return 0;
    }
    (l->number == BENCH_UART ? take_bench_byte : take_module_byte)(l, l->waiting[0], when);
    l->waiting[0] = l->waiting[1];
    l->ends[0] = l->ends[1];
    if (--l->count)
        return l->ends[0];
    return l->number == BENCH_UART && l->length ? when + 2 * l->uart->cycles_per_byte : 0;
}

/* simavr calls this at the write to the data register; on the line, bytes follow one another. */
static void byte_written(avr_irq_t *irq, uint32_t value, void *param)
{
    struct line *l = param;
    avr_t *avr = l->core->avr;
    (void)irq;
    if (l->count == TRANSMIT_DEPTH)
        return; /* the hardware ignores writes to a full buffer */
    l->free = (avr->cycle > l->free ? avr->cycle : l->free) + l->uart->cycles_per_byte;
    l->waiting[l->count] = (uint8_t)value;
    l->ends[l->count++] = l->free;
    if (l->count == 1)
        at_cycle(l->core, l->free, line_due, l);
}

void retime(struct line *l)
{
    static const uint8_t data_bits[] = {5, 6, 7, 8, 8, 8, 8, 9};
    avr_t *avr = l->core->avr;
    avr_uart_t *u = l->uart;
    unsigned size = avr_regbit_get(avr, u->ucsz) | avr_regbit_get(avr, u->ucsz2) << 2;
    unsigned parity = avr->data[u->r_ucsrc] >> 5 & 1; /* UPMn1 */
    unsigned bits = 1 + data_bits[size] + parity + 1 + avr_regbit_get(avr, u->usbs);
    unsigned divisor = 1 + (avr_regbit_get(avr, u->ubrrl) | avr_regbit_get(avr, u->ubrrh) << 8);
    u->cycles_per_byte = bits * divisor * (avr_regbit_get(avr, u->u2x) ? 8 : 16);
}

static void setting_written(avr_t *avr, avr_io_addr_t address, uint8_t value, void *param)
{
    struct setting *s = param;
    if (s->write)
        s->write(avr, address, value, s->param);
    else
        avr->data[address] = value;
    retime(s->line);
}

void clear_lines(struct core *c)
{
    for (struct line *l = c->line; l < c->line + UARTS; l++) {
        if (l->number == BENCH_UART)
            emit_piece(l, BENCH_BYTES);
        l->length = l->count = 0; /* a byte that was on its way is cut off */
        l->free = 0;
    }
}

void deliver_byte(struct core *c, const struct input *in)
{
    avr_uart_t *u = c->line[in->number].uart;
    if (uart_fifo_get_read_size(&u->input) >= RECEIVE_DEPTH) {
        avr_regbit_set(c->avr, u->dor);
        return;
    }
    avr_cycle_count_t cycles = u->cycles_per_byte;
    u->cycles_per_byte = 1; /* simavr takes this as the start of the byte, and waits one out */
    avr_raise_irq(u->io.irq + UART_IRQ_INPUT, in->value);
    u->cycles_per_byte = cycles;
}

/* While a byte is left the flag stays up; simavr would raise it again only a byte time later. */
static uint8_t byte_read(avr_t *avr, avr_io_addr_t address, void *param)
{
    struct line *l = param;
    uint8_t value = l->read(avr, address, l->uart);
    if (!uart_fifo_isempty(&l->uart->input)) {
        l->uart->rx_cnt = 0;
        avr_raise_interrupt(avr, &l->uart->rxc);
    }
    return value;
}

void hook_uart(struct core *c, int number)
{
    struct line *l = &c->line[number];
    uint32_t flags = 0;
    avr_uart_t *u = part(c->avr, "uart", '0' + number);
    *l = (struct line){.core = c, .uart = u, .number = number, .fed_ns = INT64_MIN / 2};
    avr_ioctl(c->avr, AVR_IOCTL_UART_SET_FLAGS(u->name), &flags);
    avr_irq_register_notify(u->io.irq + UART_IRQ_OUTPUT, byte_written, l);
    avr_io_addr_t registers[SETTINGS] = {u->r_ucsra, u->r_ucsrb, u->r_ucsrc, u->ubrrl.reg, u->ubrrh.reg};
    for (int i = 0; i < SETTINGS; i++) {
        struct setting *s = &c->settings[number * SETTINGS + i];
        avr_io_addr_t io = AVR_DATA_TO_IO(registers[i]);
        *s = (struct setting){l, c->avr->io[io].w.c, c->avr->io[io].w.param};
        c->avr->io[io].w.c = setting_written;
        c->avr->io[io].w.param = s;
    }
    avr_io_addr_t data = AVR_DATA_TO_IO(u->r_udr);
    l->read = c->avr->io[data].r.c;
    c->avr->io[data].r.c = byte_read;
    c->avr->io[data].r.param = l;
}
