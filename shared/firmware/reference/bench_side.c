#include "bench_side.h"

#ifndef BENCH_DISABLED

#include <avr/interrupt.h>
#include <avr/io.h>
#include <string.h>

#include "board.h"

#ifndef BENCH_BAUD
#define BENCH_BAUD 115200UL
#endif
#define RX_BYTES 256 /* its 8-bit places wrap by themselves */
#define TX_BYTES 512 /* the bench counts on this much when it works out whether a burst fits */
#define DRAIN_US 100000UL
/* The port's control register with nothing to send, and with something. */
#define QUIET (_BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0))
#define SENDING (QUIET | _BV(UDRIE0))

static uint8_t rx[RX_BYTES];
static volatile uint8_t rx_head, rx_tail;
static uint8_t tx[TX_BYTES];
static uint8_t *tx_head = tx, *volatile tx_tail = tx; /* next to fill, next to send: equal when empty */
static uint32_t restart_asked_us;
static bool restarting;

/* Whether a fault begins by now. Counts milliseconds by itself: the clock wraps. */
static inline bool begun(uint32_t after_ms)
{
    static uint32_t counted_us, ms; /* since the start */
    while (board_micros() - board_start_us() - counted_us >= 1000) {
        counted_us += 1000;
        ms++;
    }
    return ms >= after_ms;
}

/* At 16 MHz the nearest speed to 115 200 bit/s is 117 647, 2.1 % fast: within what 8N1 bears. */
static void open_port(void)
{
    UCSR0A = _BV(U2X0); /* before the divisor: together they are the speed */
    UBRR0 = (F_CPU / 4 / BENCH_BAUD - 1) / 2;
    UCSR0C = _BV(UCSZ01) | _BV(UCSZ00); /* 8N1 */
    UCSR0B = QUIET;
}

/* Both interrupts first take back their request, then let others in (sei): an edge of a pulse must not wait for
 * the rest, nor while registers are saved for it. So their entries are written by hand, 14 cycles long with what
 * the processor needs to get there; neither changes a flag. The rest goes on as an interrupt with interrupts on. */
#define BYTE_CAME GPIOR1 /* a spare register of the processor; the next byte is 85 us away */
void take_byte(void) __asm__("__vector_take_byte") __attribute__((interrupt, used));
void give_byte(void) __asm__("__vector_give_byte") __attribute__((interrupt, used));

ISR(USART0_RX_vect, ISR_NAKED)
{
    __asm__ __volatile__("push r24\n\t"
                         "lds r24, %[data]\n\t"
                         "out %[came], r24\n\t"
                         "sei\n\t"
                         "pop r24\n\t"
                         "jmp __vector_take_byte"
                         :
                         : [data] "n"(_SFR_MEM_ADDR(UDR0)), [came] "I"(_SFR_IO_ADDR(BYTE_CAME)));
}

ISR(USART0_UDRE_vect, ISR_NAKED)
{
    __asm__ __volatile__("push r24\n\t"
                         "ldi r24, %[quiet]\n\t"
                         "sts %[control], r24\n\t"
                         "sei\n\t"
                         "pop r24\n\t"
                         "jmp __vector_give_byte"
                         :
                         : [control] "n"(_SFR_MEM_ADDR(UCSR0B)), [quiet] "M"(QUIET));
}

/* This one wakes the loop only at the end of a frame, or when the ring fills with something else, for a
 * sleeping device need not look at every byte. A byte that finds the ring full is lost; the library will see a
 * bad frame. */
void take_byte(void)
{
    uint8_t byte = BYTE_CAME;
    uint8_t head = rx_head, next = head + 1;
    if (next == rx_tail)
        return;
    rx[head] = byte;
    board_publish();
    rx_head = next;
    if (byte == 0 || next % (RX_BYTES / 2) == 0)
        board_wake();
}

/* Asks to be called again last of all: it may be at once, in the middle of this. */
void give_byte(void)
{
    uint8_t *tail = tx_tail;
    UDR0 = *tail++;
    if (tail == tx + TX_BYTES)
        tail = tx;
    tx_tail = tail;
    if (tail != tx_head)
        UCSR0B = SENDING;
}

/* A pointer is wider than one byte: the interrupt must not change it between its halves. */
static uint16_t used_tx(void)
{
    cli();
    const uint8_t *tail = tx_tail;
    sei();
    return (uint16_t)(tx_head - tail) % TX_BYTES;
}

/* All of it or nothing: half a frame would spoil the next one too. What does not fit before the ring's end goes to
 * its beginning. */
static bool queue(const uint8_t *bytes, uint8_t count)
{
    uint8_t straight = count;
    if (TX_BYTES - 1 - used_tx() < count)
        return false;
    if (tx + TX_BYTES - tx_head < count)
        straight = tx + TX_BYTES - tx_head;
    memcpy(tx_head, bytes, straight);
    memcpy(tx, bytes + straight, count - straight);
    uint8_t *head = tx + (uint16_t)(tx_head - tx + count) % TX_BYTES;
    cli();
    tx_head = head;
    UCSR0B = SENDING;
    sei();
    return true;
}

static bool write_frame(const uint8_t *frame, uint8_t count)
{
    if (FAULT_SILENT_MS && begun(FAULT_SILENT_MS))
        return true;
    return queue(frame, count);
}

static void act_faulty(void)
{
    static const char TEXT[] = "loop 0x2f: all is well\r\n";
    if (FAULT_CRASH_MS && begun(FAULT_CRASH_MS))
        ((void (*)(void))0xFFFF)();
    if (FAULT_HANG_MS && begun(FAULT_HANG_MS)) {
        for (;;) {
        }
    }
    if (FAULT_FLOOD_MS && begun(FAULT_FLOOD_MS)) {
        while (queue((const uint8_t *)TEXT, sizeof TEXT - 1)) {
        }
    }
}

/* The answer must get out before the restart, but a stuck port must not hold it up for ever. */
bool bench_side_restart(void)
{
    if (!bench_restart_wanted())
        return false;
    if (!restarting) {
        restarting = true;
        restart_asked_us = board_micros();
    }
    if (used_tx() != 0 && board_micros() - restart_asked_us < DRAIN_US)
        return false;
    const bench_start *start = bench_restart_at();
    if (start != 0)
        board_start_with(start->clock_us, start->packet);
    return true;
}

void bench_side_begin(bench_hooks *hooks)
{
    open_port();
    hooks->write = write_frame;
    hooks->micros = board_micros;
    bench_begin(hooks, board_cause());
}

/* What came in makes one or two straight pieces in the ring. */
bool bench_side_listen(void)
{
    uint8_t head = rx_head, tail = rx_tail;
    act_faulty();
    if (tail == head)
        return false;
    while (tail != head) {
        uint16_t count = (head > tail ? head : RX_BYTES) - tail;
        bench_received(rx + tail, count);
        tail = (uint8_t)(tail + count);
        board_publish();
        rx_tail = tail;
    }
    return true;
}

#endif
