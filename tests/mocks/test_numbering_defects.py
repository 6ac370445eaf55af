"""Each defect of packet numbers does what it says, and its near-miss takes every packet that it should."""

import pytest
from defect_talk import receivers, talks
from mock_talk import Talk, virtual
from packet_talk import lost

from harness.clock import MS, S
from harness.codec import messages as m
from mocks.air import Packet
from mocks.defects import find_defect
from mocks.defects.numbering import signed
from mocks.settings import DUNLIN, MockSettings

REST = DUNLIN.rest_us


def follow(receiver, numbers, quiet_ns=20 * MS) -> list[int]:
    """Give packets with these numbers to a receiver, so far apart; return the ones that it applied."""
    taken = []
    for number in numbers:
        before = receiver.packets
        receiver.world.now_ns += quiet_ns
        receiver.hear(Packet(number % 65_536, REST))
        taken += [number] * (receiver.packets - before)
    return taken


@pytest.mark.parametrize(
    ("value", "bits", "wanted"), [(127, 8, 127), (128, 8, -128), (-1, 16, -1), (65535, 16, -1)]
)
def test_two_s_complement(value, bits, wanted):
    assert signed(value, bits) == wanted


AROUND_WRAP = range(65_530, 65_540)


def test_number_refused_after_restart():
    defect, near = receivers("number-refused-after-restart")
    assert follow(defect, AROUND_WRAP) == list(AROUND_WRAP)
    numbers = [*range(1_000, 1_003), *range(3)]
    defect, _ = receivers("number-refused-after-restart")
    assert follow(defect, [*numbers, 1_003]) == [1_000, 1_001, 1_002, 1_003]
    assert follow(near, [1_000, 1_001]) == [1_000, 1_001]
    assert follow(near, [0], 50 * MS) == [0]
    assert follow(near, [1]) == [1]


def test_number_of_eight_bits():
    defect, near = receivers("number-of-eight-bits")
    assert follow(defect, range(250, 260)) == list(range(250, 260))
    assert follow(near, [0, 1, 151, 152, 20_000]) == [0, 1, 151, 152, 20_000]
    assert follow(defect, [259 + 127]) == [386]
    assert follow(defect, [386 + 128, 386 + 255, 386 + 256, 386 + 257]) == [386 + 257]


def test_number_with_sign():
    numbers = [32_766, 32_767, 32_768, 32_769]
    defect, near = receivers("number-with-sign")
    assert follow(defect, [*numbers, 0, 1]) == [32_766, 32_767, 0, 1]
    assert follow(near, numbers) == numbers


def failsafes(talk: Talk) -> int:
    return sum(part.reason == m.OutputReason.FAILSAFE for part in talk.all(m.OutputChange))


def test_number_wrap_engages_failsafe():
    for near_miss, times in ((False, 1), (True, 0)):
        settings = MockSettings(packet_number_start=65_500)
        defect = find_defect("number-wrap-engages-failsafe")
        talk, _ = virtual(DUNLIN, settings, seed=1, defect=defect, near_miss=near_miss)
        talk.run(2 * S)
        assert failsafes(talk) == times
        assert lost(talk) == []


def test_number_zero_dropped():
    defect, near = talks("number-zero-dropped")
    for talk in (defect, near):
        talk.run(11 * S)
    assert lost(defect) == [0, 256, 512]
    assert lost(near) == [0]
