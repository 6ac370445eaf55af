"""How long did everything take? Percentiles of the three kinds of delay, jitter and delay variation."""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.clock import MS
from harness.findings import Cell, Figure, Grid, Section
from harness.measure.arrays import Ints, inside
from harness.measure.delivery import LOST_NS
from harness.measure.evidence import Evidence
from harness.measure.jitter import delay_variation, interarrival_jitter, successive_variation
from harness.measure.latency import DELAYS, Delays, delay_median, delay_percentile, share_within
from harness.measure.percentiles import percentile_limits

CONFIDENCE: Final = 0.95
PERCENTILES: Final = (0.5, 0.9, 0.95, 0.99)
KINDS: Final = {
    "packet": "packet latency",
    "stick": "stick-to-output time",
    "acknowledgement": "acknowledgement round trip",
}


def account(evidence: Evidence) -> Section | None:
    """Return the delays over the whole run, or None without any packet."""
    kinds = {title: DELAYS[of](evidence, ()) for of, title in KINDS.items()}
    if not any(len(delays.samples) for delays in kinds.values()):
        return None
    figures = [figure for title, delays in kinds.items() for figure in _percentiles(title, delays)]
    return Section(
        key="latency",
        title="Latency",
        figures=(*figures, *_variation(evidence, kinds[KINDS["packet"]])),
        grids=(_counts(evidence, kinds),),
        notes=(
            "Lost ones count as infinite, so that a percentile can be without end.",
            "Stick-to-output time ends where the receiver sets its outputs; the servo pulse follows within "
            "one servo frame, which only a witness could see.",
        ),
    )


def _percentiles(title: str, delays: Delays) -> list[Figure]:
    """Return the percentiles with limits that allow for bursts and for what clocks and lines leave open."""
    known = delays.samples.ordered_ns
    if not len(known):
        return []
    figures = []
    limits = percentile_limits(delays.samples, PERCENTILES, CONFIDENCE)
    for share, (lower, upper) in zip(PERCENTILES, limits, strict=True):
        value = delay_median(known) if share == 0.5 else delay_percentile(known, share)
        low = None if lower >= LOST_NS else max(0, lower - delays.bound_ns) / MS
        ends = (low, _ms(upper + delays.bound_ns))
        note = "without end" if value == LOST_NS else ""
        figures.append(Figure(f"{title}, p{100 * share:g}", _ms(value), "ms", ends, CONFIDENCE, note))
    return figures


def _counts(evidence: Evidence, kinds: dict[str, Delays]) -> Grid:
    period = evidence.plan.link.packet_period_ns
    heads = (
        "time",
        "known",
        "lost",
        "unknown",
        "not judged",
        "least ms",
        "most ms",
        "within a period %",
        "+- ms",
    )
    return Grid("What the times rest on", heads, tuple(_row(*kind, period) for kind in kinds.items()))


def _row(title: str, delays: Delays, period_ns: int) -> tuple[Cell, ...]:
    known = delays.samples.ordered_ns
    arrived = known[known < LOST_NS]
    least, most = (_ms(int(end)) for end in (arrived[0], arrived[-1])) if len(arrived) else (None, None)
    share = share_within(known, period_ns)
    return (
        title, len(known), len(known) - len(arrived), delays.samples.unknown, delays.not_judged, least, most,
        None if share is None else 100 * share, _ms(delays.bound_ns),
    )  # fmt: skip


def _variation(evidence: Evidence, packets: Delays) -> list[Figure]:
    """Return jitter and both delay variations of the packets, as far as there are two of them.

    A packet of unknown fate is undefined like a lost one.
    """
    delays = np.where(packets.samples.low_ns == packets.samples.high_ns, packets.samples.low_ns, LOST_NS)
    jitter = interarrival_jitter(_transits(evidence))
    varied = np.sort(delay_variation(delays))
    steps, undefined = successive_variation(delays)
    if not len(steps) or not len(jitter):
        return []
    apart = np.sort(np.abs(steps))
    unit = "ms"
    return [
        Figure("jitter at the end", float(jitter[-1]) / MS, unit, note="RFC 3550 section 6.4.1"),
        Figure("jitter, largest", float(jitter.max()) / MS, unit, note="RFC 3550 section 6.4.1"),
        Figure(
            "delay above the least, p99", _ms(delay_percentile(varied, 0.99)), unit, note="PDV of RFC 5481"
        ),
        Figure("delay above the least, most", _ms(int(varied[-1])), unit, note="PDV of RFC 5481"),
        Figure(
            "change between packets, p99", _ms(delay_percentile(apart, 0.99)), unit, note="IPDV of RFC 5481"
        ),
        Figure("change between packets, most", _ms(int(apart[-1])), unit, note="IPDV of RFC 5481"),
        Figure("pairs of packets without a change", float(undefined), "pairs", note="RFC 3393 section 2.6"),
    ]


def _transits(evidence: Evidence) -> Ints:
    """Return apply time - sampling time in order of applying, each packet once."""
    applied = evidence.applied
    chosen = (applied.sent_row >= 0) & ~applied.repeat & inside(applied.at_ns, evidence.spans())
    rows = np.flatnonzero(chosen)
    rows = rows[np.argsort(applied.at_ns[rows], kind="stable")]
    transit: Ints = applied.at_ns[rows] - evidence.sent.at_ns[applied.sent_row[rows]]
    return transit


def _ms(time_ns: int | None) -> float | None:
    """Return a time in ms; None for none and for one without end."""
    return None if time_ns is None or time_ns >= LOST_NS else time_ns / MS
