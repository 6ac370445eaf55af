"""The harness puts rounds together as each check needs it: certain faults, sums, trials, shares of risk."""

from dataclasses import replace
from fractions import Fraction
from types import SimpleNamespace

import numpy as np
import pytest
from soaked import plan_text

from harness.clock import MS, US
from harness.judge.guard import result
from harness.measure.delivery import LOST_NS
from harness.measure.percentiles import Samples
from harness.plan import model as p
from harness.plan.model import CHECK_KINDS, PlanCheck
from harness.plan.reader import parse_plan
from harness.soak import judging
from harness.soak.judging import part_for
from harness.soak.parts import Certain, Entries, Tightened, Total, with_share
from harness.soak.place import Place, clock_words
from harness.soak.shares import BEYOND, MAYBE_BEYOND, Spread, _sides
from harness.verdict import Verdict

PASS, FAIL, OPEN, NONE = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.NONE
EVIDENCE = SimpleNamespace(recording=SimpleNamespace(damaged=False))


def check(rule):
    return PlanCheck(rule, rule.WORD, "checks[0]")


def fed(part, *results, unended_last=False):
    """Return what a part makes of rounds that come to these results by themselves."""
    rest = list(results)
    part.judged = lambda _evidence: rest.pop(0)
    for number in range(1, len(results) + 1):
        ended = not (unended_last and number == len(results))
        part.take(Place(number, number * 300_000 * MS, ended), EVIDENCE)
    return part.result()


def one(verdict, value=0.0, samples=100, needed=None, **counts):
    return result(
        verdict, f"said {verdict.value} {value:g}", value=value, unit="us", limit=0.0, side="at most",
        samples=samples, sample_unit="packets", needed=needed, counts=counts, advice=("try this",),
        examples=(f"at {value:g}",),
    )  # fmt: skip


# -- certain faults ------------------------------------------------------------------------------------


def test_one_round_that_fails_for_certain_fails_the_run_and_is_named():
    found = fed(Certain(check(p.Fidelity())), one(PASS), one(FAIL, 7.0), one(PASS))
    assert found.verdict is FAIL
    assert "1 of 3 rounds failed, round 2 at 0:10:00: said fail 7" in found.reason
    assert found.value == 7
    assert found.examples == ("round 2 at 0:10:00: at 7",)
    assert found.advice


def test_rounds_without_fault_pass_together_with_the_worst_one_told():
    found = fed(Certain(check(p.Fidelity(tolerance_us=2))), one(PASS, 1.0), one(PASS, 2.0), one(PASS, 0.0))
    assert (found.verdict, found.value, found.samples) == (PASS, 2, 300)
    assert "round 2" in found.reason
    assert not found.advice


def test_a_round_in_doubt_leaves_the_run_open_but_hides_no_failure():
    part = Certain(check(p.NoGlitch()))
    assert fed(part, one(PASS), one(OPEN), one(PASS)).verdict is OPEN
    assert "1 of 3 rounds is in doubt" in part.result().reason
    assert fed(Certain(check(p.NoGlitch())), one(OPEN), one(FAIL)).verdict is FAIL


def test_rounds_with_too_few_samples_add_up():
    few = one(OPEN, samples=20, needed=39)
    part = Certain(check(p.NoGlitch()))
    assert fed(part, few, few).needed == 19
    assert fed(Certain(check(p.NoGlitch())), few, few, few).verdict is PASS


def test_a_last_round_that_never_came_to_a_step_does_not_count():
    nothing = one(OPEN, samples=0)
    rounds = (one(PASS), one(PASS), nothing)
    assert fed(Certain(check(p.FailsafeOutputs())), *rounds, unended_last=True).verdict is PASS
    assert fed(Certain(check(p.FailsafeOutputs())), *rounds).verdict is OPEN


def test_no_round_at_all_is_no_evidence():
    assert Certain(check(p.Fidelity())).result().verdict is OPEN
    assert fed(Certain(check(p.Fidelity())), one(OPEN, samples=0)).verdict is OPEN


def test_a_check_that_is_not_judged_stays_so():
    none = one(NONE, samples=0)
    assert fed(Certain(check(p.Pins(witness="if present"))), none, none).verdict is NONE


def test_counts_are_added_and_extremes_are_not():
    rounds = [one(PASS, packets=10, longest=4), one(PASS, packets=20, longest=2)]
    assert fed(Certain(check(p.Fidelity())), *rounds).counts == {"packets": 30, "longest": 4}


# -- totals --------------------------------------------------------------------------------------------


def test_numbers_that_are_allowed_are_allowed_for_all_rounds_together():
    few = [one(PASS, 2.0)] * 3
    assert fed(Total(check(p.Duplicates(at_most=6))), *few).verdict is PASS
    found = fed(Total(check(p.Duplicates(at_most=5))), *few)
    assert (found.verdict, found.value) == (FAIL, 6)
    assert "6 in 3 rounds" in found.reason


def test_what_is_in_doubt_counts_against_a_pass_of_all_rounds_together():
    doubtful = [one(PASS, 1.0, possible=2)] * 3
    assert fed(Total(check(p.Order(at_most=9))), *doubtful).verdict is PASS
    found = fed(Total(check(p.Order(at_most=8))), *doubtful)
    assert (found.verdict, found.value) == (OPEN, 3)
    assert "3 for certain and 6 possible in 3 rounds, 8 allowed" in found.reason
    assert fed(Total(check(p.Order(at_most=2))), *doubtful).verdict is FAIL


# -- trials --------------------------------------------------------------------------------------------


def cuts(good, late=0, unsure=0):
    verdict = FAIL if late else OPEN
    counts = {"cuts": good + late + unsure, "in time": good, "late": late, "never engaged": 0}
    return one(verdict, 480.0, good + late + unsure, 50, **counts, **{"left open": unsure})


def test_cuts_of_all_rounds_are_trials_of_one_kind():
    rule = p.FailsafeEntry()
    # 59 without fault show 95 % with 95 % confidence (0.95 ** 59 = 0.0485).
    assert fed(Entries(check(rule)), *[cuts(2)] * 29).needed == 1
    assert fed(Entries(check(rule)), *[cuts(2)] * 30).verdict is PASS
    assert fed(Entries(check(rule)), *[cuts(2)] * 30, cuts(1, late=1)).verdict is FAIL


def test_cuts_left_open_count_as_wrong_for_a_pass():
    rule = p.FailsafeEntry()
    # 60 of 61 show 92.5 % (exact binomial limit), 100 of 101 show 95.4 %; 92 of 93 would just do.
    assert fed(Entries(check(rule)), *[cuts(2)] * 30, cuts(0, unsure=1)).verdict is OPEN
    assert fed(Entries(check(rule)), *[cuts(2)] * 50, cuts(0, unsure=1)).verdict is PASS


# -- shares of the risk --------------------------------------------------------------------------------


@pytest.mark.parametrize("rounds", [1, 10, 96])
def test_rounds_share_the_risk_of_a_check_evenly(rounds):
    noise = with_share(p.Noise(at_most_us=4), Fraction(1, rounds))
    assert rounds * (1 - noise.confidence) == Fraction(5, 100)
    pattern = with_share(p.LossPattern(), Fraction(1, rounds))
    assert rounds * pattern.false_alarm == p.LossPattern().false_alarm


def test_a_tightened_verdict_says_how_sure_each_round_is():
    part = Tightened(check(p.Noise(at_most_us=4)), 10)
    assert "99.5 %, so that all together keep 95 %" in fed(part, one(PASS), one(PASS)).reason


# -- shares of samples ---------------------------------------------------------------------------------


def test_a_time_is_told_on_both_edges_of_its_uncertainty():
    times = np.asarray([10, 14, 16, 20, LOST_NS // MS]) * MS
    samples = Samples(times, times)
    codes = _sides(samples, 15 * MS, 2 * MS, damaged=False)
    surely = [(code & BEYOND, code >> 2 & BEYOND) for code in codes.tolist()]
    assert surely == [(0, 0), (0, 1), (0, 1), (1, 1), (1, 1)]
    damaged = _sides(samples, 15 * MS, 2 * MS, damaged=True)
    assert [code & BEYOND for code in damaged.tolist()] == [0] * 5
    assert [code & MAYBE_BEYOND for code in damaged.tolist()] == [0, 0, 0, 2, 2]


def test_an_unknown_time_may_be_on_either_side():
    codes = _sides(Samples(np.asarray([0]), np.asarray([LOST_NS])), 15 * MS, 0, damaged=False)
    assert codes.tolist() == [MAYBE_BEYOND | MAYBE_BEYOND << 2]


def test_percentiles_of_counted_times_are_those_of_the_times_to_a_thousandth():
    chance = np.random.default_rng(2)
    times = (chance.lognormal(1, 1.5, 20_000) * MS).astype(np.int64)
    spread = Spread()
    for part in np.array_split(times, 7):
        spread.add(part)
    ordered = np.sort(times)
    for share in (0.01, 0.5, 0.95, 0.999, 1.0):
        exact = int(ordered[max(1, int(np.ceil(round(share * len(times), 9)))) - 1])
        assert exact <= spread.percentile_ns(share) <= max(exact + US, exact * 1.001)


def test_lost_times_are_beyond_every_other():
    spread = Spread()
    spread.add(np.asarray([MS, LOST_NS]))
    assert (spread.total, spread.percentile_ns(0.5), spread.percentile_ns(0.51)) == (2, MS, LOST_NS)


# -- every check ---------------------------------------------------------------------------------------


def test_every_check_has_a_way_to_be_put_together():
    plan = parse_plan(plan_text(), "x")
    for kind in CHECK_KINDS:
        required = {"delivery": {"at_least": Fraction(99, 100)}, "packet_rate": {"at_least_mhz": 1},
                    "latency": {"percentile": Fraction(95, 100), "at_most_ns": 1},
                    "control_age": {"percentile": Fraction(95, 100), "at_most_ns": 1},
                    "control_gap": {"at_most_ns": 1}, "noise": {"at_most_us": 1},
                    "telemetry_age": {"at_most_ns": 1}, "throughput": {"at_least_mhz": 1},
                    "back_to_back": {"at_least": 1}, "failsafe_margin": {"at_least_us": 1},
                    "recovery": {"after": "restart", "within_ns": 1}}.get(kind.WORD, {})  # fmt: skip
        part = part_for(check(kind(**required)), plan, [])
        assert part.result().verdict in (OPEN, PASS)
        assert part.result().verdict is OPEN or kind.WORD == "bench"


def test_a_check_with_a_risk_of_its_own_is_never_taken_for_certain():
    for kind in CHECK_KINDS:
        risky = {"confidence", "false_alarm"} & set(kind.__dataclass_fields__)
        alone = kind not in judging.WAYS and kind not in (*judging.RISKY, p.LossPattern, p.Drift)
        assert not (risky and alone), kind


@pytest.mark.parametrize(
    ("time_ns", "words"), [(0, "0:00:00"), (3_723_000 * MS, "1:02:03"), (86_399_999 * MS, "23:59:59")]
)
def test_a_time_reads_as_a_clock(time_ns, words):
    assert clock_words(time_ns) == words


def test_replacing_a_rule_keeps_the_rest():
    assert replace(with_share(p.LossPattern(), Fraction(1)), false_alarm=Fraction(1, 1000)) == p.LossPattern()
