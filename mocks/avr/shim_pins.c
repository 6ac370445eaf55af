/* What pins do, and what is about to come in: part of the shim, see shim.c. */
#include "shim.h"

static void apply_level(struct pins *p, int bit)
{
    avr_t *avr = p->core->avr;
    avr_ioport_external_t external = {.mask = p->driven, .value = p->levels};
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL('A' + p->number), &external);
    avr_raise_irq(p->irq + bit, p->levels >> bit & 1);
}

static void deliver(struct core *c, const struct input *in)
{
    if (in->what == BYTE_IN) {
        if (is_running(c))
            deliver_byte(c, in);
        return;
    }
    struct pins *p = &c->pins[in->number];
    uint8_t bit = 1 << in->bit;
    p->driven |= bit;
    p->levels = (p->levels & ~bit) | (in->value ? bit : 0);
    if (is_running(c))
        apply_level(p, in->bit);
}

static struct input *first_input(struct core *c)
{
    if (c->next_input == c->inputs.count)
        c->next_input = c->inputs.count = 0;
    return c->inputs.count ? (struct input *)c->inputs.items + c->next_input : NULL;
}

static avr_cycle_count_t input_due(avr_t *avr, avr_cycle_count_t when, void *param)
{
    struct core *c = param;
    struct input *in;
    (void)avr;
    while ((in = first_input(c)) && in->cycle <= when) {
        c->next_input++;
        deliver(c, in);
    }
    return in ? in->cycle : 0;
}

void expect_input(struct core *c)
{
    struct input *in = first_input(c);
    if (in && is_running(c))
        at_cycle(c, in->cycle, input_due, c);
}

/* In order of cycles, and of calls where they are equal; never before what has been run already. */
void add_input(struct core *c, struct input input)
{
    if (input.cycle < c->limit)
        input.cycle = c->limit;
    if (c->next_input > 4096 && 2 * c->next_input > c->inputs.count) {
        c->inputs.count -= c->next_input;
        memmove(c->inputs.items, first_input(c), c->inputs.count * sizeof input);
        c->next_input = 0;
    }
    struct input *at = more(&c->inputs, 1, sizeof *at), *first = first_input(c);
    for (; at > first && at[-1].cycle > input.cycle; at--)
        *at = at[-1];
    *at = input;
    if (at == first)
        expect_input(c);
}

void let_pass(struct core *c, uint64_t cycle)
{
    struct input *in;
    while ((in = first_input(c)) && in->cycle < cycle) {
        c->next_input++;
        deliver(c, in);
    }
    if (c->avr->cycle < cycle)
        c->avr->cycle = cycle;
}

void carry(struct core *c, const struct wire *w, int level)
{
    unsigned __int128 cycle = (unsigned __int128)c->avr->cycle * w->to->frequency + c->frequency - 1;
    add_input(w->to, (struct input){.cycle = (uint64_t)(cycle / c->frequency), .what = PIN_IN,
                                    .number = w->to_port, .bit = w->to_bit, .value = level});
}

static void port_written(avr_irq_t *irq, uint32_t value, void *param)
{
    struct pins *p = param;
    struct core *c = p->core;
    uint8_t old = p->value & p->direction;
    *(irq->irq == IOPORT_IRQ_REG_PORT ? &p->value : &p->direction) = (uint8_t)value;
    uint8_t now = p->value & p->direction, changed = now ^ old;
    for (int bit = 0; changed >> bit; bit++) {
        int level = now >> bit & 1;
        if (!(changed >> bit & 1))
            continue;
        if (p->watched >> bit & 1)
            emit(c, EDGE, c->avr->cycle, (uint8_t)(p->number << 4 | bit << 1 | level));
        for (int i = 0; i < c->wires; i++)
            if (c->wire[i].port == p->number && c->wire[i].bit == bit)
                carry(c, &c->wire[i], level);
    }
}

/* simavr tells of changes only, and forgets them over a reset. */
void release_pins(struct core *c)
{
    for (struct pins *p = c->pins; p < c->pins + PORTS; p++) {
        avr_raise_irq(p->irq + IOPORT_IRQ_DIRECTION_ALL, 0);
        avr_raise_irq(p->irq + IOPORT_IRQ_REG_PORT, 0);
        for (int bit = 0; bit < 8; bit++) {
            p->irq[bit].flags |= IRQ_FLAG_INIT;
            apply_level(p, bit);
        }
    }
}

void hook_port(struct core *c, int number)
{
    struct pins *p = &c->pins[number];
    avr_irq_t *irq = avr_io_getirq(c->avr, AVR_IOCTL_IOPORT_GETIRQ('A' + number), 0);
    *p = (struct pins){.core = c, .irq = irq, .number = number};
    avr_irq_register_notify(irq + IOPORT_IRQ_REG_PORT, port_written, p);
    avr_irq_register_notify(irq + IOPORT_IRQ_DIRECTION_ALL, port_written, p);
}
