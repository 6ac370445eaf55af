"""Verdicts on the ends of outputs: one beyond its range, a throttle too near to failsafe."""

from dataclasses import replace

import pytest
from imaginary import RUN_NS, RX, Scenario, Silence, drop_every, judged, plan_for

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.plan import model as p
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
RANGE = p.OutputRange()
LINK = Scenario().plan.link


def to(us, channel=1, index=99):
    """One packet in which an output goes to a pulse."""
    return lambda packet, out: (*out[:channel], us, *out[channel + 1 :]) if packet.index == index else out


@pytest.mark.parametrize(
    ("us", "tolerance", "verdict"),
    [(2000, 0, PASS), (2001, 0, FAIL), (1000, 0, PASS), (999, 0, FAIL), (2005, 5, PASS), (2006, 5, FAIL),
     (0, 100, FAIL)],
)  # fmt: skip
def test_one_output_beyond_its_range_fails(us, tolerance, verdict):
    found = judged(p.OutputRange(tolerance_us=tolerance), shown=to(us))
    assert found.verdict is verdict
    assert found.value == max(0, us - 2000, 1000 - us)


def test_an_output_beyond_its_range_is_named():
    found = judged(RANGE, shown=to(2150))
    assert "roll was at 2150 us, outside 1000 us to 2000 us, in 1 of" in found.reason
    assert found.examples == ("1.482 s in go: roll 2150 us",)


def low_failsafe(us, **channel):
    """The link with a throttle whose failsafe is a pulse of its own."""
    throttle = replace(LINK.channels[0], failsafe=us, **channel)
    return replace(LINK, channels=(throttle, *LINK.channels[1:]))


@pytest.mark.parametrize(("us", "verdict"), [(950, PASS), (949, FAIL)])
def test_a_failsafe_value_may_lie_beyond_the_range(us, verdict):
    scenario = Scenario(
        plan=plan_for(link=low_failsafe(950)), silences=[Silence(RUN_NS + S, 700 * MS)],
        failsafe_outputs=lambda held: (us, 1500, 1500, held[3]),
    )  # fmt: skip
    assert judged(RANGE, scenario).verdict is verdict


def test_outputs_without_a_packet_count_too():
    scenario = Scenario()
    scenario.change(wire.OutputReason.OTHER, (1000, 1500, 2200, 1500), RUN_NS + 1010 * MS)
    assert judged(RANGE, scenario).verdict is FAIL


def test_output_range_is_open_with_missing_messages_few_or_none():
    assert judged(RANGE, drop=drop_every(RX, 60)).verdict is OPEN
    assert judged(RANGE, seconds=0.5).verdict is OPEN
    assert judged(RANGE, drop=lambda role, place, message: isinstance(message, wire.Applied)).verdict is OPEN


def margin(at_least=25, *, failsafe=950, lowest=1000, own=(2.0, 4.0), shown=None, cut=True, **fields):
    """A run with a cut, and then the transmitter's own sticks from the given second on."""
    steps = [
        p.PlanStep(action=p.Hold(for_ns=2 * S), name="go", path="steps[0]"),
        p.PlanStep(action=p.OwnSticks(for_ns=2 * S), name="own", path="steps[1]"),
    ]
    link = low_failsafe(failsafe, **fields.pop("channel", {}))
    out = failsafe if shown is None else shown
    fields.setdefault("failsafe_outputs", lambda held: (out, 1500, 1500, held[3]))
    fields.setdefault("sticks", lambda place: (lowest + 100 * (place % 9), 1500, 1500, 1500))
    scenario = Scenario(
        plan=plan_for(link=link, steps=steps),
        silences=[Silence(RUN_NS + 500 * MS, 700 * MS)] if cut else (),
        own=lambda packet: RUN_NS + own[0] * S <= packet.at_ns < RUN_NS + own[1] * S,
        **fields,
    )
    for place, path in enumerate(("steps[0]", "steps[1]")):
        scenario.mark(RUN_NS + 2 * place * S, "step", path=path, name=path)
        scenario.mark(RUN_NS + 2 * (place + 1) * S, "step end", path=path)
    return judged(p.FailsafeMargin(at_least_us=at_least), scenario)


def test_a_throttle_clear_of_failsafe_passes():
    found = margin(shown=950)
    assert (found.verdict, found.value, found.samples) == (PASS, 50.0, 99)


@pytest.mark.parametrize(("shown", "verdict"), [(975, PASS), (976, FAIL)])
def test_a_failsafe_too_near_to_the_lowest_throttle_fails(shown, verdict):
    found = margin(shown=shown)
    assert (found.verdict, found.value) == (verdict, 1000 - shown)


@pytest.mark.parametrize(("lowest", "verdict"), [(975, PASS), (974, FAIL)])
def test_the_lowest_throttle_of_any_packet_counts(lowest, verdict):
    found = margin(sticks=lambda place: (lowest if place == 190 else 1100, 1500, 1500, 1500))
    assert (found.verdict, found.value) == (verdict, lowest - 950)
    assert f"the lowest throttle of any packet was {lowest} us" in found.reason


@pytest.mark.parametrize(("shown", "verdict"), [(2025, PASS), (2024, FAIL)])
def test_of_a_reversed_throttle_the_closed_end_is_the_longer_pulse(shown, verdict):
    found = margin(failsafe=2025, shown=shown, channel={"direction": "reversed"})
    assert (found.verdict, found.value) == (verdict, shown - 2000)
    assert "the highest throttle of any packet was 2000 us" in found.reason


def test_a_margin_below_zero_is_told():
    found = margin(shown=1100)
    assert (found.verdict, found.value) == (FAIL, -100.0)
    assert "not above the 1100 us of failsafe" in found.reason


def test_without_own_sticks_it_is_open_but_commanded_ones_can_fail():
    assert margin(own=(9.0, 9.0)).verdict is OPEN
    assert "own sticks" in margin(own=(9.0, 9.0)).reason
    assert margin(own=(9.0, 9.0), shown=990).verdict is FAIL
    few = margin(own=(3.5, 4.0))
    assert (few.verdict, few.needed) == (OPEN, 59 - few.samples)


@pytest.mark.parametrize(("own_us", "verdict"), [(1000, PASS), (1010, PASS), (1011, OPEN), (1500, OPEN)])
def test_an_own_stick_away_from_its_stop_leaves_it_open(own_us, verdict):
    found = margin(sticks=lambda place: (own_us if place >= 120 else 1000, 1500, 1500, 1500))
    assert (found.verdict, found.value) == (verdict, 50.0)
    if verdict is OPEN:
        assert f"came no lower than {own_us} us, {own_us - 1000} us above its low end" in found.reason
        assert "against its low stop" in found.reason


def test_an_own_stick_away_from_its_stop_cannot_hide_a_small_margin():
    found = margin(shown=990, sticks=lambda place: (1500 if place >= 120 else 1000, 1500, 1500, 1500))
    assert (found.verdict, found.value) == (FAIL, 10.0)


def test_of_a_reversed_throttle_the_stop_is_the_longer_pulse():
    sticks = {"sticks": lambda place: (1150 if place >= 120 else 1000, 1500, 1500, 1500)}
    found = margin(failsafe=2050, shown=2050, channel={"direction": "reversed"}, **sticks)
    assert found.verdict is OPEN
    assert "came no higher than 1850 us, 150 us below its low end of 2000 us" in found.reason


def test_own_sticks_outside_their_step_do_not_count():
    assert margin(own=(0.0, 2.0)).samples == 0


def test_without_a_failsafe_or_a_throttle_it_is_open():
    assert "never seen" in margin(cut=False).reason
    none = replace(LINK, channels=LINK.channels[1:3])
    assert judged(p.FailsafeMargin(at_least_us=25), Scenario(
        plan=plan_for(link=none), sticks=lambda place: (1500, 1500), failsafe_ns=lambda _: None,
    )).verdict is OPEN  # fmt: skip


def test_missing_messages_could_have_shown_a_lower_throttle():
    assert margin(drop=drop_every(RX, 60)).verdict is OPEN
