"""Were the serial lines well? How full each was, what went missing on it, and when it was silent."""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.lateness import MARK, all_together, read_lateness
from harness.measure.arrays import Floats, Ints
from harness.measure.exchanges import BITS_A_BYTE
from harness.measure.tables import MANY, Stream
from harness.plan.wording import many
from harness.plots.model import SYMBOLS, TONES, Axis, Picture, Plot, Rule, Series
from harness.plots.occasions import spans_of
from harness.plots.view import View, first_ns
from harness.plots.words import short

BINS: Final = 2_000
BIN_LEAST_NS: Final = 100 * MS


def draw(view: View) -> tuple[Picture, ...]:
    """Return each port's load and pauses over time, and how late messages left; none if nothing crossed."""
    evidence = view.evidence
    low = max(first_ns(evidence), int(view.spans[0, 0])) if len(view.spans) else 0
    high = min(evidence.data_end_ns, int(view.spans[-1, 1])) if len(view.spans) else 0
    if high <= low:
        return ()
    width = max(BIN_LEAST_NS, -(-(high - low) // BINS))
    edges = np.arange(low, high, width, dtype=np.int64)
    loads = [_load(view, role, edges, width) for role in evidence.heard]
    return (*(plot for plot in loads if plot is not None), *_pauses(view, edges, width), *_lateness(view))


def _load(view: View, role: Role, edges: Ints, width: int) -> Plot | None:
    """Return how full both directions of a line were, with missing messages marked."""
    evidence = view.evidence
    heard, told = evidence.heard[role], evidence.told[role]
    if not len(heard.piece_ns) and not len(told.piece_ns):
        return None
    baud = evidence.recording.header.baud.get(role, 0)
    share = 100 * BITS_A_BYTE * S / (baud * width) if baud > 0 else S / width
    said, asked = (_sums(stream, edges, width) * share for stream in (heard, told))
    at_s = view.seconds(np.append(edges, edges[-1] + width))
    series = [
        Series("to the PC", at_s, np.append(said, said[-1]), "steps", "one"),
        Series("to the device", at_s, np.append(asked, asked[-1]), "steps", "two"),
        *_missing(view, heard, edges, width, said),
    ]
    unit, what = ("%", "line load") if baud > 0 else ("bytes/s", "data rate")
    rules = (Rule(100.0, "y", f"capacity at {baud} baud", "bad"),) if baud > 0 else ()
    about = (
        f"The {role.value}'s line: at most {short(float(said.max()), unit)} to the PC and "
        f"{short(float(asked.max()), unit)} to the device in {short(width / MS, 'ms')}; {_trouble(heard)}."
    )
    return Plot(
        f"lines-{role.value}", f"{role.value}: serial line", about, Axis("time", "s"),
        Axis(what, unit, low=0), tuple(series), spans_of(view), rules,
        f"Mean of each {short(width / MS, 'ms')}.",
    )  # fmt: skip


def _sums(stream: Stream, edges: Ints, width: int) -> Floats:
    """Return the bytes in each bin."""
    place = (stream.piece_ns - edges[0]) // width
    fits = (place >= 0) & (place < len(edges))
    place, size = (place, stream.piece_size) if fits.all() else (place[fits], stream.piece_size[fits])
    return np.bincount(place, weights=size, minlength=len(edges)).astype(np.float64)


def _missing(view: View, heard: Stream, edges: Ints, width: int, load: Floats) -> list[Series]:
    """Return a mark for each gap in the messages, where it was noticed."""
    at_ns = np.sort(heard.gaps[:, 1])
    at_ns = at_ns[view.sees(at_ns)]
    if not len(at_ns):
        return []
    place = np.clip((at_ns - edges[0]) // width, 0, len(edges) - 1)
    keep = np.ones(len(at_ns), dtype=np.bool_)
    return [Series("messages missing", view.seconds(at_ns), load[place], "dots", "bad", "cross", keep=keep)]


def _trouble(heard: Stream) -> str:
    """Return what went wrong on a line, in words."""
    gaps = heard.gaps
    known = int(gaps[gaps[:, 2] < MANY, 2].sum())
    words = (
        f"{many(known, 'message')} missing in {many(len(gaps), 'gap')}" if len(gaps) else "no message missing"
    )
    return words + (f", {many(heard.bad_frames, 'damaged frame')}" if heard.bad_frames else "")


def _pauses(view: View, edges: Ints, width: int) -> tuple[Plot, ...]:
    """Return the longest time without anything from each device, over time."""
    series, told = [], []
    for place, (role, heard) in enumerate(view.evidence.heard.items()):
        if len(heard.piece_ns) > 1:
            longest = _longest(heard.piece_ns, edges, width) / MS
            known = ~np.isnan(longest)
            look = TONES[place % len(TONES)], SYMBOLS[place % len(SYMBOLS)]
            series.append(Series(role.value, view.seconds(edges[known]), longest[known], "dots", *look))
            told.append(f"{role.value} {short(float(np.nanmax(longest, initial=0.0)), 'ms')}")
    if not series:
        return ()
    return (
        Plot(
            "lines-pauses", "pauses on the serial lines", f"Longest time without a byte: {', '.join(told)}.",
            Axis("time", "s"), Axis("longest pause", "ms", low=0), tuple(series), spans_of(view),
            note="A receiver has nothing to say while the link is cut.",
        ),
    )  # fmt: skip


def _longest(piece_ns: Ints, edges: Ints, width: int) -> Floats:
    """Return for each bin the longest pause that ended in it, in ns; NaN where none did."""
    found = np.full(len(edges), np.nan)
    pauses = np.diff(piece_ns)
    place = (piece_ns[1:] - edges[0]) // width
    fits = (place >= 0) & (place < len(edges))
    place, pauses = place[fits], pauses[fits]
    if len(place):
        order = np.argsort(place, kind="stable")
        bins, firsts = np.unique(place[order], return_index=True)
        found[bins] = np.maximum.reduceat(pauses[order], firsts)
    return found


def _lateness(view: View) -> tuple[Plot, ...]:
    """Return how late messages left, against when they were due; simulated ones are never late."""
    marks = view.evidence.recording.marks
    parts = [read_lateness(mark.fields) for mark in marks if mark.kind == MARK]
    whole = all_together(part for part in parts if part is not None)
    if not whole.count:
        return ()
    ends, later = np.array(whole.beyond(), dtype=np.float64).T
    share = 100 * np.concatenate(([whole.count], later)) / whole.count
    share[-1] = share[-2]  # nothing is later than the latest: the line ends there
    at_ms = np.maximum(np.concatenate((ends[:1] / 2, ends)) / MS, 0.001)
    about = (
        f"Of {many(whole.count, 'message')} half left within {short(whole.quantile_ns(0.5) / MS, 'ms')} of "
        f"when they were due, 99 % within {short(whole.quantile_ns(0.99) / MS, 'ms')}, the latest after "
        f"{short(whole.most_ns / MS, 'ms')}; {whole.left_out} left out."
    )
    period_ms = view.evidence.plan.link.packet_period_ns / MS
    return (
        Plot(
            "lines-lateness", "how late messages left this machine", about,
            Axis("later than due", "ms", log=True), Axis("messages later than that", "%", log=True, high=100),
            (Series("share of messages", at_ms, share, "steps"),), (),
            (Rule(period_ms, "x", f"packet period {short(period_ms, 'ms')}", "doubt"),),
            "Of the whole run; counted in bins, so up to an eighth too late.",
        ),
    )  # fmt: skip


__all__ = ["draw"]
