"""Which share of hours of packets, or of time, was good? One byte of each sample is kept, no more.

Rounds are not judged one by one here: the samples of all rounds stand one after the other, as in one long
run, and the limits that allow for bursts (`harness.stats.bursts`) are those of the whole. So a check's
confidence means what it means in a short run. For each sample a byte tells on which side of the limit it
lies, on both edges of the round's own uncertainty. Percentiles are read off a count of times in steps of
1 us, beyond 4 ms of a thousandth at most.
"""

from __future__ import annotations

from collections import Counter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from harness.clock import MS, US
from harness.judge.advice import BENCH, MORE, advise
from harness.judge.guard import result
from harness.judge.latency import OF, VERDICTS
from harness.judge.words import EXAMPLES, moment, ms, share
from harness.measure.age import sampled_ages, times_of_ages
from harness.measure.arrays import Ints
from harness.measure.delivery import LOST_NS, count_delivery, packet_fates
from harness.measure.evidence import Evidence
from harness.measure.latency import DELAYS
from harness.measure.percentiles import Samples
from harness.plan import model as p
from harness.plan.wording import many
from harness.soak.place import Place
from harness.stats.bursts import (
    FEWEST_BURSTS,
    ShareLimits,
    Tally,
    limits_of,
    reached,
    tallies,
    trials_to_settle,
)
from harness.verdict import CheckResult, Verdict

Codes = NDArray[np.uint8]
LOST: Final = 1
UNKNOWN: Final = 2
BEYOND: Final = 1
MAYBE_BEYOND: Final = 2
"""Sides of the limit plus the uncertainty; the same shifted by two bits, of the limit less it."""
FINE: Final = 12
"""Bits of a time that are told apart."""
_HALF: Final = 1 << FINE - 1
_MOST_US: Final = 1 << 36


class Delivery:
    """Delivery over all rounds: lost and unknown packets in the order in which they were sent."""

    def __init__(self, check: p.PlanCheck) -> None:
        assert isinstance(check.rule, p.Delivery)
        self.check, self.rule = check, check.rule
        self.codes: list[Codes] = []
        self.counts: Counter[str] = Counter()
        self.longest = 0
        self.unplaced = 0
        self.rounds = 0
        self.poorest: tuple[float, Place] | None = None

    def take(self, place: Place, evidence: Evidence) -> Verdict:
        """Take in a round's packets; by itself it says nothing but whether there were any."""
        fates = packet_fates(evidence, self.rule.during)
        found = count_delivery(evidence, fates, self.rule.during)
        doubt = fates.lost if evidence.recording.damaged else np.zeros(len(fates.lost), dtype=np.bool_)
        unknown = fates.unknown | doubt
        self.codes.append(((fates.lost & ~doubt) * LOST + unknown * UNKNOWN).astype(np.uint8))
        self.unplaced += fates.unreported
        self.rounds += 1
        self.counts.update(
            {"sent": found.sent, "applied in time": found.applied, "lost": found.lost, "late": found.late,
             "unknown": found.unknown, "not judged": found.not_judged, "loss bursts": found.bursts}
        )  # fmt: skip
        self.longest = max(self.longest, found.longest_burst)
        known = found.applied + found.lost
        if known and (self.poorest is None or found.applied / known < self.poorest[0]):
            self.poorest = (found.applied / known, place)
        return Verdict.NONE

    def result(self) -> CheckResult:
        """Return the verdict on all packets as on those of one run."""
        codes, rule = _joined(self.codes), self.rule
        sent = len(codes) + self.unplaced
        if not sent or self.poorest is None:
            return _nothing("no packet was sent", "packets")
        confidence, limit = float(rule.confidence), float(rule.at_least)
        seen, worst = tallies((codes & LOST) > 0, unknown=(codes & UNKNOWN) > 0, unplaced=self.unplaced)
        found = limits_of(seen, confidence, worst=worst)
        verdict = VERDICTS[reached(found, sent, limit)]
        counts = dict(self.counts) | {"longest burst": self.longest}
        known = self.counts["applied in time"] + self.counts["lost"]
        poorest, where = self.poorest
        reason = (
            f"{self.counts['applied in time']} of {many(sent, 'packet')} were applied in time in "
            f"{many(self.rounds, 'round')}: between {share(found.lower)} and {share(found.upper)}, each with "
            f"{share(rule.confidence)} confidence; wanted {share(rule.at_least)}; poorest {where}: "
            f"{share(poorest)}"
        )
        unknown = self.counts["unknown"]
        reason += f"; {many(unknown, 'packet')} of unknown fate" if unknown else ""
        return result(
            verdict,
            reason,
            value=100 * self.counts["applied in time"] / known,
            unit="%",
            interval=(100 * found.lower, 100 * found.upper),
            confidence=confidence,
            limit=100 * limit,
            side="at least",
            samples=sent,
            sample_unit="packets",
            needed=_needed(seen, worst, limit, confidence, sent) if verdict is Verdict.INCONCLUSIVE else None,
            counts=counts,
            advice=_advice(verdict, "delivery", "fail", unknown),
        )


class Times:
    """A percentile of latency or of control age over all rounds."""

    def __init__(self, check: p.PlanCheck) -> None:
        assert isinstance(check.rule, p.Latency | p.ControlAge)
        self.check, self.rule = check, check.rule
        self.codes: list[Codes] = []
        self.spread = Spread()
        self.unplaced = 0
        self.unknown = 0
        self.rounds = 0
        self.bound_ns = 0
        self.slow: list[tuple[int, str]] = []
        self.slowest: tuple[float, Place] | None = None

    def take(self, place: Place, evidence: Evidence) -> Verdict:
        """Take in a round's times; by itself it says nothing."""
        samples, bound_ns = self._samples(place, evidence)
        self.codes.append(_sides(samples, self.rule.at_most_ns, bound_ns, damaged=evidence.recording.damaged))
        self.spread.add(samples.known_ns)
        self.unplaced += samples.unplaced
        self.unknown += samples.unknown
        self.rounds += 1
        self.bound_ns = max(self.bound_ns, bound_ns)
        slow = (self.codes[-1] & BEYOND).mean() if len(self.codes[-1]) else 0.0
        if self.slowest is None or slow > self.slowest[0]:
            self.slowest = (float(slow), place)
        return Verdict.NONE

    def _samples(self, place: Place, evidence: Evidence) -> tuple[Samples, int]:
        if isinstance(self.rule, p.ControlAge):
            samples = sampled_ages(evidence, self.rule.during)
            times = times_of_ages(evidence, self.rule.during)
            if times.total_ns and int(times.age_ns[-1]) > self.rule.at_most_ns:
                self._note(int(times.age_ns[-1]), f"{place}: up to {ms(int(times.age_ns[-1]))} old")
            return samples, evidence.slack_ns
        delays = DELAYS[self.rule.of](evidence, self.rule.during)
        known = np.where(delays.samples.low_ns == delays.samples.high_ns, delays.samples.low_ns, 0)
        known = np.where(known < LOST_NS, known, 0)
        if len(known) and int(known.max()) > self.rule.at_most_ns:
            worst = int(known.argmax())
            took, when = int(known[worst]), moment(evidence, int(delays.at_ns[worst]))
            self._note(took, f"{place}: {delays.what} {delays.number[worst]} took {ms(took)} at {when}")
        return delays.samples, delays.bound_ns

    def _note(self, time_ns: int, line: str) -> None:
        self.slow = sorted([*self.slow, (-time_ns, line)])[:EXAMPLES]

    def result(self) -> CheckResult:
        """Return the verdict on all samples as on those of one run."""
        codes, rule = _joined(self.codes), self.rule
        count = len(codes) + self.unplaced
        unit = "packet periods" if isinstance(rule, p.ControlAge) else f"{_what(rule)}s"
        if not count or self.slowest is None or not self.spread.total:
            return _nothing("nothing was sent or applied", unit)
        confidence, percentile = float(rule.confidence), float(rule.percentile)
        (pass_look, pass_worst), (fail_look, fail_worst) = (
            tallies((codes >> off & BEYOND) > 0, unknown=(codes >> off & 3) == MAYBE_BEYOND,
                    unplaced=self.unplaced) for off in (2, 0)
        )  # fmt: skip
        good = limits_of(pass_look, confidence, worst=pass_worst)
        bad = limits_of(fail_look, confidence, worst=fail_worst)
        kept = True if reached(good, count, percentile) is True else None
        kept = False if kept is None and reached(bad, count, percentile) is False else kept
        verdict = VERDICTS[kept]
        value = self.spread.percentile_ns(percentile)
        open_ = verdict is Verdict.INCONCLUSIVE
        return result(
            verdict,
            self._reason(value, good, bad, count),
            value=float("inf") if value >= LOST_NS else value / MS,
            unit="ms",
            confidence=confidence,
            uncertainty=self.bound_ns / MS,
            limit=rule.at_most_ns / MS,
            side="at most",
            samples=count,
            sample_unit=unit,
            needed=_needed(pass_look, pass_worst, percentile, confidence, count) if open_ else None,
            counts={
                unit: self.spread.total, "beyond the limit": int(((codes & BEYOND) > 0).sum()),
                "unknown": self.unknown,
            },
            examples=tuple(line for _, line in self.slow) if verdict is not Verdict.PASS else (),
            advice=_advice(verdict, rule.WORD, _situation(rule), self.unknown),
        )  # fmt: skip

    def _reason(self, value: int, good: ShareLimits, bad: ShareLimits, count: int) -> str:
        rule = self.rule
        assert self.slowest is not None
        said = "a lost one, so without end" if value >= LOST_NS else ms(value)
        slow, where = self.slowest
        if isinstance(rule, p.ControlAge):
            what = f"for {share(rule.percentile)} of the time the newest applied sticks were up to {said} old"
        else:
            what = f"{share(rule.percentile)} of {_what(rule)}s {OF[rule.of]} {said}"
        few = ""
        if (1 - float(rule.percentile)) * count < FEWEST_BURSTS:
            few = "; too few for this percentile"
        return (
            f"{what} in {many(self.rounds, 'round')}; the limit of {ms(rule.at_most_ns)} (clocks to "
            f"{ms(self.bound_ns)}) is kept by between {share(good.lower)} and {share(bad.upper)}{few}; most "
            f"beyond it in {where}: {share(slow)}"
        )


def _what(rule: p.Latency) -> str:
    return "stick position" if rule.of == "stick" else "packet"


def _situation(rule: p.Latency | p.ControlAge) -> str:
    return "fail" if isinstance(rule, p.ControlAge) or rule.of == "packet" else rule.of


def _sides(samples: Samples, limit_ns: int, bound_ns: int, *, damaged: bool) -> Codes:
    """Return for each sample whether it is, and may be, beyond the limit, at both edges of the uncertainty.

    In a damaged recording nothing is beyond the limit for certain.
    """
    codes = np.zeros(len(samples.low_ns), dtype=np.uint8)
    for off, edge in ((0, limit_ns + bound_ns), (2, limit_ns - bound_ns)):
        surely, maybe = samples.low_ns > edge, samples.high_ns > edge
        surely &= not damaged
        codes |= ((surely * BEYOND + maybe * MAYBE_BEYOND) << off).astype(np.uint8)
    return codes


def _joined(codes: list[Codes]) -> Codes:
    return np.concatenate(codes) if codes else np.zeros(0, dtype=np.uint8)


def _needed(seen: Tally, worst: tuple[Tally, ...], limit: float, confidence: float, count: int) -> int | None:
    total = trials_to_settle(seen, limit, confidence, worst=worst)
    return None if total is None or total <= count else total - count


def _advice(verdict: Verdict, kind: str, situation: str, unknown: int) -> tuple[str, ...]:
    if verdict is Verdict.PASS:
        return ()
    if verdict is Verdict.FAIL:
        return advise(kind, situation)
    return BENCH if unknown else (MORE,)


def _nothing(what: str, unit: str) -> CheckResult:
    return result(Verdict.INCONCLUSIVE, f"{what} in any round", sample_unit=unit, limit=None)


class Spread:
    """Counts of times by their length: to 1 us, above 4 ms to a thousandth; the lost ones apart."""

    def __init__(self) -> None:
        self._counts = np.zeros(0, dtype=np.int64)
        self.lost = 0

    @property
    def total(self) -> int:
        """How many times there are."""
        return int(self._counts.sum()) + self.lost

    def add(self, times_ns: Ints) -> None:
        """Count times in ns; `LOST_NS` is a lost one."""
        known = times_ns[times_ns < LOST_NS]
        self.lost += len(times_ns) - len(known)
        us = np.clip(-(-known // US), 0, _MOST_US)
        shift = np.maximum(0, np.frexp(us.astype(np.float64))[1] - FINE).astype(np.int64)
        more = np.bincount(shift * _HALF + (us >> shift), minlength=len(self._counts))
        more[: len(self._counts)] += self._counts
        self._counts = more

    def percentile_ns(self, part: float) -> int:
        """Return the least time that this share of all times does not exceed, never less than it is."""
        rank = max(1, int(np.ceil(round(part * self.total, 9))))
        sums = np.cumsum(self._counts)
        place = int(np.searchsorted(sums, rank))
        if place >= len(sums):
            return LOST_NS
        shift = max(0, place // _HALF - 1)
        return ((place - shift * _HALF + 1 << shift) - 1) * US
