"""Which part of a run is looked at? All of it, some steps, or a stretch of time; and how times are told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.clock import S
from harness.measure.arrays import Flags, Floats, Ints, inside, ints
from harness.measure.evidence import Evidence
from harness.measure.packets import FAR_NS
from harness.measure.spans import NEVER_NS


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """The part of a run that pictures show: `spans` are (n, 2) host ns in order, `during` the steps named.

    Times are told in s since `zero_ns`, the start of the first step, as in the reasons of checks.
    """

    evidence: Evidence
    during: tuple[str, ...]
    spans: Ints
    zero_ns: int
    is_whole: bool

    def seconds(self, at_ns: Ints) -> Floats:
        """Return host times in s of the run."""
        found: Floats = (at_ns - self.zero_ns) / S
        return found

    def second(self, at_ns: int) -> float:
        """Return one host time in s of the run."""
        return (at_ns - self.zero_ns) / S

    def sees(self, at_ns: Ints) -> Flags:
        """Return which times are looked at."""
        return np.ones(at_ns.shape, dtype=np.bool_) if self.is_whole else inside(at_ns, self.spans)

    def meets(self, start_ns: int, end_ns: int) -> bool:
        """Return whether anything from `start_ns` to `end_ns` is looked at."""
        return bool(((self.spans[:, 0] <= end_ns) & (self.spans[:, 1] >= start_ns)).any())


def view_of(
    evidence: Evidence,
    during: tuple[str, ...] = (),
    between: tuple[float | None, float | None] = (None, None),
) -> View:
    """Return the view of some steps, or from one time to another in s of the run; else of the whole."""
    zero_ns = evidence.run.start_ns if evidence.run.start_ns < NEVER_NS else first_ns(evidence)
    spans = evidence.spans(during) if during else ints([[-FAR_NS, FAR_NS]])
    low, high = (
        otherwise if end is None else zero_ns + round(end * S)
        for end, otherwise in zip(between, (-FAR_NS, FAR_NS), strict=True)
    )
    spans = np.clip(spans, low, high)
    spans = spans[spans[:, 0] < spans[:, 1]]
    return View(evidence, during, spans, zero_ns, not during and between == (None, None))


def first_ns(evidence: Evidence) -> int:
    """Return when anything was heard or told first, 0 if nothing ever was."""
    streams = (*evidence.heard.values(), *evidence.told.values())
    return min((int(stream.piece_ns[0]) for stream in streams if len(stream.piece_ns)), default=0)


def held(at_s: Floats, values: Floats, view: View) -> tuple[Floats, Floats]:
    """Return steps as far as the view sees them: each span begins with what was held, and ends with a gap.

    `at_s` ascends; points that change nothing are left out, which takes nothing from the picture.
    """
    if not len(at_s) or not len(view.spans):
        return at_s[:0], values[:0]
    if view.is_whole:
        return _bare(at_s, values)
    spans = view.seconds(view.spans)
    firsts = np.searchsorted(at_s, spans[:, 0], side="right") - 1
    ends = np.searchsorted(at_s, spans[:, 1], side="right")
    times, shown = [], []
    for (low, high), first, end in zip(spans.tolist(), firsts.tolist(), ends.tolist(), strict=True):
        part, last = slice(max(first, 0), end), min(high, float(at_s[-1]))
        if part.start >= end or last < low:
            continue
        times.append(np.concatenate((np.maximum(at_s[part], low), [last, last])))
        shown.append(np.concatenate((values[part], [values[end - 1], np.nan])))
    if not times:
        return at_s[:0], values[:0]
    return _bare(np.concatenate(times), np.concatenate(shown))


def _bare(at_s: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return steps without the points in the middle of a row of equal values."""
    changes = values[1:] != values[:-1]
    gap = np.isnan(values)
    if gap.any():
        changes &= ~(gap[1:] & gap[:-1])
    if changes.all():
        return at_s, values
    kept = np.ones(len(values), dtype=np.bool_)
    kept[1:-1] = changes[:-1]
    return at_s[kept], values[kept]
