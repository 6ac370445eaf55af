"""The harness plays a scenario on a bench, judges it, and tells trouble of the bench apart."""

from dataclasses import replace

import pytest
from explore_samples import CUT, HOLD, SHIPPED, STRAY, planned

from harness.bench.protocol import Role
from harness.bench.rig import find_rig, parse_rig
from harness.codec.messages import Ability
from harness.errors import BenchError, PlanError
from harness.explore.trying import Trier
from harness.recording import parse_recording
from harness.report.live import Quiet
from harness.running import Request
from harness.strategies import SIMULATED

LOSSY = "propsoff_rig: 1\nbench: mock\nmock: {receiver_message_loss: 20 %}\n"
SLOW = "propsoff_rig: 1\nbench: mock\nmock: {baud: 9600}\n"
OTHER = "propsoff_rig: 1\nbench: mock\nmock: {channels: 3}\n"


def trier(rig="mock", defect=None, stop=lambda: False):
    rig = parse_rig(rig, "rig.yaml") if "\n" in rig else find_rig(rig)
    return Trier(Request(SHIPPED, "failsafe", rig, 0, defect), Quiet(), stop)


def test_a_healthy_bench_fails_nothing():
    tried = trier().play(planned(HOLD, CUT), 1)
    assert (tried.failures, tried.trouble, tried.gone, tried.stopped) == ((), "", False, False)
    assert tried.cuts == 2
    assert 4 * 10**9 < tried.link_ns < 8 * 10**9


def test_a_defect_fails_the_check_that_names_it():
    tried = trier(defect="failsafe-fed-by-strangers").play(planned(STRAY), 1)
    assert tried.fails("failsafe_entry")
    assert not tried.fails("order")
    assert parse_recording(tried.recording, "x").header.facts["defect"] == "failsafe-fed-by-strangers"


def test_each_scenario_gets_a_simulated_bench_of_its_own():
    one, other = trier(), trier()
    one.play(planned(CUT), 1)
    assert one.play(planned(HOLD), 2).recording == other.play(planned(HOLD), 2).recording


def test_lost_serial_messages_are_trouble_and_no_failure():
    tried = trier(LOSSY).play(planned(CUT), 1)
    assert "serial line lost" in tried.trouble
    assert not tried.gone


def test_devices_of_another_shape_are_trouble_that_ends_the_search():
    tried = trier(OTHER).play(planned(CUT), 1)
    assert tried.gone
    assert "3 channels" in tried.trouble


def test_a_stop_ends_a_scenario_without_a_verdict():
    tried = trier(defect="failsafe-never", stop=lambda: True).play(planned(CUT), 1)
    assert tried.stopped
    assert tried.failures == ()


def test_what_the_lines_cannot_carry_is_refused_before_anything_is_sent():
    burst = {"burst": {"count": 32, "spacing": "0 ms", "times": 3, "pause": "100 ms"}}
    with pytest.raises(PlanError, match="transmitter"):
        trier(SLOW).play(planned(burst), 1)


def test_bounds_hold_what_the_devices_say_they_can_do():
    bounds = trier().probe()
    assert replace(bounds, transmitter=~0, receiver=~0) == SIMULATED
    assert all(bounds.can(ability) for ability in (Ability.BURST, Ability.DISTURB, Ability.DEAFEN))
    assert not bounds.transmitter & Ability.DEAFEN


def test_a_bench_that_does_not_answer_as_it_must_is_an_error_at_once():
    with pytest.raises(BenchError) as caught:
        trier(OTHER).probe()
    assert caught.value.role in (Role.TRANSMITTER, Role.RECEIVER)


class Dies:
    """A bench whose port goes after a while."""

    def __init__(self, inner, after_ns):
        self.inner, self.after_ns = inner, after_ns

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def advance(self, until_ns):
        if self.inner.now_ns() > self.after_ns:
            raise BenchError("the receiver's port is gone", role=Role.RECEIVER, port="x")
        return self.inner.advance(until_ns)


@pytest.mark.parametrize("after_ns", [0, 2 * 10**9])
def test_a_bench_that_dies_is_told_in_its_own_words(monkeypatch, after_ns):
    from harness.explore import trying

    opened = trying.open_for
    monkeypatch.setattr(trying, "open_for", lambda request: Dies(opened(request), after_ns))
    tried = trier().play(planned(CUT), 1)
    assert tried.gone
    assert tried.trouble == "the receiver's port is gone"
    assert tried.failures == ()
