"""How far could the link be pushed? Every trial of the run, judged anew from the packets on record.

The packet is the frame of RFC 2544 and RFC 9004: offered is what the transmitter was asked to send, received
what the receiver applied in time. What the harness thought while it searched is kept beside it, and the
record rules where both differ.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

import numpy as np

from harness.bench.protocol import Role
from harness.clock import S
from harness.measure.arrays import Ints, ints, meeting
from harness.measure.delivery import Fates, packet_fates
from harness.measure.evidence import Evidence
from harness.measure.restarts import restarted
from harness.measure.spans import limit_steps
from harness.plan import model as p
from harness.plan.extent import most_trials
from harness.plan.trials import Outcome, fewest, outcome
from harness.recording.model import Mark

Open = Literal["", "bench", "void", "refused", "plan"]
"""Why nothing higher is known: the serial lines' speed, lost reports, the transmitter, the plan.

A result is then "at least".
"""
MOST: Final = 1 << 40
"""Larger numbers in a mark are none that the harness wrote: such a mark is left out."""
NUMBERS: Final = ("number", "rate_mhz", "count", "repeat")
MOST_TRIALS: Final = 5_000
"""Trials looked at, if the plan can have so many: a recording cannot make judging endless."""
FEW_GAPS: Final = 2
"""Gaps between packets that a burst must have to tell the back-to-back rate."""


@dataclass(frozen=True, slots=True)
class Trial:
    """One trial. Times in host ns; `rate_mhz` is 0 for a burst, `count` and `repeat` 0 for a rate.

    `what` is search, final, burst or overload. `sent` packets were sampled between begin and end (of an
    overload: until the rate was reduced, at `reduced_ns`), `lost` of them certainly; `unknown` more may have
    been sent or lost where serial messages are missing. `period_ns` is the median time from one packet of a
    burst to the next, 0 if not known; `achieved_mhz` the rate at which packets were sent, (n - 1) / time from
    the first to the last, 0 if not known or for a burst. `live` is what the trial seemed to be while it ran,
    "" if nothing is on record. A trial in which a device may have started anew is void.
    """

    number: int
    path: str
    what: str
    rate_mhz: int
    count: int
    repeat: int
    start_ns: int
    end_ns: int
    reduced_ns: int
    sent: int
    lost: int
    unknown: int
    period_ns: int
    achieved_mhz: int
    outcome: Outcome
    live: str
    fates: Fates

    @property
    def bad(self) -> bool:
        """Whether the link failed in this trial for certain."""
        return self.outcome in (Outcome.LOSSY, Outcome.SLOW)

    @property
    def loss_percent(self) -> float | None:
        """Frame loss rate in per cent, `frame_loss_percent`; None without packets."""
        return frame_loss_percent(self.sent, self.sent - self.lost) if self.sent else None


@dataclass(frozen=True, slots=True)
class Throughput:
    """The highest rate found: `best` is the trial of full length behind it, None if there is none.

    `bad` is the trial with the lowest rate that lost packets or was not kept; `open_end` says why there is
    none. `tried` is the number of trials. `above` is a good trial of full length at a rate not below that of
    `bad`, if there is no `best`: the trials contradict each other.
    """

    best: Trial | None
    bad: Trial | None
    open_end: Open
    tried: int
    above: Trial | None = None


@dataclass(frozen=True, slots=True)
class Longest:
    """The longest burst of one search: `packets`, or more if `open_end` says why none longer was tried."""

    repeat: int
    packets: int
    open_end: Open


@dataclass(frozen=True, slots=True)
class BackToBack:
    """Every search for the longest burst, and the back-to-back packet rate in Hz; None if not known."""

    longest: tuple[Longest, ...]
    rate_hz: float | None
    tried: int

    @property
    def average(self) -> float:
        """Mean of the longest bursts in packets (RFC 9004 section 6.4)."""
        return statistics.fmean(one.packets for one in self.longest)

    @property
    def deviation(self) -> float:
        """Standard deviation of the longest bursts in packets; 0 for a single one."""
        lengths = [one.packets for one in self.longest]
        return statistics.stdev(lengths) if len(lengths) > 1 else 0.0


def frame_loss_percent(offered: int, received: int) -> float:
    """Return ((offered - received) x 100) / offered: the frame loss rate of RFC 2544 section 26.3."""
    return (offered - received) * 100 / offered


def implied_buffer_s(average_burst: float, most_hz: float) -> float:
    """Return the time in s that a burst of average length takes: N / Rmax (RFC 9004 section 6.4)."""
    return average_burst / most_hz


def corrected_buffer_s(implied_s: float, throughput_hz: float, most_hz: float) -> float:
    """Return the buffer time in s without what is taken out meanwhile: implied x (1 - throughput / Rmax).

    RFC 9004 section 6.4. A link as fast as its bursts needs no buffer: 0.
    """
    return implied_s * max(0.0, 1.0 - throughput_hz / most_hz)


def read_trials(evidence: Evidence) -> tuple[Trial, ...]:
    """Return every trial that was begun and ended, in order; no more than the plan's steps can have."""
    steps = limit_steps(evidence.plan)
    if not steps:
        return ()
    fates = packet_fates(evidence, tuple(step.name for step in steps.values()))
    data = _Data(
        evidence, fates, evidence.sent.at_ns[fates.row], np.sort(evidence.sent.at_ns),
        evidence.gaps(Role.TRANSMITTER),
    )  # fmt: skip
    ends: dict[int, dict[str, Mark]] = {}
    marks = [mark for mark in evidence.recording.marks if _is_sound(mark)]
    for mark in marks:
        if mark.kind in ("trial end", "trial result", "reduced"):
            ends.setdefault(_whole(mark, "number"), {})[mark.kind] = mark
    begun = [mark for mark in marks if mark.kind == "trial"][: min(MOST_TRIALS, most_trials(evidence.plan))]
    return tuple(
        _trial(data, mark, ends[_whole(mark, "number")], steps.get(_text(mark, "path")))
        for mark in begun
        if "trial end" in ends.get(_whole(mark, "number"), ())
    )


@dataclass(frozen=True, slots=True)
class _Data:
    """The packets of all trials, `at_ns` when each was sampled, `reported_ns` all sampling times in order."""

    evidence: Evidence
    fates: Fates
    at_ns: Ints
    reported_ns: Ints
    gaps: Ints


def _trial(data: _Data, mark: Mark, ends: Mapping[str, Mark], step: p.PlanStep | None) -> Trial:
    evidence, end_ns = data.evidence, ends["trial end"].at_ns
    reduced_ns = ends["reduced"].at_ns if "reduced" in ends else end_ns
    rate_mhz, count = _whole(mark, "rate_mhz"), _whole(mark, "count")
    live = _text(ends["trial result"], "outcome") if "trial result" in ends else ""
    inner, missing = _in_trial(data, mark.at_ns, reduced_ns, burst=bool(count))
    lost, unknown = int(inner.lost.sum()), int(inner.unknown.sum()) + missing
    sent = int(evidence.sent.in_burst[inner.row].sum()) if count else len(inner.row)
    at_ns = evidence.sent.at_ns[inner.row]
    action = step.action if step else None
    allowed = action.loss if isinstance(action, p.FindThroughput) else Fraction(0)
    least = count or fewest(rate_mhz, reduced_ns - mark.at_ns)
    found = outcome(sent=sent, least=least, lost=lost, unknown=unknown, allowed=allowed)
    if restarted(evidence, mark.at_ns, end_ns + evidence.plan.link.lost_after_ns):
        found = Outcome.VOID
    return Trial(
        number=_whole(mark, "number"),
        path=_text(mark, "path"),
        what=_text(mark, "what"),
        rate_mhz=rate_mhz,
        count=count,
        repeat=_whole(mark, "repeat"),
        start_ns=mark.at_ns,
        end_ns=end_ns,
        reduced_ns=reduced_ns,
        sent=sent,
        lost=lost,
        unknown=unknown,
        period_ns=_period_ns(at_ns) if count else 0,
        achieved_mhz=0 if count or missing else _rate_mhz(at_ns),
        outcome=Outcome.REFUSED if live == Outcome.REFUSED else found,
        live=live,
        fates=inner,
    )


def _in_trial(data: _Data, start_ns: int, end_ns: int, *, burst: bool) -> tuple[Fates, int]:
    """Return the fates of a trial's packets, and how many more there may be that nobody knows of.

    A burst's are all from its first packet to its last: those that the pace puts in between belong to it.
    """
    span = (start_ns, end_ns + 1)
    first, after = np.searchsorted(data.at_ns, span).tolist()
    reported = int(np.diff(np.searchsorted(data.reported_ns, span))[0])
    left_out = 0 if burst else reported - (after - first)
    if burst:
        marked = first + np.flatnonzero(data.evidence.sent.in_burst[data.fates.row[first:after]])
        first, after = (int(marked[0]), int(marked[-1]) + 1) if len(marked) else (first, first)
    near = ints([[start_ns, end_ns + data.evidence.report_delay_ns]])
    hit = meeting(data.gaps[:, 0], data.gaps[:, 1], near)
    return part(data.fates, first, after), int(data.gaps[hit, 2].sum()) + left_out


def part(fates: Fates, first: int, after: int) -> Fates:
    """Return the fates from place `first` up to, not including, `after`."""
    return Fates(
        row=fates.row[first:after],
        latency_ns=fates.latency_ns[first:after],
        delivered=fates.delivered[first:after],
        lost=fates.lost[first:after],
        unknown=fates.unknown[first:after],
        unreported=0,
        not_judged=0,
    )


def _period_ns(at_ns: Ints) -> int:
    return int(np.median(np.diff(at_ns))) if len(at_ns) > FEW_GAPS else 0


def _rate_mhz(at_ns: Ints) -> int:
    return (len(at_ns) - 1) * 10**12 // int(at_ns[-1] - at_ns[0]) if len(at_ns) > FEW_GAPS else 0


def find_throughput(evidence: Evidence, trials: Sequence[Trial]) -> Throughput | None:
    """Return the highest packet rate without loss; None if no rate was tried.

    The fastest rate at which as many packets were applied as sent (RFC 2544 section 26.1), in a trial of
    full length, below the lowest rate at which some were lost or the transmitter sent fewer than asked. A
    shorter trial only serves the search (section 24): a later one of full length at its rate overrules it.
    """
    rates = [one for one in trials if one.what in ("search", "final")]
    if not rates:
        return None
    good = [one for one in rates if one.what == "final" and one.outcome is Outcome.GOOD]
    failed = [one for one in rates if one.bad and not _overruled(one, good)]
    bad = min(failed, key=lambda one: one.rate_mhz, default=None)
    below = bad.rate_mhz if bad else math.inf
    best = max((one for one in good if one.rate_mhz < below), key=lambda one: one.rate_mhz, default=None)
    above = max(good, key=lambda one: one.rate_mhz, default=None) if best is None else None
    return Throughput(best, bad, "" if bad else _open_rate(evidence, rates, best), len(rates), above)


def _overruled(trial: Trial, good: Sequence[Trial]) -> bool:
    """Return whether a later one of the `good` trials was at the rate of a search trial."""
    return trial.what == "search" and any(
        one.rate_mhz == trial.rate_mhz and one.start_ns > trial.start_ns for one in good
    )


def _open_rate(evidence: Evidence, rates: Sequence[Trial], best: Trial | None) -> Open:
    """Say why no rate was found to be too high."""
    higher = {one.rate_mhz: one.outcome for one in rates if best is None or one.rate_mhz > best.rate_mhz}
    if Outcome.REFUSED in higher.values():
        return "refused"
    if Outcome.VOID in higher.values():  # the last trial at that rate: an earlier one may have been spoilt
        return "void"
    actions = [step.action for step in limit_steps(evidence.plan).values()]
    most = max((one.to_mhz for one in actions if isinstance(one, p.FindThroughput)), default=0)
    return "plan" if best is not None and best.rate_mhz >= most else "bench"


def find_back_to_back(evidence: Evidence, trials: Sequence[Trial]) -> BackToBack | None:
    """Return the longest burst without loss of each search that came to an end; None if there is none.

    The longest of which every packet was applied, below the shortest of which one was not (RFC 2544 section
    26.4; RFC 9004 section 6.3). Packets that the pace puts between those of a burst count with it.
    """
    by_repeat: dict[int, list[Trial]] = {}
    for one in trials:
        if one.what == "burst":
            by_repeat.setdefault(one.repeat, []).append(one)
    actions = [step.action for step in limit_steps(evidence.plan).values()]
    most = max((one.up_to for one in actions if isinstance(one, p.FindBackToBack)), default=0)
    found = [_longest(bursts, most) for bursts in by_repeat.values()]
    longest = tuple(one for one in found if one is not None)
    if not longest:
        return None
    periods = [one.period_ns for one in trials if one.outcome is Outcome.GOOD and one.period_ns]
    rate = S / statistics.median(periods) if periods else None
    return BackToBack(longest, rate, sum(map(len, by_repeat.values())))


def _longest(bursts: Sequence[Trial], most: int) -> Longest | None:
    """Return what one search found; None if it was not carried to its end."""
    shortest_bad = min((one.count for one in bursts if one.bad), default=None)
    below = math.inf if shortest_bad is None else shortest_bad
    good = (one.count for one in bursts if one.outcome is Outcome.GOOD and one.count < below)
    packets = max(good, default=0)
    if shortest_bad == packets + 1:
        return Longest(bursts[0].repeat, packets, "")
    above = [one for one in bursts if one.count > packets and not one.bad]
    if any(one.outcome is Outcome.REFUSED for one in above):
        return Longest(bursts[0].repeat, packets, "refused")
    if any(one.outcome is Outcome.VOID for one in above):
        return Longest(bursts[0].repeat, packets, "void")
    if packets == max(one.count for one in bursts):
        return Longest(bursts[0].repeat, packets, "plan" if packets >= most else "bench")
    return Longest(bursts[0].repeat, packets, "bench") if above else None


def _is_sound(mark: Mark) -> bool:
    """Return whether the numbers of a mark are numbers that it can have."""
    values = [mark.fields[name] for name in NUMBERS if name in mark.fields]
    return all(type(value) is int and 0 <= value <= MOST for value in values)


def _whole(mark: Mark, name: str) -> int:
    """Return a number of a sound mark, 0 if it has none of that name."""
    return int(mark.fields.get(name, 0))


def _text(mark: Mark, name: str) -> str:
    value = mark.fields.get(name, "")
    return value if isinstance(value, str) else ""


__all__ = [
    "BackToBack",
    "Longest",
    "Open",
    "Throughput",
    "Trial",
    "corrected_buffer_s",
    "find_back_to_back",
    "find_throughput",
    "frame_loss_percent",
    "implied_buffer_s",
    "part",
    "read_trials",
]
