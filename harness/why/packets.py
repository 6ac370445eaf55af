"""What became of each packet, side by side? One table that every suspect of the link looks at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.codec import messages as wire
from harness.measure.arrays import Flags, Ints
from harness.measure.delivery import LOST_NS, first_latency
from harness.measure.evidence import Evidence
from harness.measure.losses import LossSeries, loss_series
from harness.measure.memo import remembered

FEWEST: Final = 100
"""With fewer packets no suspect says anything."""


@dataclass(frozen=True, slots=True)
class Packets:
    """Packets outside cuts, restarts and searches, in order of sampling; all arrays have one length.

    `at_ns` is the sampling time, `took_ns` the time to the acknowledgement or to giving up, `delay_ns` the
    time to taking effect however late (`LOST_NS` if never). `lost` and `unknown` are those of
    `harness.measure.losses`. `acked`, `attempts`, `number` and `ordered` are as the transmitter reports them;
    `breaks` marks packets that do not follow the one before.
    """

    at_ns: Ints
    took_ns: Ints
    delay_ns: Ints
    lost: Flags
    unknown: Flags
    breaks: Flags
    acked: Flags
    attempts: Ints
    number: Ints
    ordered: Flags
    row: Ints

    def __len__(self) -> int:
        return len(self.at_ns)

    @property
    def arrived(self) -> Flags:
        """Which took effect, late or not."""
        came: Flags = self.delay_ns != LOST_NS
        return came

    @property
    def losses(self) -> int:
        """How many were lost for certain."""
        return int(self.lost.sum())


@remembered
def packets_of(evidence: Evidence, during: tuple[str, ...] = ()) -> Packets:
    """Return the packets sampled in the steps `during`, each reported by the transmitter."""
    series: LossSeries = loss_series(evidence, during)
    kept = series.row >= 0
    row = series.row[kept]
    sent = evidence.sent
    return Packets(
        at_ns=series.at_ns[kept],
        took_ns=sent.took_ns[row],
        delay_ns=first_latency(evidence)[row],
        lost=series.lost[kept],
        unknown=series.unknown[kept],
        breaks=_carried(series.breaks | series.unknown, kept),
        acked=sent.acked[row],
        attempts=attempts_of(evidence)[row],
        number=sent.number[row],
        ordered=series.ordered[kept],
        row=row,
    )


def _carried(breaks: Flags, kept: Flags) -> Flags:
    """Return the breaks of the packets kept; one among those left out goes to the next."""
    passed = np.cumsum(breaks)[kept]
    found: Flags = np.diff(passed, prepend=passed[:1] - 1) > 0
    return found


@remembered
def _attempts(evidence: Evidence, during: tuple[str, ...] = ()) -> Ints:  # noqa: ARG001
    table = evidence.heard[Role.TRANSMITTER].table(wire.Sent.TYPE)
    tried: Ints = table.rows["attempts"].astype(np.int64)
    place = np.searchsorted(table.frame, evidence.sent.frame)
    return tried[np.minimum(place, len(tried) - 1)] if len(tried) else np.ones(len(place), dtype=np.int64)


def attempts_of(evidence: Evidence) -> Ints:
    """Return how often each row of `SentPackets` was tried, at least once."""
    return np.maximum(_attempts(evidence), 1)


__all__ = ["FEWEST", "Packets", "attempts_of", "packets_of"]
