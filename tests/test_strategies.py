"""The harness generates only legal scenarios: short, within their bounds, the simplest first."""

import subprocess
import sys
from dataclasses import replace
from functools import cache

import pytest
import yaml
from hypothesis import HealthCheck, Phase, find, given, settings
from hypothesis import strategies as st

from harness import strategies
from harness.bench.protocol import DEVICES
from harness.clock import MS, S
from harness.codec.messages import Ability
from harness.load import load_problems
from harness.plan import model as p
from harness.plan.extent import total_ns
from harness.plan.find import find_plan
from harness.plan.reader import load_plan, parse_plan
from harness.strategies import POLITE, SIMULATED, plans
from harness.timeline import build_timeline

DUNLIN = load_plan(find_plan("acceptance")).link
channels = st.builds(
    p.Channel,
    name=st.sampled_from(("roll", "über", "1", "true", "a: b", "#", "-")),
    range=st.builds(p.Range, st.integers(900, 1200), st.integers(1300, 2100)),
    resolution_us=st.integers(1, 100),
    failsafe=st.sampled_from(("low", "centre", "high", "hold")),
)
links = st.builds(
    p.Link,
    packet_rate_mhz=st.sampled_from((5_000, 22_000, 50_000, 150_000, 500_000)),
    channels=st.lists(channels, min_size=1, max_size=4, unique_by=lambda one: one.name).map(tuple),
    failsafe=st.builds(
        p.Failsafe,
        within_ns=st.sampled_from((600 * MS, S, 3 * S)),
        not_before_ns=st.sampled_from((None, 0, 400 * MS)),
    ),
)


@given(plans(DUNLIN))
def test_every_generated_plan_is_legal_and_reads_back_the_same(plan):
    again = parse_plan(plan.text, "again", plan.name)
    assert again == plan
    assert yaml.safe_load(plan.text)["steps"][0] == {"settle": "500 ms", "name": "at rest"}


@settings(suppress_health_check=list(HealthCheck))
@given(links.flatmap(lambda link: st.tuples(st.just(link), plans(link))))
def test_every_link_gets_legal_plans_with_its_own_declarations(pair):
    link, plan = pair
    assert plan.link == link


@given(plans(DUNLIN))
def test_a_generated_plan_begins_and_ends_at_rest_and_is_short(plan):
    assert [step.name for step in (plan.steps[0], plan.steps[-1])] == ["at rest", "back again"]
    assert total_ns(plan.steps[1:-1], DUNLIN) <= SIMULATED.length_ns + 2 * DUNLIN.failsafe.within_ns
    assert 1 <= len(plan.steps) - 2 <= SIMULATED.steps


@given(plans(DUNLIN, POLITE))
def test_on_hardware_packets_come_slowly_and_in_short_rows(plan):
    for step in plan.steps:
        action = step.action
        if isinstance(action, p.Burst):
            assert action.count <= 8
            assert action.spacing_ns >= 5 * MS
        if isinstance(action, p.Cut):
            assert action.burst == 0
        if isinstance(action, p.Restart):
            assert action.after_ns >= 3 * S
    timeline = build_timeline(plan, 1, throttle_share=plan.safety.throttle_up_to)
    assert not list(load_problems(timeline, dict.fromkeys(DEVICES, 115_200)))


UNABLE = {
    Ability.BURST: lambda word, keys: word == "burst" or "burst" in keys,
    Ability.DISTURB: lambda word, keys: (
        word == "interfere" or keys.get("by") in ("corrupted", "foreign", "repeated")
    ),
    Ability.DEAFEN: lambda word, keys: keys.get("by") == "deaf",
    Ability.MUTE_ACKS: lambda word, keys: word == "mute",
    Ability.INJECT: lambda word, keys: word == "inject",
    Ability.RESTART: lambda word, keys: word == "restart",
    Ability.RESTART_AT: lambda word, keys: "clock_wraps_in" in keys,
    Ability.SET_PACKET_RATE: lambda word, keys: "packet_rate" in keys,
}


@cache
def generated(bounds, examples=150):
    """Words and keys of steps as generated."""
    found = []
    quick = settings(max_examples=examples, database=None, phases=[Phase.generate], derandomize=True)
    quick(given(strategies.steps(DUNLIN, bounds))(lambda step: found.append(next(iter(step.items())))))()
    return [(word, keys if isinstance(keys, dict) else {}) for word, keys in found]


@pytest.mark.parametrize("ability", UNABLE, ids=lambda ability: ability.name)
def test_what_the_firmware_cannot_do_is_not_generated_and_else_it_is(ability):
    without = replace(SIMULATED, transmitter=~int(ability), receiver=~int(ability))
    assert any(UNABLE[ability](*step) for step in generated(SIMULATED, 800))
    assert not any(UNABLE[ability](*step) for step in generated(without))


def test_every_way_of_cutting_and_every_step_is_generated():
    steps = generated(SIMULATED, 800)
    assert {keys.get("by", "silence") for word, keys in steps if word == "cut"} == set(p.CUT_WAYS)
    assert {word for word, _ in steps} == {
        "settle", "hold", "step", "ramp", "sweep", "wander", "corners", "cut", "burst", "restart", "fade",
        "mute", "interfere", "inject",
    }  # fmt: skip


SHRUNK = settings(database=None, max_examples=200, phases=[Phase.generate, Phase.shrink], derandomize=True)


def test_the_simplest_scenario_is_one_rest():
    assert find(strategies.scenarios(DUNLIN), lambda steps: True, settings=SHRUNK) == [{"settle": "100 ms"}]


@pytest.mark.slow
def test_examples_shrink_towards_few_steps_and_silence():
    smallest = find(
        strategies.scenarios(DUNLIN), lambda steps: any("cut" in step for step in steps), settings=SHRUNK
    )
    assert smallest == [{"cut": {"duration": "580 ms", "before": "100 ms", "after": "200 ms"}}]


@given(st.integers(0, 40), st.integers(0, 40), st.data())
def test_whole_numbers_stay_between_their_ends(low, span, data):
    assert low <= data.draw(strategies.whole(low, low + span)) <= low + span


@pytest.mark.parametrize("wanted", range(5))
def test_every_value_can_be_drawn(wanted):
    assert find(strategies.among("abcde"), lambda value: value == "abcde"[wanted]) == "abcde"[wanted]


PRINT = """
import sys
{first}
from hypothesis import Phase, given, seed, settings
from harness.plan.find import find_plan
from harness.plan.reader import load_plan
from harness.strategies import plans
texts = []
quick = settings(max_examples=15, database=None, deadline=None, phases=[Phase.generate])
seed(11)(quick(given(plans(load_plan(find_plan("failsafe")).link))(lambda plan: texts.append(plan.text))))()
sys.stdout.write("\\n".join(texts))
"""


@pytest.mark.slow
def test_a_seed_gives_the_same_plans_whatever_is_loaded_beside():
    """Hypothesis also draws numbers that it finds in loaded source, so no number is drawn at all."""
    outputs = {
        subprocess.run(
            [sys.executable, "-c", PRINT.format(first=first)], capture_output=True, text=True, check=True
        ).stdout
        for first in ("", "import harness.judge, mocks.defects")
    }
    assert len(outputs) == 1
    assert outputs.pop().count("propsoff: 1") == 15
