"""The mock combines changes into one: both act, in order, and one that would silence another is refused."""

from dataclasses import replace

import pytest
from mock_talk import TX, Talk

from harness.clock import MS
from harness.codec import messages as m
from mocks.bench import MockBench
from mocks.defects.failsafe import EngagesLate, NeverEngages
from mocks.defects.mixing import combined, mixed
from mocks.defects.model import HEALTHY, Patch
from mocks.defects.sticks import LosesLowBit, SendsSlowly, SwapsBack, SwapsInPacket
from mocks.pair import Pair
from mocks.receiver import Receiver
from mocks.settings import DUNLIN, MockSettings
from mocks.transmitter import Transmitter

SWAPS = Patch(receiver=SwapsBack, needs_channels=2)
ROUNDS = Patch(receiver=LosesLowBit)


def outputs(patch, sticks):
    talk = Talk(MockBench(Pair(DUNLIN, MockSettings(), 1, patch)))
    talk.tell(TX, m.Sticks(1, sticks))
    talk.run(100 * MS)
    return talk.last(m.Applied).outputs_us


def test_both_act_and_the_first_decides_last():
    sticks = (1001, 1203, 1500, 1500, 1500, 1500)
    assert outputs(combined(ROUNDS, SWAPS), sticks)[:2] == (1202, 1001)
    assert outputs(combined(SWAPS, ROUNDS), sticks)[:2] == (1202, 1001)
    assert outputs(combined(SWAPS, SWAPS), sticks)[:2] == (1203, 1001)  # the same change is one


def test_each_device_gets_its_own_changes():
    patch = combined(Patch(transmitter=SwapsInPacket), Patch(transmitter=SendsSlowly), SWAPS)
    assert issubclass(patch.transmitter, SwapsInPacket)
    assert issubclass(patch.transmitter, SendsSlowly)
    assert patch.receiver is SwapsBack
    assert outputs(patch, (1001, 1203, 1500, 1500, 1500, 1500))[:2] == (1001, 1203)


def test_settings_change_in_turn():
    one = Patch(settings=lambda settings: replace(settings, fifo_depth=1, baud=9_600))
    two = Patch(settings=lambda settings: replace(settings, fifo_depth=settings.fifo_depth + 6))
    assert combined(one, two).settings(MockSettings()) == replace(MockSettings(), fifo_depth=7, baud=9_600)


def test_what_the_link_must_have_adds_up():
    patch = combined(Patch(needs_channels=3), Patch(needs_throttle=True), Patch(needs_telemetry=True))
    assert (patch.needs_channels, patch.needs_throttle, patch.needs_telemetry) == (3, True, True)
    assert combined(HEALTHY, HEALTHY).receiver is Receiver
    assert mixed(Transmitter, []) is Transmitter


def test_a_change_that_would_silence_another_is_refused():
    class Asks(Receiver):
        def failsafe_due_ns(self):
            return super().failsafe_due_ns()

    with pytest.raises(ValueError, match="NeverEngages leaves nothing of what Asks does in failsafe_due_ns"):
        mixed(Receiver, [NeverEngages, Asks])
    mixed(Receiver, [Asks, NeverEngages])
    with pytest.raises(ValueError, match="in SHARE"):
        mixed(Receiver, [EngagesLate, type("Sooner", (Receiver,), {"SHARE": 1})])
