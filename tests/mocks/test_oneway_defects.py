"""Each defect of a transmitter without acknowledgements does what it says, and its near-miss does not."""

from __future__ import annotations

from itertools import pairwise

from failsafe_talk import WING, ages_us
from mock_talk import RX, Talk, virtual

from harness.clock import MS, S
from harness.codec import messages as m
from mocks.defects.oneway import DEFECTS


def talks(name: str) -> tuple[Talk, Talk]:
    """Return conversations with the defect and with its near-miss."""
    [defect] = [one for one in DEFECTS if one.name == name]
    both = (virtual(WING, seed=1, defect=defect, near_miss=near_miss)[0] for near_miss in (False, True))
    return next(both), next(both)


def muted(talk: Talk) -> set[int]:
    """Have nothing acknowledged for 1.2 s; return the times between packets meanwhile, in us."""
    talk.run(500 * MS)
    talk.tell(RX, m.MuteAcks(0, 1_200_000))
    talk.run(2 * S)
    assert talk.last(m.Sent).flags & m.SENT_ACKED
    return {after.at_us - before.at_us for before, after in pairwise(talk.all(m.Sent))}


def test_rests_without_acknowledgements() -> None:
    defect, near = talks("rests-without-acknowledgements")
    assert muted(defect) == {20_000, 520_000}
    assert len(ages_us(defect)) == 1
    assert muted(near) == {20_000, 40_000}
    assert ages_us(near) == []
    for talk in (defect, near):
        numbers = [part.packet for part in talk.all(m.Sent)]
        assert numbers == list(range(len(numbers)))


def test_insists_on_acknowledgement() -> None:
    defect, near = talks("insists-on-acknowledgement")
    assert max(muted(defect)) > 1_180_000
    assert len(ages_us(defect)) == 1
    assert muted(near) == {20_000}
    assert {part.attempts for part in near.all(m.Sent)} == {1, 16} | {
        part.attempts for part in near.all(m.Sent) if part.flags & m.SENT_ACKED
    }
    assert ages_us(near) == []
