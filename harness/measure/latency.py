"""How long from stick to output? Three kinds of delay, their percentiles; what gets lost counts as infinite.

`packet`          from the instant at which a packet's sticks were sampled to the instant at which it took
                  effect. Both times are mapped to the host's clock, so both maps' bounds apply.
`stick`           from the instant at which a moved stick position had arrived at the transmitter to the
                  instant at which the receiver first applied it or a newer one. It holds the wait for the
                  next packet, which `packet` does not. Only positions that differ from the one before count.
                  A position that a newer one replaced before any packet took it, or while its packets were
                  lost, is over when the newer one is applied: leaving it out would leave out the slowest
                  ones, for a transmitter that hangs replaces every position but the last (coordinated
                  omission; common practice, no source). It is lost if nothing so new was ever applied.
                  What the servo makes of it, up to one 20 ms frame more, only a witness could see.
`acknowledgement` from sampling to the acknowledgement, on the transmitter's own clock. A packet that never
                  was acknowledged is infinitely late, whether it was applied or not.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.clock import US, S
from harness.codec import messages as wire
from harness.measure.arrays import Flags, Ints, changed, inside, meeting
from harness.measure.clockmap import RESOLUTION_NS
from harness.measure.delivery import LOST_NS, packet_fates
from harness.measure.evidence import Evidence
from harness.measure.exchanges import BITS_A_BYTE, BYTE_TIME_SHARE, TOOK_MOST_US, read_exchanges
from harness.measure.memo import remembered
from harness.measure.percentiles import Percentile, Samples, judge_percentile


@dataclass(frozen=True, slots=True)
class Delays:
    """Delays of one kind in the order in which they began, at `at_ns` in host time.

    `number` is the packet's or the stick set's. `bound_ns` is how far any delay may be out because of the
    clocks and the serial line; `not_judged` counts those left out: too near the end, in a cut or a restart.
    """

    what: str
    at_ns: Ints
    number: Ints
    samples: Samples
    bound_ns: int
    not_judged: int

    @property
    def unit(self) -> str:
        """What is counted, in the plural."""
        return f"{self.what}s"


@remembered
def packet_delays(evidence: Evidence, during: tuple[str, ...] = ()) -> Delays:
    """Return apply time - sampling time of each packet sampled in the steps `during`.

    Lost packets, and those later than `link.lost_after`, are infinite (RFC 7679 sections 4 and 5.1). A packet
    of unknown fate may have come at once or never.
    """
    fates = packet_fates(evidence, during)
    low, high = fates.latency_ns.copy(), fates.latency_ns.copy()
    low[fates.lost] = high[fates.lost] = LOST_NS
    low[fates.unknown], high[fates.unknown] = 0, LOST_NS
    sent = evidence.sent
    return Delays(
        "packet", sent.at_ns[fates.row], sent.number[fates.row], Samples(low, high, fates.unreported),
        evidence.slack_ns, fates.not_judged,
    )  # fmt: skip


@remembered
def acknowledgement_delays(evidence: Evidence, during: tuple[str, ...] = ()) -> Delays:
    """Return the time from sampling to acknowledgement of each packet sampled in the steps `during`.

    The transmitter counts it in us up to 65 535, which stands for anything longer. Packets without a report
    of the transmitter may have been acknowledged at once or never. Left out are those of which the receiver
    was told to acknowledge none.
    """
    fates, sent = packet_fates(evidence, during), evidence.sent
    row = fates.row[~inside(sent.at_ns[fates.row], evidence.muted_spans)]
    took, acked = sent.took_ns[row], sent.acked[row]
    high = np.where(acked & (took < TOOK_MOST_US * US), took, LOST_NS)
    orphans = (evidence.applied.sent_row < 0) & ~evidence.applied.repeat & ~evidence.applied.strange
    unseen = int((orphans & inside(evidence.applied.at_ns, evidence.spans(during))).sum())
    longest = int(took[acked].max(initial=0))
    drift = math.ceil(longest * evidence.clocks[Role.TRANSMITTER].rate_error)
    return Delays(
        "packet", sent.at_ns[row], sent.number[row],
        Samples(np.where(acked, took, LOST_NS), high, fates.unreported + unseen),
        drift + RESOLUTION_NS, fates.not_judged + len(fates.row) - len(row),
    )  # fmt: skip


@remembered
def stick_delays(evidence: Evidence, during: tuple[str, ...] = ()) -> Delays:
    """Return the time from the arrival of each new stick position to the outputs' showing it or a newer one.

    Arrival is when the PC handed the frame to the port, or when the frames before it were through, plus its
    byte times. Time spent in the PC's and the adapter's buffers on the way is not seen; an answered ping
    bounds it by twice the bound of the transmitter's clock map, which is in `bound_ns` beside the bound of
    the receiver's. Left out are positions whose way meets a cut or a commanded restart. Where reports are
    missing, an earlier packet may have carried the position: the delay may be shorter.
    """
    sticks = evidence.sticks
    arrived, line_ns = _arrived_ns(evidence)
    until = _first_shown_ns(evidence)
    moved = np.flatnonzero(changed(sticks.outputs_us)) + 1
    moved = moved[inside(sticks.at_ns[moved], evidence.spans(during))]
    arrived, until = arrived[moved], until[moved]
    last = reported_until_ns(evidence)
    over, cutoff = np.minimum(until, last), last - evidence.plan.link.lost_after_ns
    fine = ~meeting(arrived, over, evidence.excused) & (arrived <= cutoff)
    moved, arrived, until, over = (column[fine] for column in (moved, arrived, until, over))
    high = np.where(until == LOST_NS, LOST_NS, np.maximum(0, until - arrived))
    doubt = _unclear(evidence, arrived, over)
    clocks = evidence.clocks
    bound = clocks[Role.RECEIVER].bound_ns + 2 * clocks[Role.TRANSMITTER].bound_ns + RESOLUTION_NS
    return Delays(
        "stick position", arrived, sticks.set_number[moved], Samples(np.where(doubt, 0, high), high),
        bound + line_ns, int((~fine).sum()),
    )  # fmt: skip


def reported_until_ns(evidence: Evidence) -> int:
    """Return up to when what the receiver did must be in the recording: before its last word less its delay.

    A receiver whose port fell silent has no last word: up to the end of the data, all it did is unknown.
    """
    heard = evidence.heard[Role.RECEIVER].at_ns
    silent = Role.RECEIVER in evidence.quiet or not len(heard)
    return (evidence.data_end_ns if silent else int(heard[-1])) - evidence.report_delay_ns - 1


DELAYS: Final[Mapping[str, Callable[[Evidence, tuple[str, ...]], Delays]]] = {
    "packet": packet_delays,
    "stick": stick_delays,
    "acknowledgement": acknowledgement_delays,
}
"""By the words of a plan's `of`."""


def _arrived_ns(evidence: Evidence) -> tuple[Ints, int]:
    """Return when each stick command was complete at the transmitter, and how far out that may be.

    Frames queue for the line: each is through its own byte times after the one before it, or after it was
    handed over. Baud rates are up to 3 % off. A line that takes no byte times (see
    `harness.measure.exchanges`) delivers at once.
    """
    role = Role.TRANSMITTER
    told = evidence.told[role]
    baud = read_exchanges(evidence.heard[role], told, evidence.recording.header.baud.get(role, 0)).baud
    handed = evidence.sticks.at_ns
    at_ns, size = told.piece_ns, told.piece_size
    if not baud or not len(handed) or not len(at_ns):
        return handed, 0
    # done[i] = max(at[i], done[i - 1]) + byte times, as a running maximum
    through = np.cumsum(size) * BITS_A_BYTE * S // baud
    before = np.concatenate(([0], through[:-1]))
    done = np.maximum.accumulate(at_ns - before) + through
    whole = told.messages == len(at_ns)
    place = told.table(wire.Sticks.TYPE).frame if whole else np.searchsorted(at_ns, handed, side="right") - 1
    arrived = done[place]
    return arrived, math.ceil(int((arrived - handed).max()) * (1 - BYTE_TIME_SHARE))


def _first_shown_ns(evidence: Evidence) -> Ints:
    """Return for each stick command when it or a newer one was first applied; `LOST_NS` if none was."""
    applied = evidence.applied
    shown = np.full(len(evidence.sticks.at_ns), LOST_NS, dtype=np.int64)
    rows = np.flatnonzero(applied.sent_row >= 0)
    carried = evidence.sent.sticks_row[applied.sent_row[rows]]
    np.minimum.at(shown, carried[carried >= 0], applied.at_ns[rows[carried >= 0]])
    first: Ints = np.minimum.accumulate(shown[::-1])[::-1]
    return first


def _unclear(evidence: Evidence, start_ns: Ints, end_ns: Ints) -> Flags:
    """Return in which spans a packet was, or may have been, applied of which nobody knows what it carried."""
    applied = evidence.applied
    times = np.sort(applied.at_ns[(applied.sent_row < 0) | applied.doubtful])
    between = np.searchsorted(times, end_ns, side="right") - np.searchsorted(times, start_ns)
    hidden = meeting(start_ns, end_ns + evidence.report_delay_ns, evidence.gaps(Role.RECEIVER)[:, :2])
    found: Flags = hidden | (between > 0)
    return found


@dataclass(frozen=True, slots=True)
class LatencyPercentile:
    """A percentile of one kind of delay, in ns; `LOST_NS` stands for infinite.

    `value_ns` is over the known ones and None without any, `found` says how sure it is. `lost` counts those
    that never got there, `within` those of at most the limit asked about, `unknown` those that serial losses
    hide.
    """

    delays: Delays
    value_ns: int | None
    found: Percentile
    lost: int
    within: int

    @property
    def known(self) -> int:
        """How many delays are known, lost ones among them."""
        return len(self.delays.samples.known_ns)

    @property
    def unknown(self) -> int:
        """How many may have been anything."""
        return self.delays.samples.unknown


def measure_latency(delays: Delays, percentile: float, confidence: float, limit_ns: int) -> LatencyPercentile:
    """Return the percentile of delays, with limits that hold when slow packets come in bursts.

    Lost ones count as infinite, so losses can make a percentile infinite (RFC 7679 sections 4 and 5.1).
    """
    known = delays.samples.ordered_ns
    return LatencyPercentile(
        delays=delays,
        value_ns=delay_percentile(known, percentile),
        found=judge_percentile(delays.samples, percentile, confidence, limit_ns, delays.bound_ns),
        lost=int(len(known) - np.searchsorted(known, LOST_NS)),
        within=int(np.searchsorted(known, limit_ns, side="right")),
    )


def delay_percentile(ordered: Ints, share: float) -> int | None:
    """Return the smallest of the ordered delays with at least `share` of them at or below it; None if empty.

    Source: RFC 2330 section 11.3, used by RFC 7679 section 5.1. Infinite delays are `LOST_NS`.
    """
    if not len(ordered):
        return None
    rank = max(1, math.ceil(round(share * len(ordered), 9)))
    return int(ordered[rank - 1])


def delay_median(ordered: Ints) -> int | None:
    """Return the middle one of the ordered delays, or the mean of the two in the middle; None if empty.

    Source: RFC 7679 section 5.2. Infinite if either of the two is.
    """
    if not len(ordered):
        return None
    below, above = int(ordered[(len(ordered) - 1) // 2]), int(ordered[len(ordered) // 2])
    return LOST_NS if above == LOST_NS else (below + above) // 2


def share_within(ordered: Ints, limit_ns: int) -> float | None:
    """Return the share of the ordered delays that are at most `limit_ns`; None if there are none.

    Source: RFC 7679 section 5.4 (inverse percentile), RFC 2330 section 11.3 (empirical distribution).
    """
    return int(np.searchsorted(ordered, limit_ns, side="right")) / len(ordered) if len(ordered) else None
