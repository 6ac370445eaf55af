"""The harness counts live what the recording says later, and believes nothing."""

from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from live_runs import DELIVERY, LATENCY, RX, TX, checked, watched
from test_conversation import ScriptedPorts, talk_over
from test_runner import Run
from test_timeline import LINK, plan_of

from harness import showing
from harness.bench.protocol import Chunk
from harness.clock import MS, US, S
from harness.codec import encode
from harness.codec import messages as m
from harness.codec.frames import encode_frame
from harness.gauges import PAIRS, SECONDS, Gauges, delivery_limit, latency_limit_ns
from harness.plan import model as p
from harness.recording import Direction, parse_recording
from harness.report.live import Quiet
from harness.report.snapshot import TREND_S
from mocks.settings import MockSettings

WALK = p.Wander(for_ns=20 * S)
LOSSY = MockSettings(loss=Fraction(10, 100), retransmit_limit=0, usb_latency_ns=4 * MS)


def heard(run, role, kind):
    rows = run.messages(role, Direction.TO_PC)
    return [(at_ns, message) for at_ns, message in rows if isinstance(message, kind)]


def test_delivery_by_the_second_is_that_of_the_recording():
    run, watcher = watched(WALK, p.Settle(), settings=LOSSY)
    readings = watcher.shots[-1].readings
    applied = {message.packet for _, message in heard(run, RX, m.Applied)}
    sent = heard(run, TX, m.Sent)
    by_second: dict[int, list[bool]] = {}
    for at_ns, message in sent:
        by_second.setdefault(at_ns // S, []).append(message.packet in applied)
    trend = [one for one in readings.delivery if one[1]]
    expected = [(sum(row), len(row)) for _, row in sorted(by_second.items())]
    assert len(trend) >= 15
    assert trend[2:] in [expected[at + 2 : at + len(trend)] for at in range(3)]
    assert 0 < sum(lost for _, lost in trend) - sum(came for came, _ in trend) < 200


def test_latency_is_that_of_the_devices_within_its_bound():
    """The mock's clocks are 40 ppm and -60 ppm off and start anywhere; the air time of a packet is known."""
    settings = MockSettings(
        transmitter_skew_ppm=40, receiver_skew_ppm=-60, transmitter_clock_us=2**32 - 5_000_000,
        receiver_clock_us=77, usb_latency_ns=4 * MS, receiver_loop_ns=0,
    )  # fmt: skip
    _, ideal = watched(WALK)
    true_ns = ideal.shots[-1].readings.latency_now_ns
    _, watcher = watched(WALK, settings=settings)
    for shot in watcher.shots[40:]:
        readings = shot.readings
        assert abs(readings.latency_now_ns - true_ns) <= readings.latency_bound_ns + 50 * US
    assert watcher.shots[-1].readings.latency_bound_ns < 10 * MS


@pytest.mark.parametrize("settings", [MockSettings(), LOSSY])
def test_sticks_and_outputs_are_the_last_ones(settings):
    run, watcher = watched(p.Hold(for_ns=S, sticks=(("roll", 1700), ("tilt", 1200))), settings=settings)
    readings = [shot for shot in watcher.shots if shot.step_index == 1][5].readings
    assert readings.sticks_us == readings.outputs_us == (1700, 1000, 1200)
    assert [face.name for face in readings.channels] == ["roll", "throttle", "tilt"]
    assert [face.failsafe_us for face in readings.channels] == [1500, 1000, None]
    assert run.end.why == "complete"


def test_outputs_in_failsafe_are_shown_too():
    _, watcher = watched(p.Hold(for_ns=S, sticks=(("roll", 1700),)), p.Cut(duration_ns=2 * S))
    shots = [shot for shot in watcher.shots if shot.link_state == "failsafe"]
    assert shots
    assert all(shot.readings.in_failsafe and shot.readings.outputs_us[:2] == (1500, 1000) for shot in shots)
    assert all(shot.is_cut for shot in shots)


def test_own_sticks_are_nobody_s():
    _, watcher = watched(p.OwnSticks(for_ns=2 * S))
    assert any(shot.readings.sticks_us is None for shot in watcher.shots)


def test_lines_tell_how_busy_they_are_and_what_is_missing():
    settings = MockSettings(receiver_message_loss=Fraction(5, 100))
    run, watcher = watched(WALK, settings=settings)
    transmitter, receiver = watcher.shots[-1].readings.lines
    assert (transmitter.role, transmitter.missing) == ("transmitter", 0)
    counters = len({message.packet for _, message in heard(run, TX, m.Sent)})
    assert 0.5 < receiver.missing / (0.05 * counters) < 1.6
    size = sum(len(data) for data in run_bytes(run, TX))
    assert transmitter.busy == pytest.approx(size * 10 / 115_200 / (run.bench.now_ns() / S), rel=0.3)
    assert transmitter.identity.startswith("mock transmitter ")


def run_bytes(run, role):
    port = parse_recording(run.data, "x").ports[role]
    rows = zip(port.direction, port.data, strict=True)
    return [data for way, data in rows if way == Direction.TO_PC]


def test_nothing_is_gathered_where_nobody_looks(monkeypatch):
    class SaidOnly(Quiet):
        looks = False

    made = []
    monkeypatch.setattr(showing, "Gauges", lambda *given: made.append(given))
    for observer in (Quiet(), SaidOnly()):
        assert Run(p.Wait(until="linked"), observer=observer).end.why == "complete"
    assert made == []


def gauged(*chunks):
    talk, _ = talk_over(ScriptedPorts(*chunks))
    gauges = Gauges(talk, plan_of())
    gauges.begin()
    return talk, gauges


@given(
    st.lists(st.tuples(st.sampled_from([TX, RX]), st.integers(0, 255), st.binary(max_size=120)), max_size=60)
)
def test_no_message_of_a_device_upsets_it(messages):
    """Whole frames of any type with any payload: nothing raises, and everything stays bounded."""
    chunks = [
        Chunk(role, encode_frame(kind, n, payload), n * MS)
        for n, (role, kind, payload) in enumerate(messages)
    ]
    talk, gauges = gauged(*chunks)
    talk.advance(S)
    gauges.settle(talk.bench.now_ns())
    readings = gauges.readings(talk.bench.now_ns())
    assert len(readings.delivery) == len(readings.latency_ns) == TREND_S
    assert len(gauges._waiting) <= PAIRS
    assert len(gauges._seconds) == SECONDS


def test_a_flood_of_packets_stays_bounded_and_is_counted_as_far_as_it_can_be():
    chunks = [Chunk(TX, encode(m.Sent(n % 65_536, 1, n, 100, 1, 0), n), n * US) for n in range(5_000)]
    talk, gauges = gauged(*chunks)
    talk.advance(S)
    gauges.settle(3 * S)
    assert sum(sent for _, sent in gauges.readings(3 * S).delivery) == PAIRS


def test_a_packet_number_that_comes_again_is_another_packet():
    """Numbers wrap at 65 536: what was applied then says nothing of now."""
    rows = [
        (0, m.Sent(7, 1, 0, 0, 1, 1)),
        (1, m.Applied(7, 0, -128, (1500,))),
        (20_000, m.Sent(7, 1, 0, 0, 1, 0)),
    ]
    chunks = [
        Chunk(TX if isinstance(message, m.Sent) else RX, encode(message, n), at_ms * MS)
        for n, (at_ms, message) in enumerate(rows)
    ]
    talk, gauges = gauged(*chunks)
    for second in range(24):
        talk.advance(second * S)
        gauges.settle(talk.bench.now_ns())
    assert [one for one in gauges.readings(23 * S).delivery if one[1]] == [(1, 1), (0, 1)]


def test_limits_are_those_of_checks_of_the_whole_run():
    during = checked(p.Delivery(at_least=Fraction(999, 1000), during=("sweep",)))
    stick = checked(p.Latency(of="stick", percentile=Fraction(1, 2), at_most_ns=MS))
    plan = replace(plan_of(), checks=(DELIVERY, during, LATENCY, stick))
    assert (delivery_limit(plan), latency_limit_ns(plan)) == (Fraction(98, 100), 15 * MS)
    assert (delivery_limit(plan_of()), latency_limit_ns(plan_of())) == (None, None)
    assert LINK.channels
