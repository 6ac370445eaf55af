"""The harness looks for new violations within its time, and tries nothing twice."""

import pytest
from explore_samples import BURST, CUT, HOLD, RESTART, SETTLE, STRAY, Bench, hunt, planned, words

from harness.clock import S
from harness.errors import PlanError, Problem
from harness.explore.causes import causes
from harness.explore.hunt import Known, batch_seeds
from harness.explore.trying import Failure, Tried

ON_CUT = {"order": lambda plan: "cut" in words(plan)}


def test_a_violation_is_one_of_the_check_that_failed_first():
    found = hunt(Bench(order=lambda plan: "cut" in words(plan), fidelity=lambda plan: "hold" in words(plan)))
    assert not found.violates(planned(SETTLE))
    assert found.violates(planned(CUT))
    assert not found.violates(planned(HOLD))  # another check: left for a later batch
    assert (found.check, found.first_steps, found.after) == ("order", 1, 2)


def test_what_was_tried_is_not_played_again():
    bench = Bench(**ON_CUT)
    found = hunt(bench)
    assert [found.violates(planned(CUT)) for _ in range(3)] == [True] * 3
    assert len(bench.played) == found.tally.scenarios == 1


def test_a_known_violation_is_no_news_unless_something_it_takes_is_missing():
    known = [Known(frozenset({"order"}), causes(planned(STRAY).steps))]
    found = hunt(Bench(order=lambda plan: True), known=known)
    assert not found.violates(planned(STRAY, HOLD))
    assert found.violates(planned(CUT))
    assert not found.violates(planned(STRAY))


def test_no_scenario_begins_after_the_time_is_up_or_the_number_reached():
    bench = Bench(link_ns=4 * S)
    found = hunt(bench, until_ns=7 * S)
    for step in (SETTLE, HOLD, CUT, BURST):
        found.violates(planned(step))
    assert (len(bench.played), found.tally.link_ns) == (2, 8 * S)


def test_shrinking_gets_its_share_of_the_time_and_no_more():
    bench = Bench(order=lambda plan: True, link_ns=4 * S)
    found = hunt(bench, shrink_ns=5 * S)
    told = [found.violates(planned(step)) for step in (SETTLE, HOLD, CUT, BURST, SETTLE)]
    assert told == [True, True, True, False, True]  # the last one is remembered


def test_bench_trouble_is_no_violation_and_three_in_a_row_end_the_search():
    def play(plan, seed):
        return Tried(failures=(Failure("order", "x"),), trouble="lost messages", link_ns=S)

    found = hunt(play)
    assert not any(found.violates(planned(step)) for step in (SETTLE, HOLD, CUT, BURST, RESTART))
    assert (found.ended, found.tally.scenarios, found.trouble[1].trouble) == (
        "bench trouble",
        3,
        "lost messages",
    )


@pytest.mark.parametrize(
    ("tried", "why"), [(Tried(trouble="gone", gone=True), "bench trouble"), (Tried(stopped=True), "stopped")]
)
def test_a_bench_that_is_gone_and_somebody_who_stops_end_it_at_once(tried, why):
    found = hunt(lambda plan, seed: tried)
    assert not found.violates(planned(CUT))
    assert not found.violates(planned(HOLD))
    assert (found.ended, found.tally.scenarios) == (why, 1)


def test_a_scenario_too_much_for_the_lines_is_counted_apart():
    def play(plan, seed):
        raise PlanError((Problem("x", 1, 1, "steps", "too much"),))

    found = hunt(play)
    assert not found.violates(planned(CUT))
    assert (found.tally.refused, found.tally.scenarios) == (1, 0)


def test_scenarios_of_an_earlier_call_are_passed_over():
    bench = Bench()
    found = hunt(bench, skip=2)
    for step in (SETTLE, HOLD, CUT):
        found.violates(planned(step))
    assert len(bench.played) == 1
    assert found.tried == 3


def test_batches_have_seeds_of_their_own_that_the_search_seed_fixes():
    seeds = {batch_seeds(seed, number) for seed in (1, 2) for number in (0, 1)}
    assert len(seeds) == 4
    assert batch_seeds(1, 0) in seeds
