"""Each defect of latency does what it says, and its near-miss stays on the good side."""

from itertools import pairwise

import pytest
from defect_talk import TX, opened, receivers, talks
from mock_talk import Talk

from harness.clock import MS, S
from harness.codec import messages as m

HOUR_NS = 3_600 * S


def late_us(talk: Talk) -> dict[int, int]:
    """Return from sampling to applying, by packet."""
    sampled = {part.packet: part.at_us for part in talk.all(m.Sent)}
    return {part.packet: part.at_us - sampled[part.packet] for part in talk.all(m.Applied)[:-1]}


def test_latency_creeps():
    defect, near = receivers("latency-creeps")
    waits = []
    for hours in (0, 0.25, 0.5, 1, 2, 100):
        for receiver in (defect, near):
            receiver.started_ns = receiver.world.now_ns - int(hours * HOUR_NS)
        waits.append((defect.delay_ns() // 1_000, near.delay_ns() // 1_000))
    assert waits == [(0, 0), (1_250, 20), (2_500, 20), (5_000, 20), (10_000, 20), (80_000, 20)]
    talk, _ = opened("latency-creeps")
    talk.run(60 * S)
    late = list(late_us(talk).values())
    assert late[-1] - late[0] == pytest.approx(5_000 * 60 / 3_600, abs=2)
    assert all(after >= before - 1 for before, after in pairwise(late))


def test_rare_stall():
    defect, near = talks("rare-stall")
    for talk, stall_us in ((defect, 150_000), (near, 50_000)):
        talk.run(35 * S)
        late = late_us(talk)
        assert [packet for packet, us in late.items() if us > stall_us] == [500, 1_500]
        waiting = [packet for packet, us in late.items() if us > 1_000]
        assert len(waiting) == 2 * (stall_us // 20_000 + 1)
        assert sorted(late) == list(late)


def test_telemetry_first():
    defect, near = talks("telemetry-first")
    for talk, frame_us in ((defect, 18_000), (near, 4_000)):
        talk.run(10 * S)
        late = list(late_us(talk).values())
        slow = [us for us in late if us > frame_us]
        assert len(slow) / len(late) == pytest.approx(1 / 5, abs=0.01)
        assert max(slow) < frame_us + 1_000
        assert max(us for us in late if us <= frame_us) < 1_000


def test_queue_never_empties():
    defect, near = talks("queue-never-empties")
    for talk in (defect, near):
        talk.run(2 * S)
        assert max(late_us(talk).values()) < 1_000
        talk.tell(TX, m.Burst(12, 2_000))
        talk.run(3 * S)
        talk.heard.clear()
        talk.run(2 * S)
    newest = None
    behind = set()
    for one in (heard.message for heard in defect.heard):
        if isinstance(one, m.Sent):
            newest = one.packet
        elif isinstance(one, m.Applied) and newest is not None:
            behind.add(newest - one.packet)
    assert behind == {3}
    sampled = {part.packet: part.at_us for part in near.all(m.Sent)}
    assert {part.packet for part in near.all(m.Applied)} >= set(list(sampled)[1:-2])
    assert max(part.at_us - sampled.get(part.packet, part.at_us) for part in near.all(m.Applied)) < 1_000


def test_conversion_after_sampling():
    defect, near = talks("conversion-after-sampling")
    for talk, wait_us in ((defect, 18_000), (near, 5_000)):
        for number in range(1, 30):
            talk.tell(TX, m.Sticks(number, (1_000 + number,) * 6))
            talk.run(83 * MS)
        late = list(late_us(talk).values())
        assert wait_us < min(late[1:]) <= max(late) < wait_us + 1_000


def test_repetition_late():
    defect, near = talks("repetition-late")
    for talk, delay_us in ((defect, 18_000), (near, 1_500)):
        talk.run(20 * S)
        sent = {part.packet: part for part in talk.all(m.Sent)}
        late = late_us(talk)
        second = [us for packet, us in late.items() if sent[packet].attempts == 2]
        assert max(us for packet, us in late.items() if sent[packet].attempts == 1) < 1_000
        assert len(second) > 50
        assert delay_us < max(second) < delay_us + 1_500
