"""The radio module on a board's second UART: frames in, air, frames out."""

from __future__ import annotations

from fractions import Fraction
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.clock import MS, US
from mocks.air import Air
from mocks.avr import module as radio
from mocks.avr.module import Module, frame, read_frame
from mocks.settings import WorldSettings
from mocks.world import World

PACKET = bytes(range(14))


class Link:
    """Two modules with the air between, and what each told its board."""

    def __init__(self, **settings):
        self.world = World()
        chosen = WorldSettings(**settings)
        air = Air(self.world, chosen, payload_bytes=14, chance=Random(1))
        self.told = {"tx": [], "rx": []}
        self.tx = Module(self.world, air, chosen, lambda at, data: self.told["tx"].append((at, data)))
        self.rx = Module(self.world, air, chosen, lambda at, data: self.told["rx"].append((at, data)))

    def started(self):
        self.tx.take(frame(radio.START, bytes((radio.SENDER,))), self.world.now_ns)
        self.rx.take(frame(radio.START, bytes((radio.LISTENER,))), self.world.now_ns)
        self.world.run(self.world.now_ns + MS)
        return self

    def send(self, packet=PACKET, run_ns=10 * MS):
        self.tx.take(frame(radio.SEND, packet), self.world.now_ns)
        self.world.run(self.world.now_ns + run_ns)

    def heard(self, side, kind):
        parts = [read_frame(data) for _, data in self.told[side]]
        return [payload for found, payload in parts if found == kind]


@given(st.integers(0, 255), st.binary(max_size=40))
def test_a_module_frame_reads_back_and_its_bytes_add_up_to_nothing(kind, payload):
    data = frame(kind, payload)
    assert read_frame(data) == (kind, payload)
    assert sum(data) % 256 == 0
    assert read_frame(data[:-1] + bytes((data[-1] ^ 1,))) is None
    assert read_frame(data[:-1]) is None or data[-1] == 0


def test_a_module_says_that_it_is_ready_and_does_nothing_before():
    link = Link()
    link.send()
    assert link.told == {"tx": [], "rx": []}
    link.started()
    assert link.heard("tx", radio.READY) == [b""] == link.heard("rx", radio.READY)


def test_a_module_carries_a_packet_and_brings_the_acknowledgement_that_was_loaded_before():
    link = Link().started()
    link.rx.take(frame(radio.ANSWER, b"first"), link.world.now_ns)
    link.world.run(2 * MS)
    link.send()
    assert link.heard("rx", radio.PACKET) == [PACKET]
    assert link.heard("tx", radio.DONE) == [b"\x01\x01first"]


def test_a_module_takes_as_long_as_air_turn_round_and_uart_do():
    """Air: (73 + 8 * 14) bits and (73 + 8 * 0) bits at 1 Mbit/s, 130 us between; 20 us a byte on the UART."""
    link = Link().started()
    begin = link.world.now_ns
    link.send()
    (at, _), told = link.told["tx"][-1], link.told["rx"][-1]
    thought = begin + radio.THINKING_NS
    assert told[0] == thought + 185 * US + radio.THINKING_NS + 20 * US
    assert at == thought + 185 * US + 130 * US + 73 * US + radio.THINKING_NS + 20 * US


def test_a_module_repeats_and_gives_up():
    link = Link(loss=Fraction(1), retransmit_limit=3).started()
    link.send()
    assert link.heard("tx", radio.DONE) == [b"\x04\x00"]
    assert link.heard("rx", radio.PACKET) == []


def test_a_module_delivers_a_packet_once_however_often_its_acknowledgement_is_lost():
    link = Link(ack_loss=Fraction(1), retransmit_limit=2).started()
    link.send()
    assert link.heard("rx", radio.PACKET) == [PACKET]
    assert link.heard("tx", radio.DONE) == [b"\x03\x00"]


def test_a_module_delivers_equal_packets_that_follow_each_other():
    link = Link().started()
    link.send()
    link.send()
    assert link.heard("rx", radio.PACKET) == [PACKET, PACKET]


def test_a_module_stops_repeating_when_told():
    link = Link(loss=Fraction(1), retransmit_limit=9).started()
    link.send(run_ns=1 * MS)
    link.tx.take(frame(radio.STOP), link.world.now_ns)
    link.world.run(link.world.now_ns + 20 * MS)
    (done,) = link.heard("tx", radio.DONE)
    assert done[0] < 4
    assert done[1] == 0


def test_a_module_that_must_not_acknowledge_still_receives():
    link = Link(retransmit_limit=0).started()
    link.rx.take(frame(radio.ACKNOWLEDGE, b"\0"), link.world.now_ns)
    link.world.run(2 * MS)
    link.send()
    assert link.heard("rx", radio.PACKET) == [PACKET]
    assert link.heard("tx", radio.DONE) == [b"\x01\x00"]


def test_a_module_forgets_an_exchange_when_it_is_started_again():
    link = Link(loss=Fraction(1), retransmit_limit=15).started()
    link.send(run_ns=2 * MS)
    link.tx.take(frame(radio.START, bytes((radio.SENDER,))), link.world.now_ns)
    link.world.run(link.world.now_ns + 50 * MS)
    assert link.heard("tx", radio.DONE) == []


@pytest.mark.parametrize(
    "junk",
    [
        b"",
        b"\xa0",
        frame(radio.START, b"\x07"),
        frame(0x55, b"x"),
        frame(radio.SEND, bytes(33)),
        b"\xa1\x00\x00",
    ],
)
def test_a_module_ignores_what_it_does_not_know(junk):
    link = Link().started()
    before = {side: list(told) for side, told in link.told.items()}
    link.tx.take(junk, link.world.now_ns)
    link.rx.take(junk, link.world.now_ns)
    link.world.run(link.world.now_ns + 10 * MS)
    assert link.told == before


def test_a_module_has_no_room_for_more_packets_than_its_fifo_is_deep():
    link = Link(fifo_depth=1, retransmit_limit=0).started()
    half = link.rx._half
    assert half.hear((1, PACKET)) is not None
    assert half.hear((2, PACKET)) is None
    link.world.run(link.world.now_ns + 1 * MS)
    assert half.hear((3, PACKET)) is not None
