"""What does a UART hear of one that runs at another rate? Nothing, if they agree; else what its samples give.

A UART finds the falling edge of the start bit and samples in the middle of each bit time that follows (8N1:
start, eight data bits from the lowest, stop). Ten bits at a rate 5 % off end half a bit away: the rates must
agree to better than that, and 2.5 % for each side is the usual allowance (common practice, no source).
"""

from __future__ import annotations

from typing import Final

BITS: Final = 10
IDLE: Final = 1


def heard_as(data: bytes, sent_ns: int, heard_ns: int) -> bytes:
    """Return what a UART with a byte time of `heard_ns` makes of bytes sent at once in `sent_ns` each.

    A byte time of 0 is a UART that is switched off: it hears nothing. Bytes with a wrong stop bit are handed
    on all the same, as drivers do.
    """
    if not sent_ns or not heard_ns:
        return b""
    if 20 * abs(sent_ns - heard_ns) < sent_ns:
        return data
    return sampled(data, sent_ns, heard_ns)


def sampled(data: bytes, sent_ns: int, heard_ns: int) -> bytes:
    """Return what a UART samples bit by bit; byte times in ns, above 0."""
    levels = _levels(data)
    bit = 2 * sent_ns  # times are in twentieths of a nanosecond, so that halves of bits stay whole
    heard = bytearray()
    edge = _falling_edge(levels, 0)
    while edge is not None:
        start = edge * bit
        places = [(start + (2 * number + 1) * heard_ns) // bit for number in range(BITS)]
        samples = [levels[place] if place < len(levels) else IDLE for place in places]
        heard.append(sum(level << number for number, level in enumerate(samples[1:9])))
        edge = _falling_edge(levels, places[-1] + 1)
    return bytes(heard)


def _levels(data: bytes) -> list[int]:
    """Return the line's level in each bit time: start bit 0, data from the lowest bit, stop bit 1."""
    levels: list[int] = []
    for byte in data:
        levels += [0, *(byte >> number & 1 for number in range(8)), IDLE]
    return levels


def _falling_edge(levels: list[int], begin: int) -> int | None:
    """Return the first bit time from `begin` on that begins with a fall from high to low."""
    for place in range(begin, len(levels)):
        if not levels[place] and (place == 0 or levels[place - 1]):
            return place
    return None
