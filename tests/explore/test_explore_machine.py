"""The harness plays rules in any order for makers who write Python, and names what they break."""

from typing import ClassVar

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis.stateful import rule, run_state_machine_as_test

from harness.explore.machine import LinkMachine

QUICK = settings(
    max_examples=4,
    stateful_step_count=3,
    database=None,
    deadline=None,
    derandomize=True,
    phases=[Phase.generate],
    suppress_health_check=list(HealthCheck),
)


class Motors(LinkMachine):
    """A maker's own: one rule more."""

    opened: ClassVar[list[str]] = []

    @rule()
    def open_the_throttle(self):
        self.do({"hold": {"for": "200 ms", "sticks": {"left motor": "2000 us"}}})
        self.opened.append("left")


class Faulty(Motors):
    defect = "failsafe-holds-throttle"


@pytest.mark.slow
def test_a_healthy_link_takes_any_rules_in_any_order():
    run_state_machine_as_test(Motors, settings=QUICK)
    assert Motors.opened


@pytest.mark.slow
def test_a_violated_invariant_is_told_with_the_rules_that_led_to_it():
    with pytest.raises(AssertionError) as caught:
        run_state_machine_as_test(Faulty, settings=settings(QUICK, max_examples=30))
    assert "fail" in str(caught.value)
    assert any("nothing_is_violated" in note for note in caught.value.__notes__)


def test_a_recording_is_kept_where_it_is_wanted(tmp_path):
    class Kept(LinkMachine):
        out = tmp_path

    machine = Kept()
    machine.do({"cut": {"duration": "700 ms"}})
    machine.nothing_is_violated()
    machine.teardown()
    assert (tmp_path / "explored" / "recording.pcapng").exists()


def test_a_violation_raises_also_when_it_shows_only_at_the_end():
    class Late(LinkMachine):
        defect = "failsafe-never"

    machine = Late()
    machine.do({"cut": {"duration": "700 ms", "after": "0 ms"}})
    with pytest.raises(AssertionError, match="failsafe never engaged"):
        machine.teardown()
