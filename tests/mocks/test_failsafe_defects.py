"""Each defect of a failsafe does what it says, and its near-miss does not, by the devices' own reports."""

from __future__ import annotations

from itertools import pairwise

import pytest
from defect_talk import opened, talks
from failsafe_talk import DOWN, SAFE, UP, WING, ages_us, changes, cut, firsts
from mock_talk import RX, TX, Talk

from harness.clock import MS, S
from harness.codec import messages as m

RIGHT, LATER = 480_000, 490_000
"""Microseconds from the last packet to the failsafe of a healthy mock, and of a near-miss that is slower."""


def test_failsafe_early() -> None:
    for talk, age_us in zip(talks("failsafe-early", WING), (180_000, 210_000), strict=True):
        cut(talk)
        assert ages_us(talk) == [age_us]


def test_failsafe_forgets_motor() -> None:
    for talk, right_us in zip(talks("failsafe-forgets-motor", WING), (1600, 950), strict=True):
        cut(talk)
        assert [change.outputs_us for change in changes(talk)] == [(950, right_us, 1500, 1250)]


def test_failsafe_value_wrong() -> None:
    for talk, motor_us in zip(talks("failsafe-value-wrong", WING), (1010, 950), strict=True):
        cut(talk, up=(1700, 1600, 1800, 1253))
        assert [change.outputs_us for change in changes(talk)] == [(motor_us, motor_us, 1500, 1253)]


def test_failsafe_only_once() -> None:
    for talk, ages in zip(talks("failsafe-only-once", WING), ([RIGHT], [RIGHT, LATER, LATER]), strict=True):
        for _ in range(3):
            cut(talk)
        assert ages_us(talk) == ages


def ages_by_phase(talk: Talk) -> dict[bool, set[int]]:
    """Cut the link often; return the failsafe times by whether the last packet came in the phase or not."""
    found: dict[bool, set[int]] = {True: set(), False: set()}
    for _ in range(24):
        before, heard = len(ages_us(talk)), len(talk.heard)
        cut(talk)
        sent = [one.message for one in talk.heard[heard:] if isinstance(one.message, m.Applied)]
        gaps = [(b.at_us - a.at_us, a.at_us) for a, b in pairwise(sent)]
        last_us = max(gaps)[1]
        found[last_us // 1_000 % 256 >= 224] |= set(ages_us(talk)[before:])
    return found


def test_failsafe_misses_phase() -> None:
    defect, near = talks("failsafe-misses-phase", WING)
    assert ages_by_phase(defect) == {False: {RIGHT}, True: set()}
    assert ages_by_phase(near) == {False: {RIGHT}, True: {LATER}}


def test_failsafe_lost_in_burst() -> None:
    for talk, ages in zip(talks("failsafe-lost-in-burst", WING), ([RIGHT], [RIGHT, LATER]), strict=True):
        cut(talk)
        talk.tell(TX, m.Burst(8, 0))
        talk.run(4 * MS)
        talk.tell(TX, m.Silence(0, 700_000))
        talk.run(S)
        assert ages_us(talk) == ages


def test_failsafe_not_at_full_throttle() -> None:
    for talk, ages in zip(
        talks("failsafe-not-at-full-throttle", WING), ([RIGHT], [RIGHT, LATER]), strict=True
    ):
        cut(talk, up=(1990, 1500, 1500, 1500))
        cut(talk, up=(1000, 1991, 1500, 1500))
        assert ages_us(talk) == ages


# -- clocks and numbers ----------------------------------------------------------------------------


def cut_across_wrap(talk: Talk) -> None:
    """Restart the receiver 1.2 s before its clock wraps, and cut the link 200 ms before."""
    talk.run(300 * MS)
    talk.tell(RX, m.RestartAt(2**32 - 1_200_000, 0))
    talk.run(750 * MS)
    cut(talk)


def test_failsafe_stops_at_clock_wrap() -> None:
    defect, near = talks("failsafe-stops-at-clock-wrap", WING)
    for talk, times in ((defect, 0), (near, 1)):
        cut_across_wrap(talk)
        assert len(ages_us(talk)) == times
        cut(talk)
        assert len(ages_us(talk)) == times + 1
        assert all(RIGHT <= age_us <= RIGHT + 1_000 for age_us in ages_us(talk))


def test_failsafe_at_clock_wrap() -> None:
    defect, near = talks("failsafe-at-clock-wrap", WING)
    cut_across_wrap(defect)
    early = [age_us for age_us in ages_us(defect) if age_us == 1_000]
    assert 10 < len(early) < 25
    cut_across_wrap(near)
    assert len(ages_us(near)) == 1
    for talk in (defect, near):
        cut(talk)
        assert RIGHT <= ages_us(talk)[-1] <= RIGHT + 1_000


def test_failsafe_stops_at_packet_wrap() -> None:
    defect, near = talks("failsafe-stops-at-packet-wrap", WING)
    for talk, ages in ((defect, [RIGHT, RIGHT]), (near, [RIGHT] * 3)):
        talk.run(S)
        cut(talk)
        talk.tell(TX, m.RestartAt(0, 65_530))
        talk.run(100 * MS)
        cut(talk)
        talk.run(S)
        cut(talk)
        assert ages_us(talk) == ages


def test_near_miss_of_failsafe_stops_at_packet_wrap_is_armed_by_the_first_packet() -> None:
    talk, _ = opened("failsafe-stops-at-packet-wrap", near_miss=True, link=WING)
    talk.tell(TX, m.Silence(10_000, 700_000))
    talk.run(S)
    assert ages_us(talk) == [RIGHT]


@pytest.mark.parametrize(
    ("name", "role"),
    [("failsafe-lost-after-receiver-restart", RX), ("failsafe-lost-after-transmitter-restart", TX)],
)
def test_failsafe_lost_after_restart(name: str, role: object) -> None:
    for talk, ages in zip(talks(name, WING), ([RIGHT], [RIGHT, LATER]), strict=True):
        cut(talk)
        talk.tell(role, m.Restart())  # type: ignore[arg-type]
        talk.run(300 * MS)
        cut(talk)
        assert ages_us(talk) == ages


def flicker(talk: Talk, times: int) -> None:
    """Lose eight packets at a time, with fifteen between."""
    for _ in range(times):
        talk.tell(TX, m.Silence(0, 160_000))
        talk.run(460 * MS)


def test_failsafe_adds_up_gaps() -> None:
    defect, near = talks("failsafe-adds-up-gaps", WING)
    for talk in (defect, near):
        talk.run(100 * MS)
        flicker(talk, 6)
    assert [age_us // 20_000 for age_us in ages_us(defect)] == [8, 8]
    assert ages_us(near) == []
    cut(near)
    assert 200_000 < ages_us(near)[0] <= RIGHT


# -- before the first packet, and when the link is back --------------------------------------------


def test_throttle_half_at_start() -> None:
    defect, near = talks("throttle-half-at-start", WING)
    for talk, outputs in ((defect, [(1500, 1500, 1500, 1500)]), (near, [(950, 950, 1500, 1500)] * 3)):
        talk.tell(TX, m.Silence(0, 1_000_000))
        talk.run(300 * MS)
        talk.tell(RX, m.Restart())
        talk.run(600 * MS)
        assert [change.outputs_us for change in changes(talk, m.OutputReason.START)][1:] == outputs


def test_servo_twitch_at_start() -> None:
    defect, near = talks("servo-twitch-at-start", WING)
    for talk in (defect, near):
        talk.run(S)
        assert changes(talk, m.OutputReason.OTHER) == []
        assert len(changes(talk, m.OutputReason.START)) == 1
        talk.tell(TX, m.Silence(0, 1_000_000))
        talk.tell(RX, m.Restart())
        talk.run(900 * MS)
    safe = (950, 950, 1500, 1500)
    moved = changes(defect, m.OutputReason.OTHER)
    assert [change.outputs_us for change in moved] == [(950, 950, 1000, 1500), safe]
    assert moved[1].at_us - moved[0].at_us == 40_000
    assert changes(near, m.OutputReason.OTHER) == []
    assert {change.outputs_us for change in changes(near, m.OutputReason.START)} == {safe}


def test_stale_servos_on_reconnect() -> None:
    for talk, first in zip(
        talks("stale-servos-on-reconnect", WING), ((*DOWN[:2], *UP[2:]), DOWN), strict=True
    ):
        cut(talk)
        assert [change.outputs_us for change in changes(talk)] == [SAFE]
        assert firsts(talk) == [first]
        assert talk.last(m.Applied).outputs_us == DOWN


def test_near_miss_of_stale_servos_on_reconnect_returns_two_milliseconds_later() -> None:
    talk, _ = opened("stale-servos-on-reconnect", near_miss=True, link=WING)
    cut(talk)
    sampled = {part.packet: part.at_us for part in talk.all(m.Sent)}
    late = [part.at_us - sampled[part.packet] for part in talk.all(m.Applied)]
    assert sorted(us > 2_000 for us in late) == [False] * (len(late) - 1) + [True]


def test_link_stays_lost() -> None:
    defect, near = talks("link-stays-lost", WING)
    for talk in (defect, near):
        cut(talk)
        assert firsts(talk) == [DOWN]
        talk.tell(TX, m.Silence(0, 3_000_000))
        talk.run(5 * S)
    assert len(firsts(defect)) == 1
    assert not defect.last(m.Sent).flags & m.SENT_ACKED
    sent = [part for part in near.all(m.Sent) if part.flags & m.SENT_ACKED]
    assert len(firsts(near)) == 2
    gap = max(after.packet - before.packet for before, after in pairwise(sent))
    assert 4 <= gap <= 6


def test_throttle_stop_low() -> None:
    defect, near = talks("throttle-stop-low", WING)
    for talk in (defect, near):
        talk.run(4 * S)
    assert {part.outputs_us for part in defect.all(m.Applied)} == {(960, 960, 1500, 1500)}
    lowest = [min(part.outputs_us[:2]) for part in near.all(m.Applied)]
    assert min(lowest) == 1000
    assert max(max(part.outputs_us[:2]) for part in near.all(m.Applied)) > 1004
    defect.tell(TX, m.Sticks(1, UP))
    defect.run(100 * MS)
    assert defect.last(m.Applied).outputs_us == UP
