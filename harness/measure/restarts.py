"""Did a device start anew in some stretch of time? What is measured across that says little of the link."""

from __future__ import annotations

import numpy as np

from harness.bench.protocol import DEVICES
from harness.measure.evidence import Evidence


def restarted(evidence: Evidence, start_ns: int, end_ns: int) -> bool:
    """Return whether either device may have started between two host times, on command or by itself.

    Compared are the frame before the time and the one after it: a device that is starting says nothing.
    """
    for role in DEVICES:
        heard = evidence.heard[role]
        first, after = np.searchsorted(heard.at_ns, (start_ns, end_ns)).tolist()
        segment = heard.segment[max(0, first - 1) : after + 1]
        if len(segment) and segment[0] != segment[-1]:
            return True
    return False


__all__ = ["restarted"]
