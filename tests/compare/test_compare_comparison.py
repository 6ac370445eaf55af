"""Whole comparisons of short runs on the mock: what is seen, what is not compared, and how it is told."""

import json
import math
from dataclasses import replace

import pytest
from compare_runs import SHORT, played, side

from harness.compare.answers import Answer
from harness.compare.comparison import compare
from harness.compare.document import KEYS, document, to_json
from harness.compare.page import build_page
from harness.compare.words import headline, markdown, text
from harness.page.model import Drawn, Table


def against(base, candidate, **margins):
    return compare(side(base, words="base"), side(candidate, words="candidate"), margins, 0.95)


def answer_of(found, key):
    return next(one.answer for one in found.figures if one.figure.key == key)


def test_a_healthy_pair_is_no_worse():
    found = against(played(1), played(2))
    assert found.answer is Answer.NO_WORSE
    assert not [one for one in (*found.figures, *found.faults) if one.answer is Answer.WORSE]


@pytest.mark.parametrize(
    ("defect", "figures"),
    [
        ("display-blocks", ("delivery", "control_gap")),
        ("slow-loop", ("latency_p50", "latency_p90", "age_mean")),
        ("failsafe-late", ("failsafe_entry", "failsafe_worst")),
    ],
)
def test_a_defect_is_worse_in_its_figures_and_mending_it_is_better(defect, figures):
    worse, better = against(played(1), played(2, "", defect)), against(played(2, "", defect), played(1))
    assert worse.answer is Answer.WORSE
    for key in figures:
        assert answer_of(worse, key) is Answer.WORSE
        assert answer_of(better, key) is Answer.BETTER


def test_a_failsafe_that_comes_later_within_the_margin_is_no_worse():
    assert answer_of(against(played(1), played(2)), "failsafe_entry") is Answer.NO_WORSE
    tight = against(played(1), played(2, "", "failsafe-late"), failsafe_entry=60.0, failsafe_worst=60.0)
    late = next(one for one in tight.figures if one.figure.key == "failsafe_entry")
    assert late.answer is Answer.NO_WORSE
    assert late.slight


def test_a_figure_that_no_check_judges_holds_nothing_up_and_can_still_be_worse():
    found = against(played(1), played(2))
    assert "delivery" in found.beside
    assert "latency_p50" not in found.beside
    lossy = against(played(1), played(2, "loss: 30 %, retransmit_limit: 0"))
    assert answer_of(lossy, "delivery") is Answer.WORSE
    assert lossy.answer is Answer.WORSE


def test_serial_trouble_lets_nothing_be_claimed():
    found = against(played(1), played(2, "receiver_message_loss: 2 %", "slow-loop"))
    assert found.answer is Answer.CANNOT_TELL
    assert "nothing is claimed" in " ".join(found.notes)


@pytest.mark.parametrize(
    ("before", "after", "told"),
    [
        ("packet_rate: 50 Hz", "packet_rate: 40 Hz", "link.packet_rate differs (40 Hz, not 50 Hz)"),
        ("rudder: {failsafe: centre}", "rudder: {failsafe: hold}", "link.channels differs"),
        ("every: 17 ms", "every: 23 ms", "steps[1] differs"),
        ("  - wander", "  - settle: 1 s\n  - wander", "4 steps, not 3"),
    ],
)
def test_another_plan_is_not_compared(before, after, told):
    found = against(played(1), played(2, "", None, SHORT.replace(before, after)))
    assert found.answer is None
    assert told in " ".join(found.against)
    assert headline(found) == "NOT COMPARABLE"


def test_another_title_or_limit_is_told_and_compared():
    other = SHORT.replace("title: Short", "title: Another").replace("at_most: 20 ms", "at_most: 25 ms")
    found = against(played(1), played(2, "", None, other))
    assert found.answer is Answer.NO_WORSE
    assert "the plan's limits differ; figures are compared all the same" in found.told
    assert any(line.startswith("plan's title") for line in found.told)


def test_another_baud_rate_is_not_compared():
    assert "other baud rate" in " ".join(against(played(1), played(2, "baud: 57600")).against)


def test_another_rate_taken_is_not_compared_and_a_slightly_lower_one_is_worse():
    told = against(played(1), replace(played(2), hz=40.0)).against
    assert "other packet rate: 40 Hz, not 50 Hz" in " ".join(told)
    assert answer_of(against(played(1), played(2, "", "packet-rate-low")), "packet_rate") is Answer.WORSE


def test_a_percentile_matters_where_the_plan_judges_one_as_high():
    assert {"latency_p99", "latency_spread"} <= set(against(played(1), played(2)).beside)
    higher = SHORT.replace("percentile: 90 %", "percentile: 99 %")
    assert "latency_p99" not in against(played(1, "", None, higher), played(2, "", None, higher)).beside


def test_one_run_a_side_says_for_what_it_holds_and_several_do_not():
    assert "these two runs" in " ".join(against(played(1), played(2)).notes)
    both = compare(side(played(1), played(3)), side(played(2), played(4)), {}, 0.95)
    assert "these two runs" not in " ".join(both.notes)
    assert both.answer is Answer.NO_WORSE


def test_the_same_recording_again_is_told():
    found = compare(side(played(1)), side(played(1)), {}, 0.95)
    assert "equal the base's to the byte" in " ".join(found.told)


def test_the_text_tells_every_figure_and_the_cautions():
    found = against(played(1), played(2, "", "failsafe-late"))
    told = text(found)
    assert told.startswith("WORSE: failsafe entry (all cuts)")
    assert all(one.figure.title in told for one in found.figures)
    assert "not permission to fly" in told
    assert max(map(len, told.splitlines())) < 150


def test_json_has_the_documented_keys_and_no_number_that_json_has_not():
    found = against(played(1), played(2, "", "display-blocks"))
    told = json.loads(to_json(found, 1))
    assert told == document(found, 1)
    named = {
        word.strip() for key in KEYS for word in key.removeprefix("figures[].").split(",") if "[]" not in word
    }
    assert set(told) | set(told["figures"][0]) <= named | {"figures", "faults"}
    assert math.isfinite(told["figures"][0]["difference"])


def test_markdown_puts_what_is_bad_before_what_is_fine_and_quotes_names():
    found = compare(side(played(1), words="a|<b>*"), side(played(2, "", "failsafe-late")), {}, 0.95)
    told = markdown(found)
    assert told.index("failsafe entry") < told.index("<details>")
    assert "a\\|\\<b\\>\\*" in told


def test_the_page_holds_the_answer_every_figure_and_both_sides_over_each_other():
    found = against(played(1), played(2, "", "failsafe-late"))
    page = build_page(found)
    assert (page.verdict, page.mood) == ("Worse", "bad")
    blocks = [block for part in page.parts for block in part.blocks]
    tables = [block for block in blocks if isinstance(block, Table)]
    assert len(tables[0].rows) == len(found.figures)
    drawn = {block.picture.key: block.picture for block in blocks if isinstance(block, Drawn)}
    assert set(drawn) == {"differences", "latency", "age", "cuts", "losses"}
    names = [one.name for one in drawn["cuts"].series]
    assert names == ["base", "candidate"]
    assert drawn["cuts"].series[1].x[1] > drawn["cuts"].series[0].x.max()
    for picture in drawn.values():
        for one in picture.series:
            assert (one.x[1:] >= one.x[:-1]).all(), picture.key


def test_the_page_of_what_cannot_be_compared_says_why_and_draws_nothing():
    page = build_page(against(played(1), played(2, "baud: 57600")))
    assert page.verdict == "Not comparable"
    assert not [block for part in page.parts for block in part.blocks if isinstance(block, Drawn)]


def without_fault(run, key):
    return replace(run, faults={name: fault for name, fault in run.faults.items() if name != key})


@pytest.mark.parametrize("bare", [(0,), (1,)])
def test_a_fault_that_one_side_could_not_show_is_missing_and_never_no_worse(bare):
    runs = [
        without_fault(run, "fidelity") if n in bare else run for n, run in enumerate((played(1), played(2)))
    ]
    found = against(*runs)
    assert found.answer is Answer.CANNOT_TELL
    assert any("wrong outputs" in line for line in found.missing)
    assert "packets with wrong outputs: nothing of it in" in " ".join(text(found).split())


def test_a_check_that_only_the_candidates_plan_has_holds_nothing_up():
    base, other = without_fault(played(1), "fidelity"), played(2)
    fewer = tuple(check for check in base.plan.checks if check.name != "fidelity")
    assert against(replace(base, plan=replace(base.plan, checks=fewer)), other).answer is Answer.NO_WORSE


def test_few_chances_for_a_fault_are_told_with_the_reason():
    faults = {**played(2).faults, "fidelity": replace(played(2).faults["fidelity"], chances=3)}
    found = against(played(1), replace(played(2), faults=faults))
    assert found.answer is Answer.CANNOT_TELL
    assert "packets with wrong outputs: cannot tell: only 0 of 3" in " ".join(text(found).split())


def test_tolerance_bounds_speak_only_of_cuts_that_ended_in_failsafe():
    notes = " ".join(against(played(1), played(2)).notes)
    assert "% of the cuts that end in failsafe do so within" in notes


def test_a_recording_that_stands_on_a_side_twice_counts_once():
    copied = compare(side(played(1), played(1), words="base"), side(played(2), words="candidate"), {}, 0.95)
    once = against(played(1), played(2))
    assert [one.interval for one in copied.figures] == [one.interval for one in once.figures]
    assert any("counts once" in line for line in copied.told)
