"""The harness names what a soak's hours speak for."""

from __future__ import annotations

from harness.board.playing import plan_of
from harness.clock import MS, US, S
from harness.likely import Likely
from harness.measure.hours import HOUR_NS, RoundFigures
from harness.verdict import CheckResult, Verdict
from harness.why.hours import Watch

DRIFT = (CheckResult("drift", "drift", Verdict.FAIL, "worse by the hour"),)
GAP = (CheckResult("control_gap", "control_gap", Verdict.FAIL, "too long"),)
FINE = (CheckResult("drift", "drift", Verdict.PASS, ""),)
ROUNDS = 96


def watched(*, memory: int = 0, latency_us: int = 0, lost: float = 0.0, older_ms: int = 0) -> Watch:
    """Watch eight hours in which an hour takes so many bytes, adds so many us, loses so many per cent "
    "more."""
    watch = Watch(plan_of("soak"))
    for number in range(ROUNDS):
        start = number * 300 * S
        hours = start / HOUR_NS
        gone = round(15_000 * lost / 100 * hours)
        watch.rounds.append(
            RoundFigures(
                number, start, start + 290 * S, 15_000, 15_000 - gone, gone,
                latency_ns=(600 + round(latency_us * hours) + number % 3) * US, gap_ns=40 * MS,
                age_ns=(30 + round(older_ms * hours)) * MS,
                free_memory=900 - round(memory * hours), skew_ppm=3.0, slack_ns=US,
            )
        )  # fmt: skip
    return watch


def only(watch: Watch) -> Likely:
    (cause,) = watch.causes(DRIFT)
    assert cause.explains == ("drift",)
    return cause


def test_memory_that_leaks_is_told_with_its_rate_and_how_long_it_lasts() -> None:
    cause = only(watched(memory=100))
    assert (cause.key, cause.title) == ("memory-leak", "The receiver loses 100 bytes of free memory an hour")
    assert "gone in 1 h" in cause.speaks_for[0]


def test_latency_and_losses_that_creep_are_told_apart() -> None:
    assert only(watched(latency_us=5000)).key == "latency-drift"
    assert only(watched(lost=0.6)).key == "loss-drift"
    older = only(watched(older_ms=20))
    assert (older.key, older.title) == ("telemetry-drift", "Each hour telemetry is 20 ms older")
    assert "96 rounds" in only(watched(lost=0.6)).speaks_for[0]


def test_nothing_is_said_where_nothing_failed_or_nothing_drifts() -> None:
    assert watched(memory=100).causes(FINE) == ()
    assert watched().causes(DRIFT) == ()
    assert watched(older_ms=1, latency_us=10).causes(DRIFT) == ()


def test_what_comes_round_every_37_minutes_is_found() -> None:
    watch = watched()
    turns = [turn for turn in range(1, 13) if turn not in (4, 9)]  # two fell into pauses
    watch.stalls = [(turn * 37 * 60 * S + turn % 2 * 10 * MS, 290 * MS) for turn in turns]
    (cause,) = watch.causes(GAP)
    assert (cause.key, cause.explains) == ("blocking-routine", ("control_gap",))
    assert "every 37 min" in cause.title


def test_a_few_standstills_without_a_period_are_told_as_such() -> None:
    watch = watched()
    watch.stalls = [(at * 60 * S, 290 * MS) for at in (11, 47, 61)]
    (cause,) = watch.causes(GAP)
    assert (cause.key, cause.strength) == ("receiver-stalls", 0.6)
    assert watched().causes(GAP) == ()
