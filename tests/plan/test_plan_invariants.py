"""The harness asks of every scenario what must hold in any: and only what its steps can show."""

import pytest

from harness.clock import MS
from harness.plan.find import shipped_plans
from harness.plan.invariants import invariants
from harness.plan.reader import load_plan, parse_plan
from harness.plan.units import parse_duration
from harness.plan.writing import plan_text, word_of

LINK = load_plan(shipped_plans()["acceptance"]).link
REST = {"settle": "1 s"}
RESTART = {"restart": {"device": "receiver", "after": "800 ms"}}


def asked(*steps):
    return {word_of(check) for check in invariants(steps, LINK)}


def test_a_rest_is_asked_for_what_always_holds():
    assert asked(REST) == {
        "output_range", "fidelity", "order", "duplicates", "no_false_failsafe", "no_glitch", "control_gap",
        "delivery", "bench",
    }  # fmt: skip


FAILSAFE = {"failsafe_entry", "failsafe_outputs"}


@pytest.mark.parametrize(
    ("step", "more"),
    [
        ({"cut": {"duration": "700 ms"}}, {"failsafe_exit", *FAILSAFE}),
        ({"cut": {"duration": "500 ms"}}, {"failsafe_exit"}),
        ({"cut": {"duration": "900 ms", "packet_rate": "25 Hz"}}, {"failsafe_exit"}),
        ({"fade": {"over": "1 s", "duration": "700 ms"}}, {"failsafe_exit", *FAILSAFE}),
        (RESTART, {"start_up", "recovery"}),
        ({"restart": {"device": "transmitter", "after": "800 ms"}}, {"recovery"}),
        ({"inject": {"times": 2}}, {"telemetry_value"}),
        ({"burst": {"count": 3, "spacing": "1 ms"}}, set()),
    ],
)
def test_a_step_adds_what_it_can_show(step, more):
    assert asked(REST, step, REST) == asked(REST) | more
    text = plan_text(LINK, [step], invariants([step], LINK), title="one step")
    assert parse_plan(text, "x").checks  # and the reader finds each of them in its place


def test_a_restart_must_be_over_before_its_step_is():
    (within,) = [check["recovery"]["within"] for check in invariants([RESTART], LINK) if "recovery" in check]
    assert parse_duration(within) == 700 * MS
