"""Runs with a known truth, judged by the functions by which the harness judges recordings.

`decisions.py` makes its tables and its figure of these.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from statistics import median
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from harness.clock import MS
from harness.judge.guard import decide_trials
from harness.looks import at_share
from harness.measure.percentiles import Samples, judge_percentile
from harness.stats import bursts as b
from harness.stats.sequential import Decision, SequentialTest, risk_shares
from harness.verdict import Verdict

SEED: Final = 1_062_012
CONFIDENCE: Final = Fraction(95, 100)
RISK: Final = float(1 - CONFIDENCE)
BURST: Final = 5.0
"""Mean length of a burst of bad packets, where they come in bursts."""
PATTERNS: Final = {"single": 1.0, "in bursts": BURST}
LOSS_ALLOWED: Final = 0.01
PERCENTILE, FIXED_NS, LATENCY_NS, SLACK_NS = 0.95, 4 * MS, 12 * MS, MS // 5
"""Latencies are a fixed time and an exponential wait; both clocks together are known to `SLACK_NS`."""
CUTS_SHOWN: Final = 0.95
PACKETS, LATENCIES, CUTS = 10_000, 2_500, 59
"""Samples of one run."""

Flags = NDArray[np.bool_]
Chance = np.random.Generator
Draw = Callable[[Chance, int, float], NDArray[Any]]
"""Draws so many samples with a true value."""
Answers = tuple[Flags, Flags, NDArray[np.int64]]
"""Of each run: whether it passed, whether it failed, how many samples it took."""
Way = Callable[[Chance, int, float], Answers]
"""Draws so many runs with a true value and judges each."""


@dataclass(frozen=True, slots=True)
class Told:
    """What a decision of the harness says, and how many more samples would settle it."""

    verdict: Verdict
    needed: int | None


@dataclass(frozen=True, slots=True)
class Question:
    """What is judged, how its bad samples come, how they are drawn, who decides one run and many at once."""

    what: str
    pattern: str
    unit: str
    count: int
    sample: Draw
    decide: Callable[[NDArray[Any]], Told]
    decide_all: Callable[[Iterator[NDArray[Any]]], tuple[Flags, Flags]]

    def runs(self, draw: Chance, runs: int, truth: float) -> Answers:
        """Draw runs and judge each once."""
        passed, failed = self.decide_all(self.sample(draw, self.count, truth) for _ in range(runs))
        return passed, failed, np.full(runs, self.count)


@dataclass(frozen=True, slots=True)
class Point:
    """One true value: how often each verdict came of it, and the mean number of samples until it did."""

    truth: float
    passed: float
    failed: float
    samples: float

    @property
    def open(self) -> float:
        """How often no verdict came."""
        return max(0.0, 1 - self.passed - self.failed)


def point(way: Way, truth: float, runs: int, *cell: int) -> Point:
    """Return what `runs` runs with this true value came to; `cell` names the random stream."""
    passed, failed, samples = way(np.random.default_rng((SEED, *cell)), runs, truth)
    assert not (passed & failed).any()
    return Point(truth, float(passed.mean()), float(failed.mean()), float(samples.mean()))


# -- samples -------------------------------------------------------------------------------------------------


def bad_ones(length: float, draw: Chance, count: int, share: float) -> Flags:
    """Return flags, `share` of them set in the long run: each by itself, or in bursts of mean `length`.

    Bursts are those of a two-state chain that starts in its long-run state.
    """
    if length <= 1:
        return draw.random(count) < share
    enter, begins_bad = share / (length * (1 - share)), bool(draw.random() < share)
    pairs = count / (length + 1 / enter)
    pairs = int(pairs + 10 * np.sqrt(pairs) + 20)
    spells = [draw.geometric(1 / length, pairs), draw.geometric(enter, pairs)]
    lengths = np.stack(spells if begins_bad else spells[::-1], axis=1).ravel()
    bad: Flags = np.repeat(np.arange(2 * pairs) % 2 == (0 if begins_bad else 1), lengths)
    assert len(bad) >= count
    return bad[:count]


def latencies(length: float, draw: Chance, count: int, percentile_ns: float) -> NDArray[np.int64]:
    """Return latencies in ns whose 95th percentile is `percentile_ns`.

    The slowest twentieth come one by one or in bursts, as behind a routine that blocks the loop.
    """
    slow = bad_ones(length, draw, count, 1 - PERCENTILE)
    rank = draw.random(count)
    rank = np.where(slow, PERCENTILE + (1 - PERCENTILE) * rank, PERCENTILE * rank)
    scale = (percentile_ns - FIXED_NS) / -np.log(1 - PERCENTILE)
    return np.asarray(FIXED_NS - scale * np.log1p(-rank), dtype=np.int64)


def late_cuts(draw: Chance, count: int, in_time: float) -> Flags:
    """Return which cuts engaged too late, each by itself."""
    return draw.random(count) >= in_time


# -- decisions: what judge_delivery, judge_latency and judge_failsafe_entry call -----------------------------

_VERDICTS: Final = {True: Verdict.PASS, False: Verdict.FAIL, None: Verdict.INCONCLUSIVE}
DELIVERED: Final = 1 - LOSS_ALLOWED


def decide_losses(lost: Flags) -> Told:
    """Judge packets whose fates are all known, as `judge_delivery` does."""
    reached = b.reached(b.share_limits(lost, float(CONFIDENCE)), len(lost), DELIVERED)
    if reached is not None:
        return Told(_VERDICTS[reached], None)
    seen, worst = b.tallies(lost)
    total = b.trials_to_settle(seen, DELIVERED, float(CONFIDENCE), worst=worst)
    return Told(Verdict.INCONCLUSIVE, None if total is None else total - len(lost))


Seen = tuple[b.Tally, tuple[b.Tally, ...]]
"""What `harness.stats.bursts.tallies` makes of one run whose samples are all known."""


def reached_all(seen: Sequence[Seen], wanted: float, confidence: float) -> tuple[Flags, Flags]:
    """Return for many runs at once what `harness.stats.bursts.reached` says of each: reached, and missed."""
    single, clumped = (_columns(ones) for ones in zip(*((one, known) for one, (known,) in seen), strict=True))
    trials, bad, bursts, *spreads = single
    lower = b.limits(*clumped[:3], confidence, *clumped[3:])[0]
    upper = b.limits(trials, bad, bursts, confidence, *spreads)[1]
    ends = lower, upper, b.certain_limit(trials, bad, bursts, confidence, *spreads)
    clump = b.clump_length(bad, bursts, clumped[2])
    return b.decide(ends, trials, b.mean_burst(bad, bursts), wanted, clump)


def _columns(seen: Sequence[b.Tally]) -> NDArray[np.float64]:
    columns = [(one.trials, one.bad, one.bursts, one.spread, one.gap_spread) for one in seen]
    return np.array(columns, dtype=np.float64).T


def losses_all(runs: Iterator[Flags]) -> tuple[Flags, Flags]:
    """Judge many runs' packets."""
    return reached_all([b.tallies(lost) for lost in runs], DELIVERED, float(CONFIDENCE))


def decide_latencies(times_ns: NDArray[np.int64]) -> Told:
    """Judge latencies that are all known, with the uncertainty of both clocks, as `judge_latency` does."""
    samples, confidence = Samples(times_ns, times_ns), float(CONFIDENCE)
    kept = judge_percentile(samples, PERCENTILE, confidence, LATENCY_NS, SLACK_NS).kept
    needed = None if kept is not None else samples.needed(LATENCY_NS, PERCENTILE, confidence, SLACK_NS)
    return Told(_VERDICTS[kept], needed)


def latencies_all(runs: Iterator[NDArray[np.int64]]) -> tuple[Flags, Flags]:
    """Judge many runs' latencies: less the uncertainty for a pass, plus the uncertainty for a fail."""
    seen = [[b.tallies(times > LATENCY_NS + off) for off in (-SLACK_NS, SLACK_NS)] for times in runs]
    good, bad = zip(*seen, strict=True)
    passed = reached_all(good, PERCENTILE, float(CONFIDENCE))[0]
    return passed, reached_all(bad, PERCENTILE, float(CONFIDENCE))[1]


def decide_cuts(late: Flags) -> Told:
    """Judge cuts whose entry times are all known, as `judge_failsafe_entry` does."""
    bad = int(late.sum())
    found = decide_trials(len(late) - bad, bad, 0, CUTS_SHOWN, float(CONFIDENCE))
    return Told(found.verdict, found.needed)


def cuts_all(runs: Iterator[Flags]) -> tuple[Flags, Flags]:
    """Judge many runs' cuts."""
    verdicts = np.array([decide_cuts(late).verdict for late in runs])
    return verdicts == Verdict.PASS, verdicts == Verdict.FAIL


def questions(packets: int = PACKETS, slow: int = LATENCIES, cuts: int = CUTS) -> Iterator[Question]:
    """Yield the three decisions, with so many samples each, for each way in which bad ones come."""
    for pattern, length in PATTERNS.items():
        about = ("delivery", f"losses {pattern}", "packets lost", packets)
        yield Question(*about, partial(bad_ones, length), decide_losses, losses_all)
    for pattern, length in PATTERNS.items():
        about = ("latency", f"slow packets {pattern}", "95th percentile", slow)
        yield Question(*about, partial(latencies, length), decide_latencies, latencies_all)
    about = ("failsafe entry", "late cuts single", "cuts in time", cuts)
    yield Question(*about, late_cuts, decide_cuts, cuts_all)


TIMES: Final = (0.25, 0.4, 0.55, 0.7, 0.85, 1.0, 1.2, 1.5, 2.0, 2.5)
LATENCY_TIMES: Final = (0.7, 0.8, 0.85, 0.9, 0.95, 1.0, 1.05, 1.1, 1.2, 1.3, 1.5)
TRUTHS: Final = {
    "delivery": tuple(LOSS_ALLOWED * times for times in TIMES),
    "latency": tuple(FIXED_NS + (LATENCY_NS - FIXED_NS) * times for times in LATENCY_TIMES),
    "failsafe entry": (0.8, 0.85, 0.9, 0.93, 0.95, 0.97, 0.98, 0.99, 0.995, 0.999, 1.0),
}
"""True values on both sides of the limit, each limit itself among them."""
LIMITS: Final = {"delivery": LOSS_ALLOWED, "latency": float(LATENCY_NS), "failsafe entry": CUTS_SHOWN}


def curve(place: int, question: Question, runs: int) -> list[Point]:
    """Return the operating characteristic of one decision; `place` is its number."""
    truths = TRUTHS[question.what]
    return [point(question.runs, truth, runs, 1, place, number) for number, truth in enumerate(truths)]


def clocks_out(place: int, length: float, runs: int) -> tuple[float, float]:
    """Return how often latency at its limit passes or fails wrongly with clocks out by all that is allowed.

    Every time is `SLACK_NS` too short for the pass, too long for the fail; `place` names the random stream.
    """

    def way(off_ns: int) -> Way:
        def drawn(draw: Chance, count: int, truth: float) -> Answers:
            times = (latencies(length, draw, LATENCIES, truth) + off_ns for _ in range(count))
            return *latencies_all(times), np.full(count, LATENCIES)

        return drawn

    short, long = (point(way(off), LATENCY_NS, runs, 4, place) for off in (-SLACK_NS, SLACK_NS))
    return short.passed, long.failed


# -- looking more than once ----------------------------------------------------------------------------------

ROUND, ROUNDS = 3_000, (1, 2, 4, 8)
"""Packets of a round, and after how many rounds a run with `extend` looks."""
MANY: Final = tuple(range(1, 9))
LOOK_LOSSES: Final = tuple(LOSS_ALLOWED * times for times in (0.25, 0.5, 0.75, 1.0, 1.5, 2.0))
GOOD_LOSS: Final = LOSS_ALLOWED / 2
"""What the sequential test tells from the loss allowed; the looks need no such second share."""
WALD: Final = SequentialTest(GOOD_LOSS, LOSS_ALLOWED, RISK, RISK)


def fixed_number() -> int:
    """Return the fewest packets by which one look can tell `GOOD_LOSS` from `LOSS_ALLOWED`, as the test does.

    Each error at most 5 %, by exact binomial tails, and so for single losses only.
    """
    from scipy.stats import binom

    counts = np.arange(1, 20_000)
    most = binom.ppf(RISK, counts, LOSS_ALLOWED)
    most = most - (binom.cdf(most, counts, LOSS_ALLOWED) > RISK)
    enough = (most >= 0) & (binom.cdf(most, counts, GOOD_LOSS) >= 1 - RISK)
    return int(counts[enough][0])


def looking(
    rounds: Sequence[int], shares: Sequence[Fraction], length: float, draw: Chance, runs: int, loss: float
) -> Answers:
    """Runs that look after each of `rounds`, each time with its share, and stop at the first verdict."""
    seen = []
    for _ in range(runs):
        lost = bad_ones(length, draw, ROUND * rounds[-1], loss)
        seen.append([b.tallies(lost[: ROUND * number]) for number in rounds])
    passed, failed = np.zeros(runs, dtype=np.bool_), np.zeros(runs, dtype=np.bool_)
    samples = np.full(runs, ROUND * rounds[-1])
    for place, (number, share) in enumerate(zip(rounds, shares, strict=True)):
        confidence = float(at_share(CONFIDENCE, share))
        good, bad = reached_all([one[place] for one in seen], DELIVERED, confidence)
        going = ~(passed | failed)
        samples[going & (good | bad)] = ROUND * number
        passed, failed = passed | (going & good), failed | (going & bad)
    return passed, failed, samples


def sequential(draw: Chance, runs: int, loss: float) -> Answers:
    """Runs that stop as soon as Wald's test decides; single losses."""
    told = [_one_sequential(draw, loss) for _ in range(runs)]
    decisions = np.array([decision.value for decision, _ in told])
    samples = np.array([count for _, count in told])
    return decisions == Decision.ACCEPT.value, decisions == Decision.REJECT.value, samples


def _one_sequential(draw: Chance, loss: float) -> tuple[Decision, int]:
    failures = np.cumsum(draw.random(ROUND * ROUNDS[-1]) < loss)
    line = WALD.slope * np.arange(1, len(failures) + 1)
    ended = np.flatnonzero((failures <= line - WALD.h1) | (failures >= line + WALD.h2))
    count = int(ended[0]) + 1 if len(ended) else len(failures)
    return WALD.decide(int(failures[count - 1]), count), count


def ways() -> Iterator[tuple[str, str, Way]]:
    """Yield the ways to come to a verdict on delivery, each with how its losses come."""
    cap, once = ROUND * ROUNDS[-1], (Fraction(1),)
    for pattern, length in PATTERNS.items():
        spent = risk_shares(len(ROUNDS))
        yield f"one look at {ROUND} packets", pattern, partial(looking, (1,), once, length)
        yield f"one look at {cap} packets", pattern, partial(looking, ROUNDS[-1:], once, length)
        yield "`extend`: looks share the risk", pattern, partial(looking, ROUNDS, spent, length)
        yield "naive: every look has it all", pattern, partial(looking, MANY, once * len(MANY), length)
    yield "Wald's test", "single", sequential


# -- what `needed` is worth ----------------------------------------------------------------------------------

FARTHEST: Final = 20
"""Runs are gone on with up to so many times their length."""
NEEDED_TRUTHS: Final = {
    "delivery": tuple(LOSS_ALLOWED * times for times in (0.4, 0.6, 1.6, 2.0)),
    "latency": tuple(FIXED_NS + (LATENCY_NS - FIXED_NS) * times for times in (0.8, 0.9, 1.15, 1.25)),
    "failsafe entry": (0.95, 0.99, 1.0),
}
NEEDED_COUNTS: Final = {"packets": 4_000, "slow": 800, "cuts": 40}


@dataclass(frozen=True, slots=True)
class Settled:
    """Runs that were left open and told a number: how many of all, its median, and how many it settled."""

    truth: float
    told: float
    median: float
    settled: float


def settle(place: int, number: int, question: Question, truth: float, runs: int) -> Settled:
    """Draw runs; go on with those left open by the number of samples they were told, and judge the whole."""
    draw = np.random.default_rng((SEED, 3, place, number))
    asked, settled = [], 0
    for _ in range(runs):
        samples = question.sample(draw, FARTHEST * question.count, truth)
        first = question.decide(samples[: question.count])
        if first.verdict is Verdict.INCONCLUSIVE and first.needed:
            asked.append(first.needed)
            whole = question.decide(samples[: question.count + first.needed])
            settled += whole.verdict is not Verdict.INCONCLUSIVE
    told = len(asked) / runs
    return Settled(truth, told, median(asked or [0]), settled / max(1, len(asked)))
