"""The harness writes plans that it reads back, value for value."""

from fractions import Fraction

import pytest
import yaml
from hypothesis import example, given
from hypothesis import strategies as st

from harness.plan import model as p
from harness.plan.find import shipped_plans
from harness.plan.reader import load_plan, parse_plan
from harness.plan.writing import data_of, entries, flow, plan_text, word_of

STEPS = [{"settle": "1 s", "name": "rest"}, {"cut": {"duration": "700 ms", "by": "deaf"}}]
CHECKS = ["order", {"delivery": {"at_least": "50 %"}}, "bench"]


@pytest.mark.parametrize("name", shipped_plans())
def test_the_link_of_a_shipped_plan_is_read_back_the_same(name):
    plan = load_plan(shipped_plans()[name])
    text = plan_text(plan.link, STEPS, CHECKS, title=plan.title, about=plan.about, safety=plan.safety)
    again = parse_plan(text, "again")
    assert (again.link, again.title, again.about) == (plan.link, plan.title, plan.about)
    assert again.safety == plan.safety


def test_steps_and_checks_are_given_back_as_plain_data():
    plan = load_plan(shipped_plans()["failsafe"])
    text = plan_text(plan.link, STEPS, CHECKS, title="Two steps")
    assert entries(text) == (STEPS, CHECKS)
    assert [step.name for step in parse_plan(text, "x").steps] == ["rest", "cut"]


@pytest.mark.parametrize("name", ["true", "1", "1e3", "a: b", "# x", "über", "no", "it's", "[a]", "12:30"])
def test_odd_channel_names_and_exact_scales_come_through(name):
    link = p.Link(
        packet_rate_mhz=50_000,
        channels=(p.Channel(name=name, failsafe="hold"),),
        failsafe=p.Failsafe(within_ns=10**9),
        telemetry=(p.TelemetryField(name=name, type="u16", scale=Fraction(1, 10**7), unit="m/s²"),),
    )
    text = plan_text(link, [{"settle": "1 s"}], ["bench"], title="Odd names")
    assert parse_plan(text, "x").link == link


def test_safety_other_than_the_default_is_kept():
    plan = load_plan(shipped_plans()["failsafe"])
    text = plan_text(plan.link, STEPS, CHECKS, title="x", safety=p.Safety(throttle_up_to=Fraction(1, 10)))
    assert parse_plan(text, "x").safety.throttle_up_to == Fraction(1, 10)


@example("\x85")
@example("\u2028")
@given(st.recursive(st.text() | st.integers() | st.booleans(), lambda inner: st.lists(inner, max_size=3)))
def test_one_value_stays_on_one_line_and_is_read_back(value):
    text = flow(value)
    assert yaml.safe_load(text) == value
    assert "\n" not in text


def test_defaults_are_left_out():
    assert data_of(p.Channel(name="x", failsafe="low")) == {"failsafe": "low"}


def test_words_are_those_of_steps_and_checks():
    assert [word_of(entry) for entry in CHECKS] == ["order", "delivery", "bench"]
