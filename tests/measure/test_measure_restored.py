"""The harness measures how soon packets come through again after an overload and after a restart."""

import pytest
from scenario import RUN_NS, RX, TX, ReplyTo, Reset, Scenario, drop_every, plan_for

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure.evidence import gather
from harness.measure.restored import after_overload, after_restarts, usual_losses
from harness.measure.trials import read_trials
from harness.plan import model as p
from harness.recording.model import Mark

RESTARTS = p.Restart(device=RX, times=2, before_ns=500 * MS, after_ns=2 * S)
LINE_NS = 2 * MS


def plan(action):
    return plan_for(steps=[p.PlanStep(action=action, name="go", path="steps[0]")])


def index_at(at_ns):
    """Place of the first packet sampled `at_ns` after the run began; packets come every 20 ms."""
    return 25 + -(-at_ns // (20 * MS))


def overloaded(*lost_after_ms, reduced_ns=2 * S, taken_after_ns=LINE_NS, unheard=0, **fields):
    """The one recovery of an overload that is reduced 2 s into the run, with packets lost so long after."""
    gone = {index_at(reduced_ns + after * MS) for after in lost_after_ms}
    link = Scenario(
        plan=plan(p.Overload(rate_mhz=50_000)),
        seconds=6.0,
        lost=lambda packet: packet.index in gone,
        **fields,
    )
    common = {"path": "steps[0]", "number": 1}
    link.marks += [
        Mark(RUN_NS + S, "trial", {"what": "overload", "rate_mhz": 50_000, **common}),
        Mark(RUN_NS + reduced_ns, "reduced", common),
        Mark(RUN_NS + reduced_ns + 3 * S, "trial end", common),
    ]
    for turn in range(unheard + 1):
        at_ns = RUN_NS + reduced_ns + turn * 250 * MS
        order = link.tell(TX, wire.Setting(wire.SettingId.PACKET_RATE_MHZ, 25_000), at_ns)
    taken = RUN_NS + reduced_ns + taken_after_ns
    link.say(TX, ReplyTo(order, wire.Result.DONE, link.stamp(TX, taken)), taken)
    evidence = gather(link.plan, link.recording())
    (one,) = after_overload(evidence, read_trials(evidence))
    return one


def test_recovery_is_the_last_lost_packet_less_the_reduction_as_rfc_2544_section_26_5_means_it():
    """The text subtracts the other way round, which would be negative; the order here is the one it means."""
    one = overloaded(-500, 100, 300, 640)
    assert one.time_ns == pytest.approx(640 * MS - LINE_NS, abs=one.bound_ns)
    assert (len(one.lost_ns), one.pushed_lost) == (3, 1)
    assert one.watched_ns == pytest.approx(3 * S - LINE_NS, abs=one.bound_ns)
    assert not one.unknown


def test_the_reduction_is_when_the_transmitter_took_it_by_its_own_clock():
    early, late = (overloaded(640, taken_after_ns=after) for after in (2 * MS, 120 * MS))
    assert early.time_ns - late.time_ns == pytest.approx(118 * MS, abs=early.bound_ns)


def test_the_reduction_is_the_first_order_that_the_transmitter_took():
    one = overloaded(640, unheard=1, taken_after_ns=250 * MS + LINE_NS)
    assert one.time_ns == pytest.approx(390 * MS - LINE_NS, abs=one.bound_ns)


def test_nothing_lost_after_the_reduction_needs_no_time():
    assert overloaded(-300, -20).time_ns == 0


def test_missing_messages_leave_a_recovery_open():
    assert overloaded(drop=drop_every(RX, 40, wire.Applied)).unknown
    assert overloaded(drop=drop_every(TX, 40, wire.Sent)).unknown


def restarted(*, down_ns=300 * MS, lost=lambda _: False, role=RX, **fields):
    resets = [Reset(role, RUN_NS + start, down_ns) for start in (500 * MS, 3 * S)]
    action = p.Restart(device=role, times=2, before_ns=500 * MS, after_ns=2 * S)
    link = Scenario(plan=plan(action), seconds=5.5, resets=resets, lost=lost, **fields)
    evidence = gather(link.plan, link.recording())
    return after_restarts(evidence), evidence


@pytest.mark.parametrize("role", [RX, TX])
@pytest.mark.parametrize("down_ns", [100 * MS, 300 * MS, 1200 * MS])
def test_a_restart_takes_from_its_command_to_the_first_applied_packet(role, down_ns):
    """RFC 2544 section 26.6, the packet as the frame: the next one comes within 20 ms, and takes 2 ms."""
    found, _ = restarted(role=role, down_ns=down_ns)
    assert len(found) == 2
    for one in found:
        assert down_ns - one.bound_ns <= one.time_ns <= down_ns + 22 * MS + one.bound_ns
        assert one.back_ns == one.time_ns
    assert 2400 * MS <= found[0].watched_ns <= 2450 * MS  # less what the next restart may have cut short


def test_a_restart_is_over_with_the_first_packet_after_which_none_is_lost():
    gone = index_at(500 * MS + 900 * MS)
    found, _ = restarted(lost=lambda packet: packet.index == gone)
    assert found[0].time_ns == pytest.approx(922 * MS, abs=found[0].bound_ns)
    assert found[0].back_ns < 350 * MS
    assert found[1].time_ns == found[1].back_ns


def test_a_device_that_does_not_come_back_never_recovers():
    found, _ = restarted(lost=lambda packet: packet.at_ns > RUN_NS + 3 * S)
    assert found[0].time_ns is not None
    assert found[1].time_ns is None
    assert found[1].back_ns is None
    assert found[1].watched_ns == 2500 * MS


def test_usual_losses_are_those_away_from_restarts():
    gone = {index_at(100 * MS), index_at(500 * MS + 900 * MS)}
    _, evidence = restarted(lost=lambda packet: packet.index in gone)
    usual = usual_losses(evidence)
    assert usual.lost == 1
    assert usual.sent == 25
    assert usual.bursts == 1


def test_a_run_without_either_has_no_recoveries():
    link = Scenario()
    evidence = gather(link.plan, link.recording())
    assert after_restarts(evidence) == ()
    assert after_overload(evidence, read_trials(evidence)) == ()
