"""The harness tells drift from chance: by the interval of a slope, against a limit an hour."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from scipy import stats

from harness.clock import MS, US, S
from harness.judge.drift import FIGURES, drifts, judge_drift
from harness.measure.hours import RoundFigures
from harness.plan import model as p
from harness.verdict import Verdict

RULE = p.Drift()
ONLY_LATENCY = p.Drift(delivery=None, free_memory=None)
ROUND_NS = 300 * S


def rounds(count, seed=1, **per_hour):
    """Return rounds of 5 min with some chance in each figure, and these slopes an hour."""
    chance = np.random.default_rng(seed)
    found = []
    for number in range(1, count + 1):
        hours = (number - 0.5) * ROUND_NS / (3600 * S)
        lost = round(15_000 * (0.01 + per_hour.get("loss", 0) * hours)) + int(chance.integers(-9, 10))
        found.append(
            RoundFigures(
                number=number,
                start_ns=(number - 1) * ROUND_NS,
                end_ns=number * ROUND_NS,
                sent=15_000,
                applied=15_000 - lost,
                lost=lost,
                latency_ns=round(
                    2 * MS + per_hour.get("latency_us", 0) * US * hours + chance.normal() * 30 * US
                ),
                gap_ns=round(60 * MS + per_hour.get("gap_ms", 0) * MS * hours + chance.normal() * 10 * MS),
                age_ns=round(45 * MS + per_hour.get("age_ms", 0) * MS * hours + chance.normal() * MS),
                free_memory=round(1024 - per_hour.get("leak", 0) * hours),
                skew_ppm=40 + per_hour.get("ppm", 0) * hours + chance.normal(),
            )
        )
    return found


def verdict_of(key, found, rule):
    return next(one.verdict for one in drifts(found, rule) if one.figure.key == key)


CASES = {
    "latency": ("latency_us", {"latency_ns": 500_000}, 400, 600),
    "delivery": ("loss", {"delivery": Fraction(5, 1000)}, 0.004, 0.006),
    "free_memory": ("leak", {"free_memory": 64}, 60, 70),
    "control_gap": ("gap_ms", {"control_gap_ns": 10 * MS}, 7, 13),
    "telemetry_age": ("age_ms", {"telemetry_age_ns": 2 * MS}, 1.5, 2.5),
    "clocks": ("ppm", {"clocks_ppm": 5}, 4, 6),
}


@pytest.mark.parametrize("key", CASES)
def test_a_figure_beyond_its_limit_fails_and_one_just_within_passes(key):
    slope, limit, within, beyond = CASES[key]
    rule = replace(p.Drift(latency_ns=None, delivery=None, free_memory=None), **limit)
    assert verdict_of(key, rounds(96, **{slope: within}), rule) is Verdict.PASS
    assert verdict_of(key, rounds(96, **{slope: beyond}), rule) is Verdict.FAIL
    found = judge_drift(rule, rounds(96, **{slope: beyond}))
    assert found.verdict is Verdict.FAIL
    assert found.margin < 0
    assert found.advice


@pytest.mark.parametrize("key", [key for key in CASES if key != "clocks"])
def test_what_gets_better_is_no_drift(key):
    slope, limit, _, beyond = CASES[key]
    rule = replace(p.Drift(latency_ns=None, delivery=None, free_memory=None), **limit)
    assert judge_drift(rule, rounds(24, **{slope: -beyond})).verdict is Verdict.PASS


@pytest.mark.parametrize("ppm", [-6, 6])
def test_clocks_may_drift_apart_either_way(ppm):
    rule = p.Drift(latency_ns=None, delivery=None, free_memory=None, clocks_ppm=5)
    assert judge_drift(rule, rounds(96, ppm=ppm)).verdict is Verdict.FAIL


def test_too_few_rounds_leave_it_open_and_say_how_many_more_would_do():
    # Three figures share 1 %: 2 / n! is at most 1 / 300 from n = 6 on.
    found = judge_drift(RULE, rounds(4))
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.needed == 2
    assert judge_drift(RULE, rounds(40)).verdict is Verdict.PASS


def test_a_slope_at_the_limit_is_open_and_asks_for_more_rounds():
    found = judge_drift(ONLY_LATENCY, rounds(24, latency_us=490))
    assert found.verdict is Verdict.INCONCLUSIVE
    assert found.needed > 0


def test_a_figure_that_no_round_has_leaves_it_open():
    bare = [replace(one, free_memory=None) for one in rounds(24)]
    found = judge_drift(RULE, bare)
    assert found.verdict is Verdict.INCONCLUSIVE
    assert "free memory" in found.reason
    assert judge_drift(replace(RULE, free_memory=None), bare).verdict is Verdict.PASS


def test_a_check_without_any_limit_never_passes():
    nothing = p.Drift(latency_ns=None, delivery=None, free_memory=None)
    assert judge_drift(nothing, rounds(24)).verdict is Verdict.INCONCLUSIVE


@pytest.mark.parametrize("count", [0, 1])
def test_no_rounds_are_no_evidence(count):
    assert judge_drift(RULE, rounds(count)).verdict is Verdict.INCONCLUSIVE


def test_at_the_limit_all_figures_together_are_judged_wrongly_as_seldom_as_stated():
    rule = p.Drift(free_memory=None, telemetry_age_ns=2 * MS, false_alarm=Fraction(5, 100))
    wrong = sum(
        judge_drift(rule, rounds(24, seed, latency_us=500, loss=0.005, age_ms=2)).verdict is Verdict.FAIL
        for seed in range(400)
    )
    assert wrong <= stats.binom.ppf(0.999, 400, 0.05)


def test_the_result_tells_slope_interval_and_trend_test():
    found = judge_drift(ONLY_LATENCY, rounds(96, latency_us=800))
    assert found.unit == "us/h"
    assert found.value == pytest.approx(800, rel=0.1)
    assert found.interval[0] < found.value < found.interval[1]
    assert "Mann-Kendall p" in found.reason
    assert found.samples == 96


def test_every_key_with_a_limit_has_a_figure():
    keys = {"latency", "delivery", "free_memory", "control_gap", "telemetry_age", "clocks"}
    assert {figure.key for figure in FIGURES} == keys


@pytest.mark.parametrize(
    ("slope", "bound_us", "verdict"),
    [(400, 30, Verdict.PASS), (400, 600, Verdict.INCONCLUSIVE), (600, 30, Verdict.FAIL),
     (600, 600, Verdict.INCONCLUSIVE)],
)  # fmt: skip
def test_what_the_clocks_leave_open_prevents_a_verdict_near_the_limit(slope, bound_us, verdict):
    # 96 rounds are 7.9 h from middle to middle: 600 us at either end are 152 us an hour.
    found = [replace(one, slack_ns=bound_us * US) for one in rounds(96, latency_us=slope)]
    judged = judge_drift(ONLY_LATENCY, found)
    assert judged.uncertainty == pytest.approx(2 * bound_us / 7.917, rel=1e-3)
    assert judged.verdict is verdict


def leaking(first, an_hour):
    """Return rounds in which memory leaks by so many bytes an hour from one round on."""
    return [replace(one, free_memory=800 - max(0, one.number - first) * an_hour // 12) for one in rounds(96)]


@pytest.mark.parametrize("first", [72, 80, 84])
def test_what_begins_in_the_last_quarter_forbids_a_pass(first):
    """Up to 29 % of the values may be anything without moving the slope (Theil-Sen's breakdown point)."""
    rule = p.Drift(latency_ns=None, delivery=None, free_memory=32)
    found = judge_drift(rule, leaking(first, 300))
    assert found.verdict is Verdict.INCONCLUSIVE
    assert "to the last quarter" in found.reason
    assert found.needed is None
    assert len(found.advice) == 2
    assert judge_drift(rule, leaking(first, 0)).verdict is Verdict.PASS


def test_a_late_change_that_the_medians_do_not_show_is_told_as_uneven():
    rule = p.Drift(latency_ns=None, delivery=None, free_memory=32)
    assert "not evenly over the hours" in judge_drift(rule, leaking(84, 300)).reason


def test_an_uneven_change_within_an_hours_limit_passes():
    rule = p.Drift(latency_ns=None, delivery=None, free_memory=32)
    assert judge_drift(rule, leaking(84, 60)).verdict is Verdict.PASS


def test_medians_of_quarters_forbid_a_pass_where_no_trend_is_significant(monkeypatch):
    """Falling for three quarters of the rounds, then 4 ms higher: more pairs of rounds fall than rise."""
    found = [
        replace(one, latency_ns=5 * MS - one.number * 10 * US if one.number <= 72 else 9 * MS)
        for one in rounds(96)
    ]
    judged = judge_drift(ONLY_LATENCY, found)
    assert judged.verdict is Verdict.INCONCLUSIVE
    assert "to the last quarter it changes by" in judged.reason
    monkeypatch.setattr("harness.judge.drift.FEWEST_FOR_QUARTERS", 97)
    assert judge_drift(ONLY_LATENCY, found).verdict is Verdict.PASS
