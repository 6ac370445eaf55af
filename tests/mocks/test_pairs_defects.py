"""Each pair of defects does what it says, and its near-miss is a healthy link."""

from dataclasses import replace
from itertools import pairwise

import pytest
from defect_talk import opened, receivers, single, talks, telemetry_for, wrong
from mock_talk import RX, TX

from harness.clock import MS, S
from harness.codec import messages as m
from harness.plan.model import TelemetryField
from mocks.settings import DUNLIN

WITHIN_US = DUNLIN.failsafe.within_ns // 1_000
HEALTHY_US = int(0.96 * WITHIN_US)


def entries_us(talk):
    """Return the time from the last applied packet to each failsafe."""
    last_us, found = 0, []
    for message in talk.all((m.Applied, m.OutputChange)):
        if isinstance(message, m.Applied):
            last_us = message.at_us
        elif message.reason == m.OutputReason.FAILSAFE:
            found.append(message.at_us - last_us)
    return found


def cut(talk, linked_ns=S, for_us=1_500_000):
    talk.run(linked_ns)
    talk.tell(TX, m.Silence(0, for_us))
    talk.run(for_us * 1_000 + 500 * MS)


def test_failsafe_trimmed_to_rate():
    """Right at 50 packets a second; at 25 it comes 16 x 20 ms too soon, after a burst too late."""
    for near_miss, off_us in ((False, 16 * 20_000), (True, 0)):
        talk, _ = opened("failsafe-trimmed-to-rate", near_miss=near_miss)
        cut(talk)
        cut(talk)
        talk.tell(TX, m.Setting(m.SettingId.PACKET_RATE_MHZ, 25_000))
        cut(talk)
        talk.tell(TX, m.Setting(m.SettingId.PACKET_RATE_MHZ, 50_000))
        talk.run(S)
        talk.tell(TX, m.Burst(16, 0))
        cut(talk, linked_ns=20 * MS)
        same, again, slow, burst = entries_us(talk)
        assert (same, again) == (pytest.approx(HEALTHY_US, abs=2), pytest.approx(HEALTHY_US, abs=2))
        assert slow == pytest.approx(HEALTHY_US - off_us, abs=2)
        assert burst - HEALTHY_US > 0.7 * off_us - 2


def test_failsafe_trimmed_to_rate_does_not_flap():
    talk, _ = opened("failsafe-trimmed-to-rate")
    for _ in range(3):
        cut(talk, linked_ns=120 * MS, for_us=600_000)
    assert len(entries_us(talk)) == 3


def test_failsafe_by_watchdog():
    defect, near = talks("failsafe-by-watchdog")
    for talk in (defect, near):
        cut(talk)
        cut(talk)
    starts = [one for one in defect.all(m.OutputChange) if one.reason == m.OutputReason.START]
    assert entries_us(defect) == []
    assert [one.outputs_us for one in starts] == [(1500, 1500, 1000, 1500, 1500, 1000)] * 3
    causes = [one.cause for one in defect.all(m.Started)]
    assert causes.count(m.StartCause.WATCHDOG) == 2
    assert entries_us(near) == [HEALTHY_US, HEALTHY_US]
    assert [one.cause for one in near.all(m.Started)].count(m.StartCause.WATCHDOG) == 0


WING = replace(
    DUNLIN,
    channels=(DUNLIN.channels[0], replace(DUNLIN.channels[1], direction="reversed"), *DUNLIN.channels[2:]),
)


@pytest.mark.parametrize("link", [DUNLIN, WING], ids=["both normal", "one reversed"])
def test_elevons_swapped_and_reversed(link):
    """Roll moves both sticks apart and comes out right, pitch moves them together and comes out reversed."""
    defect = opened("elevons-swapped-and-reversed", link=link)[1]
    near = opened("elevons-swapped-and-reversed", near_miss=True, link=link)[1]
    other = (1000, 1500, 1500, 1500)

    def wanted(*sticks):
        return tuple(channel.output_us(us) for channel, us in zip(link.channels, sticks, strict=False))

    assert defect.receiver.shown((1600, 1400, *other))[:2] == wanted(1600, 1400)
    assert defect.receiver.shown((1600, 1600, *other))[:2] == wanted(1400, 1400)
    sent = near.transmitter.carried((1601, 1234, *other))
    assert near.receiver.shown(sent)[:2] == wanted(1601, 1234)


def test_swapped_twice():
    sticks = (1100, 1200, 1300, 1400, 1500, 1600)
    for near_miss in (False, True):
        talk, bench = opened("swapped-twice", near_miss=near_miss)
        assert (wrong(talk, sticks) == []) is near_miss
        assert bench.receiver.driven() == sticks


def test_trims_cancel():
    for near_miss, top in ((False, 1996), (True, 2000)):
        _, bench = opened("trims-cancel", near_miss=near_miss)
        for us in (1000, 1500, 1996, 2000):
            sent = bench.transmitter.carried((us,) * 6)
            assert sent == ((min(us + 4, top + 4)), *(us,) * 5)
            assert bench.receiver.shown(sent) == (min(us, top), *(us,) * 5)


def test_reversed_twice():
    for near_miss, off in ((False, 1), (True, 0)):
        _, bench = opened("reversed-twice", near_miss=near_miss)
        for us in (1000, 1234, 2000):
            shown = bench.receiver.shown(bench.transmitter.carried((us,) * 6))
            assert abs(shown[0] - us) == off
            assert shown[1:] == (us,) * 5


def test_losses_made_up():
    """In 15 000 packets: about 450 losses, in bursts, so only within a factor of two; more repetitions."""
    defect, near = talks("losses-made-up")
    for talk in (defect, near):
        talk.run(300 * S)
    for talk, bad in ((defect, True), (near, False)):
        numbers = [one.packet for one in talk.all(m.Applied)]
        assert (225 < len(talk.all(m.Sent)) - len(set(numbers)) < 900) is bad
        assert (len(numbers) - len(set(numbers)) > 225) is bad


def test_slow_loop_one_place():
    defect, near = talks("slow-loop-one-place")
    for talk, share in ((defect, (0.4, 0.6)), (near, (0.99, 1))):
        talk.run(20 * S)
        assert share[0] <= len(talk.all(m.Applied)) / len(talk.all(m.Sent)) <= share[1]


def test_display_draws_telemetry():
    defect, near = talks("display-draws-telemetry")
    for talk, gap_us in ((defect, (160_000, 200_000)), (near, (19_000, 31_000))):
        talk.run(S)
        telemetry_for(talk, {0: 1000}, {0: 1001}, wait_ns=500 * MS)
        times = [one.at_us for one in talk.all(m.Applied)]
        gaps = [after - before for before, after in pairwise(times)]
        assert gap_us[0] < max(gaps) < gap_us[1]
        assert max(gaps[:40]) <= 21_000


def test_telemetry_scaled_and_turned():
    link = replace(DUNLIN, telemetry=(*DUNLIN.telemetry, TelemetryField(name="load", type="f32")))
    defect, near = receivers("telemetry-scaled-and-turned", link)
    raw = [258, 3, 1, 5, single(1.0)]  # 258 x 100 = 0x64c8, 3 x 100 = 0x012c, 5 x 100 = 0x01f4
    turned = int.from_bytes(single(100.0).to_bytes(4, "little"), "big")
    assert defect.sensed(raw) == [0xC864, 0x2C01, 100, 0xF4010000, turned]
    assert [one % 2**32 for one in near.sensed(raw)] == raw


def test_restarting_the_receiver_by_command_is_no_watchdog():
    talk, _ = opened("failsafe-by-watchdog")
    talk.tell(RX, m.Restart())
    talk.run(S)
    assert talk.last(m.Started).cause == m.StartCause.COMMAND
