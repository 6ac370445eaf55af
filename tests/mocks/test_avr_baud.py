"""Two UARTs at different rates: what one hears of the other."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mocks.avr.baud import heard_as, sampled

BYTE_NS = 86_806
"""Ten bits at 115 200 bit/s."""


@given(st.binary(max_size=40), st.integers(-47, 47))
def test_a_uart_hears_every_byte_while_the_rates_differ_by_less_than_half_a_bit_in_ten(data, permille):
    """Sample 9.5 of 10 stays inside its bit up to 5 %; arithmetic, no source needed."""
    assert sampled(data, BYTE_NS, BYTE_NS * (1000 + permille) // 1000) == data


@pytest.mark.parametrize("permille", [-60, 60])
def test_a_uart_six_percent_off_hears_wrong_bytes(permille):
    text = bytes(range(256))
    assert heard_as(text, BYTE_NS, BYTE_NS * (1000 + permille) // 1000) != text


def test_a_uart_two_percent_off_hears_what_was_sent():
    """An 8-bit board at 16 MHz runs 2.1 % fast when asked for 115 200 bit/s: 16e6 / (8 * 17) = 117 647."""
    assert heard_as(b"\x00\xff\x55", BYTE_NS, 10 * 10**9 // 117_647) == b"\x00\xff\x55"


def test_a_uart_twice_as_fast_hears_each_bit_twice():
    """Worked by hand. 0xFF: low for one bit, two of the hearer's: start bit and a data bit 0, then ones.

    0x00: low for nine bits: ten samples of 0, no stop bit, and no new fall before the line rests.
    """
    assert sampled(b"\xff", BYTE_NS, BYTE_NS // 2) == b"\xfe"
    assert sampled(b"\x00", BYTE_NS, BYTE_NS // 2) == b"\x00"


def test_a_uart_that_is_off_hears_nothing():
    assert heard_as(b"abc", 0, BYTE_NS) == heard_as(b"abc", BYTE_NS, 0) == b""
