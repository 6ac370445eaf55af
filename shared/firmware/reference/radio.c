#include "radio.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "board.h"

#define RADIO_BAUD 500000UL
#define HEAD_BYTES 2  /* kind and length */
#define FRAME_BYTES 3 /* those and the checksum */
#define PARTIAL_US 5000UL
#define RING_BYTES 256 /* 8-bit places wrap by themselves */

/* Rings: the writer owns the head, the reader the tail, so neither needs a lock. */
static uint8_t rx[RING_BYTES];
static volatile uint8_t rx_head, rx_tail;
static volatile uint8_t rx_due = HEAD_BYTES; /* the place where the head comes when a head or a frame is whole */
static uint8_t tx[RING_BYTES];
static volatile uint8_t tx_head, tx_tail;

static uint32_t partial_since;
static uint8_t partial_bytes;
static uint32_t bad_frames;

void radio_begin(void)
{
    UCSR1A = _BV(U2X1); /* before the divisor: together they are the speed */
    UBRR1 = F_CPU / 8 / RADIO_BAUD - 1;
    UCSR1C = _BV(UCSZ11) | _BV(UCSZ10); /* 8N1 */
    UCSR1B = _BV(RXEN1) | _BV(TXEN1) | _BV(RXCIE1);
}

/* A byte that finds the ring full is lost; the checksum of its frame will tell. The byte that ends a head is the
 * length of what follows: the loop need not wake for it. */
ISR(USART1_RX_vect)
{
    uint8_t byte = UDR1, head = rx_head, next = head + 1, tail = rx_tail;
    if (next == tail)
        return;
    rx[head] = byte;
    board_publish();
    rx_head = next;
    if (next != rx_due)
        return;
    if (next == (uint8_t)(tail + HEAD_BYTES) && byte <= RADIO_MAX_PAYLOAD)
        rx_due = next + byte + 1;
    else
        board_wake();
}

ISR(USART1_UDRE_vect)
{
    uint8_t tail = tx_tail;
    UDR1 = tx[tail];
    tx_tail = ++tail;
    if (tail == tx_head)
        UCSR1B &= (uint8_t)~_BV(UDRIE1);
}

bool radio_put(uint8_t kind, const uint8_t *payload, uint8_t length)
{
    uint8_t head = tx_head, used = head - tx_tail, sum = kind + length;
    if (length > RADIO_MAX_PAYLOAD || used + length + FRAME_BYTES >= RING_BYTES)
        return false;
    tx[head++] = kind;
    tx[head++] = length;
    for (; length > 0; length--) {
        uint8_t byte = *payload++;
        sum += byte;
        tx[head++] = byte;
    }
    tx[head++] = (uint8_t)-sum;
    board_publish();
    tx_head = head;
    cli(); /* the interrupt changes this register too */
    UCSR1B |= _BV(UDRIE1);
    sei();
    return true;
}

/* Whether `count` bytes have come; if not, be woken when they have. */
static bool have(uint8_t count)
{
    rx_due = rx_tail + count; /* first, or a byte that comes in between would wake nobody */
    return (uint8_t)(rx_head - rx_tail) >= count;
}

/* Everything before this place is done with; a frame begins here. */
static void begin_at(uint8_t place)
{
    board_publish();
    rx_tail = place;
    rx_due = place + HEAD_BYTES;
    partial_bytes = 0;
}

/* A frame that stays unfinished was cut: the module or its cable was reset. */
static void forget_old_partial(void)
{
    uint8_t waiting = rx_head - rx_tail;
    if (waiting == 0)
        return;
    uint32_t now = board_micros();
    if (waiting != partial_bytes) {
        partial_bytes = waiting;
        partial_since = now;
    } else if (board_reached(now, partial_since + PARTIAL_US)) {
        cli(); /* a byte that comes in between would be half forgotten */
        begin_at(rx_head);
        sei();
    }
}

/* Move the frame at the tail out of the ring, and say whether its bytes add up to 0. */
static bool take(radio_frame *frame, uint8_t length)
{
    uint8_t at = rx_tail, *to = frame->payload, sum = length;
    frame->kind = rx[at];
    frame->length = length;
    sum += rx[at];
    at += HEAD_BYTES;
    for (; length > 0; length--) {
        uint8_t byte = rx[at++];
        sum += byte;
        *to++ = byte;
    }
    sum += rx[at++];
    begin_at(at);
    return sum == 0;
}

bool radio_get(radio_frame *frame)
{
    if (rx_head == rx_tail)
        return false;
    while (have(HEAD_BYTES)) {
        uint8_t length = rx[(uint8_t)(rx_tail + 1)];
        if (length > RADIO_MAX_PAYLOAD) {
            rx_tail++; /* no frame begins here: look one byte on */
            continue;
        }
        if (!have(length + FRAME_BYTES))
            break;
        if (take(frame, length))
            return true;
        bad_frames++;
    }
    forget_old_partial();
    return false;
}

uint32_t radio_bad_frames(void)
{
    return bad_frames;
}
