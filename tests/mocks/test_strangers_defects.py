"""Each defect of a receiver that listens to the wrong packets does so, and its near-miss does not."""

from __future__ import annotations

import pytest
from defect_talk import talks
from failsafe_talk import DOWN, SAFE, UP, WING, ages_us, changes, cut
from mock_talk import RX, TX, Talk

from harness.clock import MS, S
from harness.codec import messages as m

Kind = m.Disturbance
CORRUPTED, FOREIGN, REPEATED = (
    m.Disturb(kind, 0, 700_000) for kind in (Kind.CORRUPTED, Kind.FOREIGN, Kind.REPEATED)
)
DEAF = m.Deafen(0, 700_000)
RIGHT = 480_000
STRANGE = (1000, 1000, 2000, 2000)
"""What another transmitter sends."""


def role_for(message: m.Message) -> object:
    return RX if message is DEAF else TX


WAYS = [
    ("failsafe-fed-by-corrupted", CORRUPTED, (FOREIGN, REPEATED, DEAF)),
    ("failsafe-fed-by-strangers", FOREIGN, (CORRUPTED, REPEATED, DEAF)),
    ("failsafe-fed-by-repeats", REPEATED, (CORRUPTED, FOREIGN, DEAF)),
    ("failsafe-fed-by-acknowledgements", DEAF, ()),
]


@pytest.mark.parametrize(("name", "way", "others"), WAYS, ids=[way[0] for way in WAYS])
def test_failsafe_fed_by_what_should_not_feed_it(
    name: str, way: m.Message, others: tuple[m.Message, ...]
) -> None:
    defect, near = talks(name, WING)
    cut(defect, way, role=role_for(way))
    assert ages_us(defect) == []
    for other in (m.Silence(0, 700_000), *others):
        cut(defect, other, role=role_for(other))
    assert ages_us(defect) == [RIGHT] * (1 + len(others))
    cut(near, way, role=role_for(way))
    assert ages_us(near) == [RIGHT + 10_000]
    assert changes(near)[0].outputs_us == SAFE


def test_failsafe_needs_acknowledgements() -> None:
    defect, near = talks("failsafe-needs-acknowledgements", WING)
    for talk in (defect, near):
        talk.run(500 * MS)
        talk.tell(RX, m.MuteAcks(0, 1_000_000))
        talk.run(1_500 * MS)
        assert not all(part.flags & m.SENT_ACKED for part in talk.all(m.Sent))
    assert ages_us(defect)
    assert max(ages_us(defect)) <= 20_000
    assert ages_us(near) == []
    cut(near)
    near.tell(RX, m.MuteAcks(0, 1_000_000))
    cut(near)
    assert ages_us(near) == [RIGHT, RIGHT + 10_000]


def outputs_in(talk: Talk, for_ns: int) -> list[tuple[int, ...]]:
    """Return what the outputs became during this time, without repetitions."""
    before = len(talk.heard)
    talk.run(for_ns)
    shown = [
        heard.message.outputs_us
        for heard in talk.heard[before:]
        if isinstance(heard.message, m.Applied | m.OutputChange)
    ]
    return list(dict.fromkeys(shown))


@pytest.mark.parametrize("kind", [Kind.CORRUPTED, Kind.FOREIGN])
def test_failsafe_left_on_stray(kind: Kind) -> None:
    defect, near = talks("failsafe-left-on-stray", WING)
    for talk, outputs in ((defect, [SAFE, UP]), (near, [SAFE])):
        talk.tell(TX, m.Sticks(1, UP))
        talk.run(300 * MS)
        talk.tell(TX, m.Disturb(kind, 0, 900_000))
        talk.run(100 * MS)
        assert outputs_in(talk, 800 * MS) == outputs
        talk.tell(TX, m.Sticks(2, DOWN))
        talk.run(200 * MS)
        assert talk.last(m.Applied).outputs_us == DOWN
    assert len(changes(defect)) == 1
    assert len(changes(near)) > 10
    cut(defect)
    assert ages_us(defect)[-1] == RIGHT


def test_corrupted_packets_applied() -> None:
    defect, near = talks("corrupted-packets-applied", WING)
    for talk, gaps in ((defect, {0}), (near, set())):
        cut(talk, CORRUPTED)
        sampled = {part.packet: part.at_us for part in talk.all(m.Sent)}
        unsent = [part for part in talk.all(m.Applied) if part.at_us < sampled[part.packet]]
        assert {part.packet - 16 for part in unsent} == gaps
        cut(talk, FOREIGN)
        assert ages_us(talk)[-1] == RIGHT
        assert STRANGE not in {part.outputs_us for part in talk.all(m.Applied)}
    others = {change.outputs_us for change in changes(near, m.OutputReason.OTHER)}
    assert others == {UP}


def test_stranger_followed() -> None:
    defect, near = talks("stranger-followed", WING)
    for talk, strange in ((defect, 49), (near, 0)):
        talk.tell(TX, m.Sticks(1, UP))
        talk.run(100 * MS)
        talk.tell(TX, m.Disturb(Kind.BESIDE, 0, 1_000_000))
        talk.run(S)
        shown = [part.outputs_us for part in talk.all(m.Applied)]
        assert shown.count(STRANGE) in (strange, strange and strange + 1)
        assert shown.count(UP) > 50
    others = {change.outputs_us for change in changes(near, m.OutputReason.OTHER)}
    assert others == {UP}
    cut(defect, CORRUPTED)
    assert ages_us(defect) == [RIGHT]
