"""The harness shrinks a scenario to the smallest legal one that still shows the violation."""

import pytest
from explore_samples import BURST, CUT, HOLD, RESTART, SETTLE, STRAY, planned, words

from harness.explore.shrinking import shrink
from harness.plan import model as p
from harness.plan.writing import entries

LONG = (HOLD, BURST, STRAY, SETTLE, RESTART, CUT)


def shrunk(*steps, needs):
    return shrink(planned(*steps), lambda plan: needs([step.action for step in plan.steps[1:-1]]))


@pytest.mark.parametrize("kind", [p.Hold, p.Burst, p.Restart, p.Cut, p.Settle])
def test_one_step_is_left_where_one_is_enough(kind):
    small = shrunk(*LONG, needs=lambda actions: any(isinstance(one, kind) for one in actions))
    assert words(small) == [kind.WORD]


def test_two_steps_are_left_in_their_order_where_it_takes_both():
    def needs(actions):
        kinds = [type(one) for one in actions]
        return p.Burst in kinds and p.Cut in kinds[kinds.index(p.Burst) :]

    assert words(shrunk(*LONG, needs=needs)) == ["burst", "cut"]


def test_keys_that_change_nothing_are_taken_out_and_times_made_short():
    step = {"cut": {**CUT["cut"], "phase": "7 ms", "duration": "1.4 s", "burst": 9}}
    small = shrunk(step, needs=lambda actions: any(isinstance(one, p.Cut) for one in actions))
    (left,) = entries(small.text)[0][1:-1]
    assert left == {"cut": {"duration": "10 ms", "before": "100 ms", "after": "100 ms"}}


def test_what_it_takes_stays():
    def needs(actions):
        return any(
            isinstance(one, p.Cut) and one.by == "foreign" and one.times == 2 and one.duration_ns > 5 * 10**8
            for one in actions
        )

    step = {"cut": {**STRAY["cut"], "times": 2, "sticks": "high"}}
    (left,) = entries(shrunk(HOLD, step, needs=needs).text)[0][1:-1]
    assert left["cut"] == {
        "duration": "580 ms", "by": "foreign", "ability": "if present", "after": "100 ms", "times": 2,
    }  # fmt: skip


def test_sticks_that_need_not_move_are_left_out():
    small = shrunk(
        HOLD, needs=lambda actions: any("shutter" in dict(getattr(one, "sticks", ())) for one in actions)
    )
    (left,) = entries(small.text)[0][1:-1]
    assert left["hold"]["sticks"] == {"shutter": "2000 us"}


def test_nothing_is_tried_twice_in_vain_and_the_smallest_so_far_stands_when_time_is_up():
    asked = []

    def once(plan):
        asked.append(plan.text)
        return len(asked) == 1

    plan = shrink(planned(*LONG), once)
    assert plan.text == asked[0]
    assert len(words(plan)) == 1


def test_every_plan_that_is_asked_about_is_legal_and_framed():
    def violates(plan):
        assert [plan.steps[0].name, plan.steps[-1].name] == ["at rest", "back again"]
        return len(plan.steps) > 3

    assert len(shrink(planned(*LONG), violates).steps) == 4
