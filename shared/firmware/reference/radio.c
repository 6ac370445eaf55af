#include "radio.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#include "board.h"

#define RADIO_BAUD 500000UL
#define HEAD_BYTES 2  /* kind and length */
#define FRAME_BYTES 3 /* those and the checksum */
#define PARTIAL_US 5000UL
#define RX_BYTES 256 /* its 8-bit places wrap by themselves */
#define TX_BYTES 128

/* Rings: the writer owns the head, the reader the tail, so neither needs a lock. */
static uint8_t rx[RX_BYTES];
static volatile uint8_t rx_head, rx_tail;
static volatile uint8_t rx_wanted = HEAD_BYTES; /* the loop is woken when so many bytes are there */
static uint8_t tx[TX_BYTES];
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

/* A byte that finds the ring full is lost; the checksum of its frame will tell. */
ISR(USART1_RX_vect)
{
    uint8_t byte = UDR1, head = rx_head, waiting = head - rx_tail;
    if (waiting == RX_BYTES - 1)
        return;
    rx[head] = byte;
    rx_head = head + 1;
    if (waiting + 1 >= rx_wanted)
        board_work = true;
}

ISR(USART1_UDRE_vect)
{
    uint8_t tail = tx_tail;
    UDR1 = tx[tail];
    tail = (tail + 1) % TX_BYTES;
    tx_tail = tail;
    if (tail == tx_head)
        UCSR1B &= (uint8_t)~_BV(UDRIE1);
}

static uint8_t queue(uint8_t at, uint8_t byte)
{
    tx[at] = byte;
    return (at + 1) % TX_BYTES;
}

bool radio_put(uint8_t kind, const uint8_t *payload, uint8_t length)
{
    uint8_t head = tx_head;
    uint8_t used = (uint8_t)(head - tx_tail) % TX_BYTES;
    if (length > RADIO_MAX_PAYLOAD || used + length + FRAME_BYTES >= TX_BYTES)
        return false;
    uint8_t sum = kind + length;
    head = queue(queue(head, kind), length);
    for (uint8_t i = 0; i < length; i++) {
        sum += payload[i];
        head = queue(head, payload[i]);
    }
    tx_head = queue(head, (uint8_t)-sum);
    cli(); /* the interrupt changes this register too */
    UCSR1B |= _BV(UDRIE1);
    sei();
    return true;
}

/* Whether `count` bytes have come; if not, be woken when they have. */
static bool have(uint8_t count)
{
    rx_wanted = count; /* first, or a byte that comes in between would wake nobody */
    return (uint8_t)(rx_head - rx_tail) >= count;
}

static uint8_t peek(uint8_t place)
{
    return rx[(uint8_t)(rx_tail + place)];
}

/* A frame that stays unfinished was cut: the module or its cable was reset. */
static void forget_old_partial(void)
{
    uint8_t waiting = rx_head - rx_tail;
    uint32_t now = board_micros();
    if (waiting != partial_bytes) {
        partial_bytes = waiting;
        partial_since = now;
    } else if (waiting != 0 && board_reached(now, partial_since + PARTIAL_US)) {
        rx_tail = rx_head;
        rx_wanted = HEAD_BYTES;
    }
}

/* Move the frame at the tail out of the ring, and say whether its bytes add up to 0. */
static bool take(radio_frame *frame, uint8_t length)
{
    frame->kind = peek(0);
    frame->length = length;
    uint8_t sum = frame->kind + length + peek(length + HEAD_BYTES);
    for (uint8_t i = 0; i < length; i++) {
        frame->payload[i] = peek(i + HEAD_BYTES);
        sum += frame->payload[i];
    }
    rx_tail += length + FRAME_BYTES;
    return sum == 0;
}

bool radio_get(radio_frame *frame)
{
    while (have(HEAD_BYTES)) {
        uint8_t length = peek(1);
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
