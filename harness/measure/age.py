"""How old is what the outputs obey? Control age: at every instant, time since the newest applied sticks.

With u(t) the sampling time of the newest stick set that the receiver has applied by t, the age is t - u(t).
It grows with time and falls when a newer set takes effect, so its graph is a saw tooth. The newest is the one
sampled last: a packet that comes late, behind a newer one, makes nothing younger. The peak before each fall
is that packet's latency plus the time since the one before was sampled.

For packets every T, a constant latency L and each packet lost by itself with chance p, the mean age is
L + T (1 + p) / (2 (1 - p)): the time between sampled sets that arrive is T times a geometric number K, so
its mean is L + T E[K**2] / (2 E[K]) with E[K] = 1 / (1 - p) and E[K**2] = (1 + p) / (1 - p)**2.
Source: derived here by renewal-reward; the measure is that of Kaul, Yates and Gruteser, "Real-time status:
how often should one update?", INFOCOM 2012 (cited from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.measure.arrays import Flags, Floats, Ints, ints, meeting
from harness.measure.evidence import Evidence
from harness.measure.excuses import excused_spans, waits_before
from harness.measure.latency import reported_until_ns
from harness.measure.memo import remembered
from harness.measure.percentiles import Samples
from harness.measure.tables import MANY
from harness.stats.bursts import ASSUMED_BURST, FEWEST_BURSTS, LONG_BURST

GOLDEN: Final = 0x9E3779B97F4A7C15
"""2**64 times the golden section: its multiples modulo 2**64 fill the circle evenly and never beat."""
GRID: Final = 64
"""Steps of equal chance in which a distribution is taken. Up to 95 % the limit is within 2 % of that of 1024
steps (1 to 100 fades); at 99.9 % it is up to a quarter too low with 10 fades."""
SAFE: Final = 1 << 31
"""Products of two numbers below twice this fit into 64 bits."""


@dataclass(frozen=True, slots=True)
class AgePieces:
    """The teeth of the saw: from `start_ns` to `end_ns` in host time the newest set was `sampled_ns` old.

    Pieces do not overlap and ascend; times that are not looked at lie between them. `peak` marks pieces that
    end with a newer set taking effect. In a `doubtful` piece reports are missing, so that it may have been
    younger. Any age may be out by `bound_ns`, what both clock maps leave open. Left out were `unlinked_ns`,
    waits for the link before it first came up, and `untold_ns`, of which the receiver's port tells nothing.
    """

    start_ns: Ints
    end_ns: Ints
    sampled_ns: Ints
    peak: Flags
    doubtful: Flags
    bound_ns: int
    unlinked_ns: int = 0
    untold_ns: int = 0

    def __len__(self) -> int:
        return len(self.start_ns)

    @property
    def low_ns(self) -> Ints:
        """Age at the start of each piece."""
        low: Ints = self.start_ns - self.sampled_ns
        return low

    @property
    def high_ns(self) -> Ints:
        """Age at the end of each piece."""
        high: Ints = self.end_ns - self.sampled_ns
        return high

    @property
    def length_ns(self) -> Ints:
        """Length of each piece."""
        length: Ints = self.end_ns - self.start_ns
        return length

    @property
    def total_ns(self) -> int:
        """Time looked at."""
        return int(self.length_ns.sum())

    @property
    def unaccounted_ns(self) -> int:
        """Time that was neither looked at nor excused by anything done on purpose."""
        return self.unlinked_ns + self.untold_ns

    @property
    def doubtful_ns(self) -> int:
        """Time in which the age may have been less."""
        return int(self.length_ns[self.doubtful].sum())


@remembered
def age_pieces(evidence: Evidence, during: tuple[str, ...] = ()) -> AgePieces:
    """Return the age over the steps `during`, up to the end of the data; no pieces if nothing was sent.

    Until the first packet is applied the outputs obey nothing: the age is then taken from the first packet
    sent, or from the start of the steps if that was earlier, and is at least that. `excused_spans` are left
    out, and so is what a `wait: {until: linked}` step takes until the link first came up, if it ever did.
    A receiver that restarts by itself drives old sticks no more, yet nothing newer either: its age goes on
    growing.
    """
    spans, sent = evidence.spans(during), evidence.sent
    rows = _applied_rows(evidence)
    if not len(spans) or not len(sent):
        none = ints([])
        return AgePieces(none, none, none, none > 0, none > 0, evidence.slack_ns)
    at_ns, sampled = _history(evidence, rows, spans)
    excused, waits = excused_spans(evidence), waits_before(evidence, at_ns[1:])
    last = reported_until_ns(evidence)
    others = np.concatenate((spans.ravel(), excused.ravel(), waits.ravel(), [last]))
    times = _merged(at_ns, others)
    starts, ends = times[:-1], times[1:]
    so_far = np.searchsorted(at_ns, times, side="right") - 1
    newest, after = so_far[:-1], so_far[1:]
    wanted = (newest >= 0) & _covered(starts, spans) & ~_covered(starts, excused)
    waiting, told = wanted & _covered(starts, waits), starts < last
    kept = wanted & ~waiting & told
    unlinked_ns, untold_ns = (
        int((ends - starts)[part].sum()) for part in (waiting, wanted & ~waiting & ~told)
    )
    starts, ends, newest, after = starts[kept], ends[kept], newest[kept], after[kept]
    hidden = _hidden_after(evidence, rows, int(at_ns[0]))[newest]
    beyond = (newest == len(rows)) & _in_a_gap(evidence, starts, ends)
    return AgePieces(
        start_ns=starts,
        end_ns=ends,
        sampled_ns=sampled[newest],
        peak=sampled[after] > sampled[newest],
        doubtful=_while_newest(sampled[newest], hidden | beyond),
        bound_ns=evidence.slack_ns,
        unlinked_ns=unlinked_ns,
        untold_ns=untold_ns,
    )


def _history(evidence: Evidence, rows: Ints, spans: Ints) -> tuple[Ints, Ints]:
    """Return when each set took effect, and when the newest by then was sampled; first that of none."""
    applied, sent = evidence.applied, evidence.sent
    first_ns = min(int(sent.at_ns.min()), int(spans.min())) - 1
    begun_ns = min([first_ns, *applied.at_ns[rows[:1]].tolist()]) - 1
    sampled = np.concatenate(([first_ns], sent.at_ns[applied.sent_row[rows]]))
    return np.concatenate(([begun_ns], applied.at_ns[rows])), np.maximum.accumulate(sampled)


def _applied_rows(evidence: Evidence) -> Ints:
    """Return the applied rows whose packet is known, in order of time."""
    rows = np.flatnonzero(evidence.applied.sent_row >= 0)
    ordered: Ints = rows[np.argsort(evidence.applied.at_ns[rows], kind="stable")]
    return ordered


def _merged(times: Ints, others: Ints) -> Ints:
    """Return the times of both in order, each once; quick where the first ones are in order already."""
    ordered = np.sort(np.concatenate((times, others)), kind="stable")
    once: Ints = ordered[np.concatenate(([True], np.diff(ordered) > 0))[: len(ordered)]]
    return once


def _covered(times: Ints, spans: Ints) -> Flags:
    """Return which times lie in one of the spans, ends not included."""
    begun = np.searchsorted(np.sort(spans[:, 0]), times, side="right")
    found: Flags = begun > np.searchsorted(np.sort(spans[:, 1]), times, side="right")
    return found


def _hidden_after(evidence: Evidence, rows: Ints, begun_ns: int) -> Flags:
    """Return after which applied rows another set may have taken effect that no report tells of.

    Because a report is missing before the next one, a packet between them could not be told, or the match of
    the row itself is in doubt. The first entry is for the time from `begun_ns` to the first of the rows.
    """
    applied, heard = evidence.applied, evidence.heard[Role.RECEIVER]
    if not heard.messages:
        return np.ones(1 + len(rows), dtype=np.bool_)
    hidden = np.concatenate(([False], applied.doubtful[rows]))
    hidden[0] = heard.at_ns[0] > evidence.run.start_ns
    frames = np.concatenate(([0], applied.frame[rows]))
    hidden[:-1] |= (heard.lost_between(frames[:-1], frames[1:]) > 0) | (np.diff(rows, prepend=-1) > 1)
    hidden[-1] |= int(rows.max(initial=-1)) < len(applied) - 1
    unknown = heard.restarts[heard.restarts[:, 2] == MANY, :2]
    times = np.concatenate(([begun_ns], applied.at_ns[rows]))
    hidden[:-1] |= meeting(times[:-1], times[1:], unknown)
    return hidden


def _in_a_gap(evidence: Evidence, starts: Ints, ends: Ints) -> Flags:
    return meeting(starts, ends + evidence.report_delay_ns, evidence.gaps(Role.RECEIVER)[:, :2])


def _while_newest(sampled: Ints, hidden: Flags) -> Flags:
    """Return which pieces are in doubt: from a hidden report until a set newer than the one before it."""
    group = np.cumsum(np.concatenate(([0], np.diff(sampled) > 0)))[: len(sampled)]
    found: Flags = np.bincount(group, weights=hidden, minlength=1)[group] > 0
    return found


def mean_age_ns(pieces: AgePieces) -> float | None:
    """Return the time average of the age, the exact integral over the time; None without any time.

    The integral over a piece is (high**2 - low**2) / 2 = length (low + high) / 2, summed in whole numbers.
    """
    total = pieces.total_ns
    return _doubled_integral(pieces) / (2 * total) if total else None


def _doubled_integral(pieces: AgePieces) -> int:
    length, both = pieces.length_ns, pieces.low_ns + pieces.high_ns
    small = (length < SAFE) & (np.abs(both) < 2 * SAFE)
    product = length[small] * both[small]
    upper, lower = int((product >> 32).sum()), int((product & 0xFFFFFFFF).sum())
    large = zip(length[~small].tolist(), both[~small].tolist(), strict=True)
    beyond: int = sum(one * other for one, other in large)
    return (upper << 32) + lower + beyond


def mean_age_limits_ns(pieces: AgePieces, period_ns: int, confidence: float) -> tuple[float, float] | None:
    """Return one-sided limits of the mean age, widened by the clocks' bound; None without any time.

    A gap g between sampled sets that took effect adds (g**2 - g T) / 2 to the integral of the age beyond what
    gaps of one period T would have made. These excesses are taken as independent events that come at random
    in time, and their sum gets the gamma limits for a weighted sum of Poisson counts: shape y**2 / v and
    scale v / y for sum y and sum of squares v of the excesses; for the upper limit one more is added, as
    large as the largest or as a gap of `ASSUMED_BURST` lost packets, of `LONG_BURST` where fewer than
    `FEWEST_BURSTS` gaps were seen. The upper limit is also at least that of losses in fades of geometric
    length (`_fading_most`). The rest of the mean is taken as known. At 95 % the upper limit was too low in
    1 to 7 of 100 simulated runs with 15 to 25 fades of a mean of 1.5, 4, 10 or 20 packets, in 2 or 3 with 50
    or 100 (400 runs each); the lower one was too high in 1 to 3. Fewer than `FEWEST_BURSTS` rest on what is
    assumed.
    Source: Fay and Feuer 1997 (cited from memory).
    """
    from scipy.special import gammaincinv

    mean = mean_age_ns(pieces)
    if mean is None:
        return None
    excess = _excesses(pieces, period_ns)
    burst = ASSUMED_BURST if len(excess) >= FEWEST_BURSTS else LONG_BURST
    more = float(max(excess.max(initial=0.0), burst * (burst + 1) / 2 * period_ns**2))
    total, squares = float(excess.sum()), float((excess**2).sum())
    low = float(gammaincinv(total**2 / squares, 1 - confidence)) * squares / total if total else 0.0
    above, wide = total + more, squares + more**2
    high = float(gammaincinv(above**2 / wide, confidence)) * wide / above
    high = max(high, _fading_most(excess, period_ns, confidence))
    bound, time = pieces.bound_ns, pieces.total_ns
    return mean - (total - low) / time - bound, mean + (high - total) / time + bound


def _fading_most(excess: Floats, period_ns: int, confidence: float) -> float:
    """Return the upper limit of the sum of excesses, in ns**2, if losses come in fades of geometric length.

    A fade of n packets adds n (n + 1) / 2 periods squared, b**2 on average for a mean of b packets. With K
    fades of L packets seen, their number is taken as Gamma(K + 1) and 1 / b as Beta(K, L - K + 1), as in
    `harness.stats.bursts.limits`; the quantile of their product is taken over a grid of equal chances.
    """
    from scipy.special import betaincinv, gammaincinv

    fades = len(excess)
    if not fades:
        return 0.0
    packets = np.sqrt(0.25 + 2 * excess / period_ns**2) - 0.5
    chances = (np.arange(GRID) + 0.5) / GRID
    number = gammaincinv(fades + 1, chances)
    ends = betaincinv(fades, max(0.0, float(packets.sum()) - fades) + 1, chances)
    products = np.outer(number, 1 / ends**2)
    return float(np.quantile(products, confidence)) * period_ns**2


def _excesses(pieces: AgePieces, period_ns: int) -> Floats:
    """Return what each gap of more than a period and a half adds to the integral of the age, in ns**2."""
    followed = np.flatnonzero(pieces.peak[:-1] & (pieces.start_ns[1:] == pieces.end_ns[:-1]))
    gaps = (pieces.sampled_ns[followed + 1] - pieces.sampled_ns[followed]).astype(np.float64)
    gaps = gaps[gaps > 1.5 * period_ns]
    excess: Floats = gaps * (gaps - period_ns) / 2
    return excess


@dataclass(frozen=True, slots=True)
class AgeTimes:
    """How the time is spread over ages: for `within_ns[i]` of it the age was at most `age_ns[i]`.

    Both ascend; between them the time grows evenly.
    """

    age_ns: Ints
    within_ns: Ints

    @property
    def total_ns(self) -> int:
        """Time looked at."""
        return int(self.within_ns[-1]) if len(self.within_ns) else 0

    def percentile_ns(self, share: float) -> int | None:
        """Return the smallest age (to the ns) that was not exceeded for `share` of the time."""
        if not self.total_ns:
            return None
        wanted = math.ceil(round(share * self.total_ns, 3))
        place = int(np.searchsorted(self.within_ns, wanted, side="left"))
        if not place or self.within_ns[place] == wanted:
            return int(self.age_ns[place])
        rise = self.within_ns[place] - self.within_ns[place - 1]
        run = self.age_ns[place] - self.age_ns[place - 1]
        return int(self.age_ns[place - 1]) - -(wanted - int(self.within_ns[place - 1])) * int(run) // int(
            rise
        )

    def above_ns(self, limit_ns: int) -> int:
        """Return the time for which the age was more than `limit_ns`, exact to the ns."""
        place = int(np.searchsorted(self.age_ns, limit_ns, side="right"))
        if not place:
            return self.total_ns
        within = int(self.within_ns[place - 1])
        if place < len(self.age_ns):
            rise = int(self.within_ns[place]) - within
            run = int(self.age_ns[place] - self.age_ns[place - 1])
            within += (limit_ns - int(self.age_ns[place - 1])) * rise // run
        return self.total_ns - within


def age_times(pieces: AgePieces) -> AgeTimes:
    """Return how the time is spread over ages. A piece adds 1 ns for each ns of age from low to high."""
    low, high = np.sort(pieces.low_ns), np.sort(pieces.high_ns)
    ages = _merged(low, high)
    if not len(ages):
        return AgeTimes(ages, ages)
    grows = np.searchsorted(low, ages, side="right") - np.searchsorted(high, ages, side="right")
    return AgeTimes(ages, np.concatenate(([0], np.cumsum(grows[:-1] * np.diff(ages)))))


@remembered
def times_of_ages(evidence: Evidence, during: tuple[str, ...] = ()) -> AgeTimes:
    """Return how the time in the steps `during` is spread over ages."""
    return age_times(age_pieces(evidence, during))


@remembered
def sampled_ages(evidence: Evidence, during: tuple[str, ...] = ()) -> Samples:
    """Return the age at one instant in every packet period of the steps `during`."""
    return age_samples(age_pieces(evidence, during), evidence.plan.link.packet_period_ns)


def peak_ages_ns(pieces: AgePieces) -> Ints:
    """Return the age just before each newer set took effect."""
    peaks: Ints = pieces.high_ns[pieces.peak]
    return peaks


def age_samples(pieces: AgePieces, spacing_ns: int) -> Samples:
    """Return the age at one instant in every `spacing_ns` of the time looked at.

    A share of instants is an unbiased estimate of the share of time if each instant is equally likely to be
    anywhere in its slot. Instants spaced evenly would meet a periodic link at one phase only, so that the
    phase moves on by the golden section of a slot each time. Ages in doubt may have been anything down to 0.
    """
    total = pieces.total_ns
    slots = np.arange(total // spacing_ns, dtype=np.uint64)
    part = ((slots * np.uint64(GOLDEN)) >> np.uint64(32)).astype(np.int64)
    places = slots.astype(np.int64) * spacing_ns + (part * spacing_ns >> 32)
    ends = np.cumsum(pieces.length_ns)
    piece = np.searchsorted(ends, places, side="right")
    age = pieces.high_ns[piece] - (ends[piece] - places)
    return Samples(np.where(pieces.doubtful[piece], 0, age), age)
