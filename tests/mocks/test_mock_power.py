"""The mock devices lose their power and boot again, and the antenna path opens and closes."""

import pytest
from defect_talk import talks
from mock_talk import RX, TX, virtual

from harness.bench.protocol import Moment, Switched, extra
from harness.clock import MS, S
from harness.codec import messages as m
from harness.errors import BenchError
from mocks.line import LineToPC
from mocks.settings import DUNLIN, MockSettings

FAILSAFE_NS = DUNLIN.failsafe.within_ns


def heard(talk, role, for_ns):
    return [one.message for one in talk.run(for_ns) if one.role is role]


def test_mock_says_what_it_can_switch_and_when_it_happened():
    _, bench = virtual()
    assert extra(bench, Switched) is bench
    assert set(bench.means) == {"transmitter power", "receiver power", "antenna"}
    bench.advance(100 * MS)
    bench.switch("antenna", on=False)
    assert bench.switched("antenna") is None
    bench.advance(120 * MS)
    assert bench.switched("antenna") == Moment(100 * MS, 120 * MS)


def test_mock_without_relays_has_none():
    _, bench = virtual(settings=MockSettings(switches=False))
    assert not bench.means
    with pytest.raises(BenchError, match="switches: true"):
        bench.switch("antenna", on=False)


def test_mock_transmitter_without_power_says_and_sends_nothing_and_boots_from_power():
    talk, bench = virtual()
    talk.run(S)
    bench.switch("transmitter power", on=False)
    talk.run(10 * MS)  # the relay takes 5 ms
    assert heard(talk, TX, S) == []
    talk.tell(TX, m.Identify())
    assert heard(talk, TX, S) == []
    bench.switch("transmitter power", on=True)
    first, *_ = heard(talk, TX, S)
    assert first == m.Started(m.StartCause.POWER, 0)
    counters = [one.counter for one in talk.heard if one.role is TX and one.at_ns > 3 * S]
    assert counters == list(range(len(counters)))
    assert isinstance(talk.last(m.Applied), m.Applied)
    assert [one.reason for one in talk.all(m.OutputChange)][-1] == m.OutputReason.FAILSAFE


def test_mock_receiver_without_power_drives_no_pin_and_starts_in_failsafe():
    talk, bench = virtual(settings=MockSettings(witness=True))
    talk.run(S)
    bench.switch("receiver power", on=False)
    talk.run(200 * MS)
    before = len(talk.all(m.Pulses))
    talk.run(S)
    sets = talk.all(m.Pulses)[before:]
    assert sets
    assert not any(width for one in sets for _, width in one.pulses)
    assert not talk.last(m.Sent).flags & m.SENT_ACKED
    bench.switch("receiver power", on=True)
    talk.run(300 * MS)
    assert [one.reason for one in talk.all(m.OutputChange)] == [m.OutputReason.START] * 2
    assert talk.last(m.Sent).flags & m.SENT_ACKED


def test_mock_antenna_path_stops_packets_both_ways_while_it_is_open():
    talk, bench = virtual()
    talk.run(S)
    bench.switch("antenna", on=False)
    talk.run(50 * MS)
    applied = len(talk.all(m.Applied))
    assert not any(isinstance(one, m.Applied) for one in heard(talk, RX, S))
    assert not talk.last(m.Sent).flags & m.SENT_ACKED
    bench.switch("antenna", on=True)
    talk.run(S)
    assert len(talk.all(m.Applied)) > applied + 40


def test_mock_power_that_comes_back_at_once_never_went():
    talk, bench = virtual(settings=MockSettings(switch_takes_ns=20 * MS))
    talk.run(S)
    bench.switch("transmitter power", on=False)
    talk.run(10 * MS)
    bench.switch("transmitter power", on=True)
    talk.run(S)
    assert len(talk.all(m.Started)) == 2  # one of each device


@pytest.mark.parametrize("pause_ns", [20 * MS, 200 * MS])
def test_mock_power_that_goes_while_a_device_boots_or_restarts_starts_it_once(pause_ns):
    talk, bench = virtual(settings=MockSettings(restart_for_ns=100 * MS))
    talk.run(S)
    talk.tell(TX, m.Restart())
    talk.run(pause_ns)
    bench.switch("transmitter power", on=False)
    talk.run(S)
    before = len(talk.all(m.Started))
    bench.switch("transmitter power", on=True)
    talk.run(S)
    assert len(talk.all(m.Started)) == before + 1


def test_mock_line_stops_in_mid_message_without_power():
    line = LineToPC(115_200, 1_000, None, None)
    line.write(b"0123456789", 0)  # a byte takes 86.8 us
    line.write(b"abcdefghij", 0)
    line.lose_power(1_000_000)
    arrived = []
    line.take(TX, S, arrived)
    assert [(chunk.data, chunk.at_ns) for chunk in arrived] == [
        (b"0123456789", 868_055),
        (b"a", 1_000_000),
    ]


def test_a_receiver_that_waits_for_the_rest_has_no_failsafe_when_power_goes():
    for talk, safe in zip(talks("failsafe-waits-for-the-rest"), (False, True), strict=True):
        talk.run(S)
        talk.bench.switch("transmitter power", on=False)
        talk.run(10 * MS + FAILSAFE_NS)
        changes = [one for one in talk.all(m.OutputChange) if one.reason == m.OutputReason.FAILSAFE]
        assert bool(changes) is safe
        talk.bench.switch("transmitter power", on=True)
        talk.run(S)
        talk.tell(TX, m.Silence(0, 1_000_000))
        talk.run(S)  # an ordinary silence brings failsafe either way
        assert talk.last(m.OutputChange).reason == m.OutputReason.FAILSAFE
