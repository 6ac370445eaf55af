"""The mock receiver's pins show its outputs in servo frames, where there is a witness to see them."""

from mock_talk import RX, TX, Talk, virtual

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import messages as m
from mocks.settings import DUNLIN, MockSettings

WX = Role.WITNESS
SETTINGS = MockSettings(witness=True)


def frames(talk: Talk) -> list[tuple[int, ...]]:
    """Widths in us of every set that is not empty."""
    sets = talk.all(m.Pulses)
    return [tuple(width // 10 for _, width in one.pulses) for one in sets if any(w for _, w in one.pulses)]


def test_pins_show_the_outputs_fifty_times_a_second() -> None:
    talk, bench = virtual(DUNLIN, SETTINGS)
    talk.tell(TX, m.Sticks(1, (1100, 1200, 1300, 1400, 1500, 1600)))
    talk.run(2 * S)
    assert 97 <= len(frames(talk)) <= 99
    assert frames(talk)[-1] == bench.receiver.outputs == (1100, 1200, 1300, 1400, 1500, 1600)


def test_pins_fall_silent_while_the_receiver_restarts() -> None:
    talk, _ = virtual(DUNLIN, MockSettings(witness=True, restart_for_ns=500 * MS))
    talk.run(S)
    talk.tell(RX, m.Restart())
    talk.run(S)
    empty = [one for one in talk.all(m.Pulses) if not any(width for _, width in one.pulses)]
    assert 3 <= len(empty) <= 5
    assert frames(talk)[-1] == (1500, 1500, 1000, 1500, 1500, 1500)


def test_without_a_witness_there_is_no_third_port_and_no_pulse() -> None:
    talk, bench = virtual(DUNLIN)
    assert WX not in bench.baud
    talk.run(S)
    assert talk.all(m.Pulses) == []


def test_a_witness_changes_nothing_that_the_others_say() -> None:
    heard = []
    for settings in (MockSettings(), SETTINGS):
        talk, _ = virtual(DUNLIN, settings, seed=3)
        talk.run(3 * S)
        heard.append([one for one in talk.heard if one.role is not WX])
    assert heard[0] == heard[1]


def test_pins_are_measured_by_a_witness_that_restarted() -> None:
    talk, _ = virtual(DUNLIN, SETTINGS)
    talk.run(S)
    talk.tell(WX, m.Restart())
    talk.run(100 * MS)
    before = len(frames(talk))
    talk.run(S)
    assert 48 <= len(frames(talk)) - before <= 51


def test_pins_follow_the_outputs_from_one_frame_to_the_next() -> None:
    talk, _ = virtual(DUNLIN, SETTINGS)
    for number, pulse_us in enumerate((1100, 1900), 1):
        talk.tell(TX, m.Sticks(number, (pulse_us,) * 6))
        talk.run(S // 4)
    assert list(dict.fromkeys(frames(talk)))[-2:] == [(1100,) * 6, (1900,) * 6]
