from fractions import Fraction
from itertools import groupby, pairwise
from random import Random

import pytest

from mocks.air import Air, Fading, Packet, air_time_ns, packet_bytes
from mocks.settings import MockSettings
from mocks.world import World

# Bluetooth Core Specification, Vol 6 Part B, section 2.1: LE 1M uncoded, 1 preamble + 4 access address + PDU
# + 3 CRC bytes at 8 us each (field list read in a secondary copy; 2120 us printed there).
BLUETOOTH_LE_1M_US = {2: 80, 39: 376, 29: 296, 33: 328, 253: 2088, 257: 2120}
# IEEE Std 802.15.4-2006, section 6.5: 250 kbit/s, 5 + 1 bytes before the PSDU (read in secondary copies).
IEEE_802_15_4_US = {5: 352, 127: 4256}


@pytest.mark.parametrize(("pdu_bytes", "us"), BLUETOOTH_LE_1M_US.items())
def test_mock_air_time_agrees_with_bluetooth_le(pdu_bytes: int, us: int) -> None:
    assert air_time_ns(pdu_bytes, overhead_bits=8 * (1 + 4 + 3), rate_bit_s=1_000_000) == us * 1_000


@pytest.mark.parametrize(("psdu_bytes", "us"), IEEE_802_15_4_US.items())
def test_mock_air_time_agrees_with_ieee_802_15_4(psdu_bytes: int, us: int) -> None:
    assert air_time_ns(psdu_bytes, overhead_bits=8 * (5 + 1), rate_bit_s=250_000) == us * 1_000


def test_mock_packet_holds_number_and_twelve_bits_a_channel() -> None:
    assert [packet_bytes(channels) for channels in (1, 6, 7, 16)] == [4, 11, 13, 26]


class Ends:
    """A receiver and a transmitter that only count."""

    def __init__(self, settings: MockSettings, seed: int = 5) -> None:
        self.world = World()
        self.air = Air(self.world, settings, payload_bytes=packet_bytes(6), chance=Random(seed))
        self.air.receiver = self
        self.heard: list[int] = []
        self.acked = 0
        self.gave_up_ns: list[int] = []

    def hear(self, packet: Packet) -> bytes | None:
        self.heard.append(packet[0])
        return b""

    def answered(self, payload: bytes) -> None:
        self.acked += 1
        self.acked_ns = self.world.now_ns

    def unanswered(self, nothing: None) -> None:
        self.gave_up_ns.append(self.world.now_ns)

    def send(self, packets: int) -> None:
        for number in range(packets):
            self.air.send(Packet(number, ()), self, first=True, patience_ns=1_000)
            self.world.run(self.world.now_ns + 10_000_000)


def test_mock_air_delivers_after_air_time_and_acknowledges_after_turn_round() -> None:
    ends = Ends(MockSettings())
    ends.send(1)
    assert ends.heard == [0]
    # 73 bits of overhead: common 2.4 GHz packet transceivers, from memory; 130 us turn-round: common practice
    assert ends.acked_ns == (73 + 8 * 11) * 1_000 + 130_000 + 73 * 1_000


def test_mock_air_tells_the_sender_when_its_patience_is_over() -> None:
    lost = Ends(MockSettings(loss=Fraction(1)))
    lost.send(1)
    unacknowledged = Ends(MockSettings(ack_loss=Fraction(1)))
    unacknowledged.send(1)
    assert (lost.heard, unacknowledged.heard) == ([], [0])
    assert lost.gave_up_ns == unacknowledged.gave_up_ns == [161_000 + 1_000]


def test_mock_air_loses_packets_and_acknowledgements_independently() -> None:
    ends = Ends(MockSettings(loss=Fraction(1, 10), ack_loss=Fraction(1, 5)))
    packets = 20_000
    ends.send(packets)
    # four standard deviations of binomial counts
    assert len(ends.heard) == pytest.approx(0.9 * packets, abs=4 * (0.09 * packets) ** 0.5)
    assert ends.acked == pytest.approx(0.9 * 0.9 * 0.8 * packets, abs=4 * (0.23 * packets) ** 0.5)


def runs(states: list[bool], state: bool) -> list[int]:
    return [sum(1 for _ in run) for value, run in groupby(states) if value is state]


def test_two_state_loss_has_the_published_rate_and_burst_length() -> None:
    # Gilbert E.N., Bell System Technical Journal 39:1253-1265, 1960; formulas as in Ghanbari M., Standard
    # Codecs, Appendix E (read in a secondary copy): loss = b/(a+b), mean burst 1/a, mean gap 1/b; b = 0.01,
    # a = 0.25. Author attribution from memory.
    fading = Fading(MockSettings(good_to_bad=Fraction(1, 100), bad_to_good=Fraction(1, 4)), Random(7))
    states = []
    for _ in range(400_000):
        fading.step()
        states.append(fading.bad)
    loss = sum(states) / len(states)
    # four standard deviations each; lag-one autocorrelation 0.74 leaves 15 % of the samples' weight
    assert loss == pytest.approx(0.038461538462, abs=0.0032)
    bursts, gaps = runs(states, True), runs(states, False)
    assert sum(bursts) / len(bursts) == pytest.approx(4.0, abs=0.22)
    assert sum(gaps) / len(gaps) == pytest.approx(100.0, abs=6.5)
    turned = sum(before and after for before, after in pairwise(states)) / len(states)
    assert (turned - loss**2) / (loss - loss**2) == pytest.approx(0.74, abs=0.02)


def test_two_state_loss_in_both_states_has_the_published_rate() -> None:
    # Elliott E.O., Bell System Technical Journal 42:1977-1997, 1963: loss = pi_G e_G + pi_B e_B (citation
    # from memory; the number follows from the definition).
    settings = MockSettings(
        good_to_bad=Fraction(1, 100),
        bad_to_good=Fraction(1, 4),
        loss_in_good=Fraction(1, 1000),
        loss_in_bad=Fraction(1, 2),
    )
    ends = Ends(settings, seed=11)
    packets = 100_000
    ends.send(packets)
    assert 1 - len(ends.heard) / packets == pytest.approx(0.020192307692, abs=0.0036)


def test_a_fade_holds_for_every_attempt_of_a_packet() -> None:
    ends = Ends(MockSettings(good_to_bad=Fraction(1), bad_to_good=Fraction(0)))
    for first in (True, False, False):
        ends.air.send(Packet(0, ()), ends, first=first, patience_ns=0)
        ends.world.run(ends.world.now_ns + 1_000_000)
    assert (ends.heard, len(ends.gave_up_ns)) == ([], 3)
