"""The mock witness times pulses by its own clock and reports them in sets, as shared/protocol.md says."""

import pytest
from mock_talk import virtual

from harness.bench.protocol import Role
from harness.clock import MS, US
from harness.codec import messages as m
from harness.plan.model import Link
from mocks.device import Life, Surroundings
from mocks.line import LineToPC
from mocks.settings import DUNLIN, MockSettings
from mocks.witness import Witness
from mocks.world import World

WX = Role.WITNESS
SETTINGS = MockSettings(witness=True)


class Alone:
    """A witness with nothing around it but time and a line."""

    def __init__(self, clock_us: int = 0, skew_ppm: int = 0, link: Link = DUNLIN) -> None:
        self.world = World()
        self.line = LineToPC(10_000_000, 60_000, None, None)
        settings = MockSettings(witness_skew_ppm=skew_ppm)
        around = Surroundings(self.world, self.line, settings, link, lambda _: None)
        self.witness = Witness(around, Life(m.StartCause.POWER, clock_us, 0))
        self.witness.start()
        self.said: list[m.Pulses] = []

        def keep(kind: int, payload: bytes) -> None:
            assert kind == m.Pulses.TYPE
            self.said.append(m.Pulses.unpack(payload))

        self.witness.say_packed = keep  # type: ignore[method-assign]

    def pulse(self, channel: int, end_us: int, width_us: float) -> None:
        self.world.run(max(self.world.now_ns, end_us * US))
        self.witness.note_pulse(channel, end_us * US, int(width_us * US))


def test_it_identifies_itself_and_answers_pings_and_nothing_else() -> None:
    talk, _ = virtual(DUNLIN, SETTINGS)
    for message in (m.Identify(), m.Ping(9), m.KeepAlive(), m.Release(), m.Silence(0, 0)):
        talk.tell(WX, message)
    talk.run(50 * MS)
    heard = [one.message for one in talk.heard if one.role is WX and not isinstance(one.message, m.Pulses)]
    started, identity, pong, reply = heard
    assert isinstance(started, m.Started)
    able = m.Ability.RESTART | m.Ability.RESTART_AT
    assert identity == m.Identity(1, 3, 6, 0, able, "mock witness", identity.version, "mock-1")
    assert isinstance(pong, m.Pong)
    assert reply.result == m.Result.UNKNOWN


def test_a_set_is_closed_when_an_input_comes_round_again() -> None:
    alone = Alone()
    for frame in range(3):
        for channel, width in enumerate((1000, 1500.5, 2000)):
            alone.pulse(channel, 20_000 * frame + 5_000 + int(width), width)
    first, second = alone.said
    assert first.at_us == 26_000
    assert first.pulses == ((20_000, 10_000), (19_500, 15_005), (19_000, 20_000), *[(0, 0)] * 3)
    assert second.at_us == 46_000


def test_a_set_is_closed_25_ms_after_its_first_falling_edge() -> None:
    alone = Alone()
    alone.pulse(3, 10_000, 1500)
    alone.pulse(5, 12_000, 1600)
    alone.world.run(34_999 * US)
    assert alone.said == []
    alone.world.run(35 * MS)
    assert alone.said == [m.Pulses(35_000, ((0, 0),) * 3 + ((25_000, 15_000), (0, 0), (23_000, 16_000)))]


def test_an_empty_set_comes_every_100_ms_while_nothing_does() -> None:
    alone = Alone()
    alone.world.run(350 * MS)
    assert [one.at_us for one in alone.said] == [100_000, 200_000, 300_000]
    assert all(one.pulses == ((0, 0),) * 6 for one in alone.said)
    alone.pulse(0, 360_000, 1500)
    alone.world.run(600 * MS)
    assert [one.at_us for one in alone.said[3:]] == [385_000, 485_000, 585_000]


@pytest.mark.parametrize("skew_ppm", [-1000, 1000])
def test_its_clock_measures_widths_and_times(skew_ppm: int) -> None:
    alone = Alone(clock_us=2**32 - 12_000, skew_ppm=skew_ppm)
    alone.pulse(0, 10_000, 2000)
    alone.pulse(0, 30_000, 2000)
    (found,) = alone.said
    assert found.pulses[0][1] == 20_000 * (10**6 + skew_ppm) // 10**6
    assert found.at_us == (2**32 - 12_000 + 30_000 * (10**6 + skew_ppm) // 10**6) % 2**32
    assert abs(found.pulses[0][0] - 20_000 * (1 + skew_ppm * 1e-6)) <= 1


def test_odd_pulses_do_not_upset_it() -> None:
    alone = Alone()
    alone.pulse(0, 1_000, 1_500)  # began before it did
    alone.pulse(6, 8_000, 1_500)  # no such input
    alone.pulse(1, 9_000, 0.04)
    alone.pulse(2, 19_000, 9_000)
    alone.world.run(60 * MS)
    assert alone.said[0].pulses[:3] == ((0, 0), (25_000, 1), (15_000, 65_535))


def test_it_starts_anew_and_counts_from_zero() -> None:
    talk, _ = virtual(DUNLIN, SETTINGS)
    talk.run(200 * MS)
    talk.tell(WX, m.Restart())
    talk.run(300 * MS)
    mine = [one for one in talk.heard if one.role is WX]
    again = next(n for n, one in enumerate(mine[1:], 1) if isinstance(one.message, m.Started))
    assert [one.counter for one in mine[again:]] == list(range(len(mine) - again))
    assert isinstance(mine[-1].message, m.Pulses)
