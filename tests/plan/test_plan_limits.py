"""The harness refuses searches and checks of limits that do not fit each other."""

import pytest
from plan_samples import complaint, complaints, read, spoiled

from harness.plan import model as p

STEPS = "  - inject: {times: 20}\n"
CHECKS = "  - no_glitch: {}\n"


def with_lines(step="", check=""):
    changes = []
    if step:
        changes.append((STEPS, f"{STEPS}  - {step}\n"))
    if check:
        changes.append((CHECKS, f"{CHECKS}  - {check}\n"))
    return changes


SOUND = [
    ("throughput: {to: 400 Hz}", "throughput: {at_least: 400 Hz}"),
    ("throughput: {from: 60 Hz, to: 65 Hz, resolution: 5 Hz, loss: 1 %}", "throughput: {at_least: 65 Hz}"),
    ("back_to_back", "back_to_back: {at_least: 64}"),
    ("overload: {rate: 200 Hz}", "recovery: {after: overload, within: 2.9 s}"),
    ("overload: {rate: 50.1 Hz}", "recovery: {after: overload, within: 2.9 s}"),
    ("throughput: {to: 90 Hz}\n  - overload", "recovery: {after: overload, within: 2.9 s}"),
    ("repeat: {times: 2, steps: [{throughput: {to: 90 Hz}}, {overload: {}}]}", ""),
    ("restart: {device: receiver}", "recovery: {after: restart, within: 1.9 s}"),
]


@pytest.mark.parametrize(("step", "check"), SOUND)
def test_takes_what_fits(step, check):
    assert complaints(spoiled(*with_lines(step, check))) == []


WRONG = [
    ("throughput: {to: 50 Hz}", "", "a search from 50 Hz to 50 Hz; write more than 50 Hz, or a lower `from`"),
    ("throughput: {to: 52 Hz}", "", "5 Hz is more than the whole search; at most 2 Hz"),
    ("throughput: {to: 90 Hz}", "throughput: {at_least: 91 Hz}", "the search ends at 90 Hz; at most 90 Hz"),
    ("back_to_back: {up_to: 8}", "back_to_back: {at_least: 9}", "the search ends at 8; at most 8"),
    ("", "throughput: {at_least: 60 Hz}", "throughput without a throughput step; add one, such as `through"),
    ("", "back_to_back: {at_least: 6}", "back_to_back without a back_to_back step; add one, such as `back_"),
    ("", "recovery: {after: restart, within: 1 s}", "recovery after restart without such a step; add one"),
    ("", "recovery: {after: overload, within: 1 s}", "recovery after overload without such a step; add one"),
    ("overload: {}", "", "an overload as a share of a throughput that no step looks for; add a throughput"),
    (
        "overload\n  - throughput: {to: 90 Hz}",
        "",
        "a throughput that is looked for only later; put the through",
    ),
    (
        "repeat: {times: 2, steps: [{overload: {}}, {throughput: {to: 90 Hz}}]}",
        "",
        "steps[3].repeat.steps[0].overload: an overload as a share of a throughput that is looked for only",
    ),
    ("overload: {rate: 50 Hz}", "", "50 Hz is no overload for a link at 50 Hz; write more than 50 Hz"),
    ("overload: {rate: 90 Hz, of_throughput: 120 %}", "", "both `rate` and `of_throughput`; write one of"),
    (
        "overload: {rate: 90 Hz, after: 2 s}",
        "recovery: {after: overload, within: 2 s}",
        "no overload step watches longer than 2 s; write less, or a longer `after` in the overload step",
    ),
    (
        "restart: {device: receiver, after: 1 s}",
        "recovery: {after: restart, within: 1500 ms}",
        "no restart step watches longer than 1 s",
    ),
]


@pytest.mark.parametrize(("step", "check", "expected"), WRONG, ids=[row[2][:40] for row in WRONG])
def test_says_what_does_not_fit_and_how_to_mend_it(step, check, expected):
    assert expected in complaint(*with_lines(step, check))


def test_reads_a_search_with_its_defaults():
    plan = read(*with_lines("throughput: {to: 400 Hz}"))
    (action,) = [step.action for step in plan.steps if isinstance(step.action, p.FindThroughput)]
    assert (action.from_mhz, action.to_mhz, action.resolution_mhz, action.loss) == (None, 400_000, 5_000, 0)
    assert action.method == "practical"


def test_takes_the_standards_methods_by_name_where_they_belong():
    assert read(*with_lines("back_to_back: {method: RFC 9004}"))
    assert "method" in complaint(*with_lines("back_to_back: {method: RFC 2544}"))
    assert "method" in complaint(*with_lines("throughput: {to: 90 Hz, method: RFC 9004}"))
