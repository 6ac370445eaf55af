"""Which figures are compared? Each with what it measures, which way is better, and its default margin."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import messages as wire
from harness.compare.samples import Mean, MeanAge, Quantile, Rate, Sample, Share, Shift, Spread, Worst
from harness.measure.age import age_pieces, sampled_ages
from harness.measure.arrays import Floats, Ints
from harness.measure.delivery import LOST_NS, count_delivery, packet_fates
from harness.measure.evidence import Evidence
from harness.measure.failsafe import CutEntry, Entry, failsafe_entries
from harness.measure.latency import Delays, acknowledgement_delays, packet_delays, stick_delays
from harness.measure.pacing import control_gaps, packet_rate
from harness.measure.percentiles import Samples
from harness.measure.telemetry_age import telemetry_ages
from harness.plan.model import Link
from harness.verdict import CheckResult

BLOCK_NS: Final = 2 * S
"""Gaps and attempts are looked at in blocks of this length: fades of a bench are shorter (our choice)."""
NEVER_MS: Final = 10_000.0
"""Stands for telemetry that never came."""
Kind = Literal["share", "time", "rate", "number"]


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure that is compared.

    `key` is its name for `--margin` and in JSON, `more` whether more of it is better or worse. `margin`
    returns, in `unit`, how much worse still counts as no worse, for a link. `take` measures one run; None
    where it has nothing to tell.
    """

    key: str
    title: str
    unit: str
    kind: Kind
    more: Literal["better", "worse"]
    margin: Callable[[Link], float]
    take: Callable[[Evidence], Sample | None]

    @property
    def sign(self) -> int:
        """1 where more is worse, -1 where less is."""
        return 1 if self.more == "worse" else -1


def _delivery(evidence: Evidence) -> Sample | None:
    fates = packet_fates(evidence)
    if not len(fates.row):
        return None
    return Share(fates.lost, fates.unknown, fates.unreported)


def _arrived(delays: Delays, share: float) -> Quantile | None:
    """Return a percentile of the delays that came to an end: losses are delivery's, and are told there."""
    samples = delays.samples
    came = samples.low_ns != LOST_NS
    if not (samples.low_ns[came] == samples.high_ns[came]).any():
        return None
    kept = Samples(samples.low_ns[came], samples.high_ns[came], samples.unplaced)
    return Quantile(kept, share, delays.bound_ns / MS)


def _of(delays: Callable[[Evidence], Delays], share: float) -> Callable[[Evidence], Sample | None]:
    return lambda evidence: _arrived(delays(evidence), share)


def _spread(evidence: Evidence) -> Sample | None:
    upper, middle = (_arrived(packet_delays(evidence), share) for share in (0.99, 0.5))
    return None if upper is None or middle is None else Spread(upper, middle)


def _age_mean(evidence: Evidence) -> Sample | None:
    pieces = age_pieces(evidence)
    return MeanAge(pieces, evidence.plan.link.packet_period_ns) if pieces.total_ns else None


def _age_percentile(evidence: Evidence) -> Sample | None:
    samples = sampled_ages(evidence)
    return Quantile(samples, 0.99, evidence.slack_ns / MS) if len(samples) else None


def _control_gap(evidence: Evidence) -> Sample | None:
    gaps = control_gaps(evidence)
    sure = ~gaps.doubtful
    longest = _blocks(gaps.start_ns[sure], gaps.gap_ns[sure] / MS, np.maximum)
    if not len(longest):
        return None
    return Worst(longest, float(gaps.bound_ns[sure].max()) / MS)


def _blocks(at_ns: Ints, values: Floats, joined: np.ufunc) -> Floats:
    """Return the values of each block of `BLOCK_NS` that has any, joined to one."""
    if not len(at_ns):
        return values
    order = np.argsort(at_ns, kind="stable")
    block = at_ns[order] // BLOCK_NS
    begins = np.flatnonzero(np.concatenate(([True], np.diff(block) > 0)))
    found: Floats = joined.reduceat(values[order], begins)
    return found


def _attempts(evidence: Evidence) -> Sample | None:
    """Return how often packets were sent, the mean of each block; None if the transmitter does not tell."""
    row = packet_fates(evidence).row
    rows = evidence.heard[Role.TRANSMITTER].table(wire.Sent.TYPE).rows
    if not len(row) or not rows["attempts"].any():
        return None
    at_ns, attempts = evidence.sent.at_ns[row], rows["attempts"].astype(np.float64)[row]
    sums = _blocks(at_ns, attempts, np.add)
    counts = _blocks(at_ns, np.ones(len(row)), np.add)
    full = counts >= counts.max() / 2
    return Mean(sums[full] / counts[full], len(row))


def _entries(evidence: Evidence) -> list[CutEntry]:
    within = evidence.plan.link.failsafe.within_ns
    return [one for one in failsafe_entries(evidence, within) if not one.other_rate]


def _entry_times(evidence: Evidence) -> tuple[Floats, float] | None:
    engaged = [one for one in _entries(evidence) if one.entry is Entry.ENGAGED and not one.may_be_shorter]
    if not engaged:
        return None
    times = np.array([one.entry_ns for one in engaged], dtype=np.float64) / MS
    return times, max(one.bound_ns for one in engaged) / MS


def _failsafe_entry(evidence: Evidence) -> Sample | None:
    found = _entry_times(evidence)
    return None if found is None else Shift(*found)


def _failsafe_worst(evidence: Evidence) -> Sample | None:
    found = _entry_times(evidence)
    return None if found is None else Worst(*found)


def _telemetry_age(evidence: Evidence) -> Sample | None:
    ages = telemetry_ages(evidence)
    if not ages:
        return None
    most = [NEVER_MS if one.time_most_ns is None else one.time_most_ns / MS for one in ages]
    return Shift(np.array(most), evidence.slack_ns / MS)


def _packet_rate(evidence: Evidence) -> Sample | None:
    rate = packet_rate(evidence)
    if not rate.hz:
        return None
    return Rate(rate.packets, rate.time_ns / S, rate.hz * rate.bound_ns / rate.time_ns)


def _period(parts: float) -> Callable[[Link], float]:
    return lambda link: parts * link.packet_period_ns / MS


def _fixed(value: float) -> Callable[[Link], float]:
    return lambda _link: value


FIGURES: Final[tuple[Figure, ...]] = (
    Figure("delivery", "delivery", "%", "share", "better", _fixed(1.0), _delivery),
    Figure("latency_p50", "latency (median)", "ms", "time", "worse", _fixed(2.0), _of(packet_delays, 0.5)),
    Figure("latency_p90", "latency (90 %)", "ms", "time", "worse", _fixed(2.0), _of(packet_delays, 0.9)),
    Figure("latency_p99", "latency (99 %)", "ms", "time", "worse", _fixed(2.0), _of(packet_delays, 0.99)),
    Figure("latency_spread", "latency (99 % over median)", "ms", "time", "worse", _fixed(2.0), _spread),
    Figure(
        "stick_p90", "stick to output (90 %)", "ms", "time", "worse", _period(0.25), _of(stick_delays, 0.9)
    ),
    Figure(
        "acknowledgement_p90", "acknowledgement (90 %)", "ms", "time", "worse", _fixed(2.0),
        _of(acknowledgement_delays, 0.9),
    ),
    Figure("age_mean", "control age (mean)", "ms", "time", "worse", _fixed(2.0), _age_mean),
    Figure("age_p99", "control age (99 %)", "ms", "time", "worse", _fixed(2.0), _age_percentile),
    Figure("control_gap", "longest control gap", "ms", "time", "worse", _period(1.5), _control_gap),
    Figure("packet_rate", "packet rate", "Hz", "rate", "better", lambda link: link.packet_rate_mhz / 100_000,
           _packet_rate),
    Figure("attempts", "attempts a packet", "", "number", "worse", _fixed(0.1), _attempts),
    Figure("failsafe_entry", "failsafe entry (all cuts)", "ms", "time", "worse", _period(1), _failsafe_entry),
    Figure("failsafe_worst", "failsafe entry (worst case)", "ms", "time", "worse", _period(1),
           _failsafe_worst),
    Figure("telemetry_age", "telemetry age (median)", "ms", "time", "worse", _period(1), _telemetry_age),
)  # fmt: skip
"""Every figure with an interval. Default margins are our choice, no source: packet periods or
a part of one where a packet more or less decides, 2 ms else; `margin_for` widens
them to what clocks can show."""
BY_KEY: Final[Mapping[str, Figure]] = {figure.key: figure for figure in FIGURES}


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that a sound link never does: `counted` of `chances` in a run."""

    key: str
    title: str
    counted: int
    chances: int


FAULTS: Final[Mapping[str, tuple[str, tuple[str, ...]]]] = {
    "duplicates": ("packets applied twice", ("applied again",)),
    "order": ("packets out of order, or never sent", ("reordered", "never sent")),
    "fidelity": ("packets with wrong outputs", ("deviating",)),
    "output_range": ("outputs out of range", ("beyond",)),
    "no_glitch": ("glitches", ("glitches",)),
    "failsafe_outputs": ("wrong outputs in failsafe", ("wrong",)),
    "failsafe_exit": ("old sticks after a cut", ("stale",)),
    "no_false_failsafe": ("false failsafes", ("false failsafes",)),
    "start_up": ("starts with a wrong output", ("with a wrong output",)),
    "telemetry_value": ("wrong telemetry values", ("wrong",)),
}
"""Faults by the kind of the check that counts them: what they are, and the check's counts."""


def faults_of(evidence: Evidence, results: Sequence[CheckResult]) -> dict[str, Fault]:
    """Return what the checks counted of faults, by key, and three more that no check needs to ask for."""
    found = {}
    for result in results:
        if result.kind in FAULTS and result.samples:
            title, words = FAULTS[result.kind]
            counted = sum(result.counts.get(word, 0) for word in words)
            if result.name != result.kind:
                title = f"{title} ({result.name})"
            found[result.name] = Fault(result.name, title, counted, result.samples)
    counts = count_delivery(evidence, packet_fates(evidence))
    if counts.sent:
        key = "acknowledged, not applied"
        found[key] = Fault(key, "packets acknowledged, not applied", counts.acked_not_applied, counts.sent)
    entries = [one.entry for one in _entries(evidence) if one.entry in (Entry.ENGAGED, Entry.NEVER)]
    if entries:
        key = "failsafe never"
        found[key] = Fault(key, "cuts without failsafe", entries.count(Entry.NEVER), len(entries))
    return found


def measured(evidence: Evidence) -> dict[str, Sample]:
    """Return what one run shows of every figure that it has something to tell of, by key."""
    taken: dict[str, Any] = {figure.key: figure.take(evidence) for figure in FIGURES}
    return {key: sample for key, sample in taken.items() if sample is not None}
