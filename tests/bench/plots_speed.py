"""What do pictures cost? Run on demand: `python tests/bench/plots_speed.py [PACKETS]`.

Builds every picture of an imaginary run of a million packets, judged before as `propsoff plots` does. Target:
all pictures in under 1.5 s of processor time. The yardstick is judging the same evidence, which the pictures
come after; the pictures are built twice from fresh copies as an A/A control. Only ratios from one run mean
anything. Drawing is timed apart: it costs what a file of so many pixels costs.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))
sys.path.insert(0, str(Path(__file__).parent))

from judging_speed import PLAN
from long_recording import long_recording

from harness.judge.rules import judge_evidence
from harness.measure.evidence import Evidence, gather
from harness.plots import KINDS, drawing, pictures


def cpu_s(work: Callable[[], Any]) -> tuple[float, Any]:
    """Return the processor time of some work in s, and what it gave."""
    start = time.process_time()
    found = work()
    return time.process_time() - start, found


def fresh(evidence: Evidence, judged: bool) -> Evidence:
    """Return the evidence with nothing measured of it, or with what judging measures."""
    copy = replace(evidence)
    if judged:
        judge_evidence(copy)
    return copy


def main(packets: int) -> None:
    """Print one line for everything, and one for each kind of picture."""
    evidence = gather(PLAN, long_recording(PLAN, packets))
    judging, _ = cpu_s(lambda: judge_evidence(replace(evidence)))
    copies = [fresh(evidence, judged=True) for _ in range(2)]
    first, second = (cpu_s(lambda copy=copy: pictures(copy))[0] for copy in copies)
    alone, _ = cpu_s(lambda: pictures(fresh(evidence, judged=False)))
    print(
        f"{packets} packets: all pictures in {first:.2f} s, {first / judging:.2f} x judging them "
        f"({judging:.2f} s; control {second / first:.2f}); without judging before {alone:.2f} s"
    )
    copy = fresh(evidence, judged=True)
    for kind in KINDS:
        took, drawn = cpu_s(lambda kind=kind: pictures(copy, only=(kind,)))
        found = drawn.get(kind, ())
        drawing_s, _ = cpu_s(lambda found=found: [drawing.png(one) for one in found])
        print(f"  {kind}: {took:.3f} s; {len(found)} pictures drawn in {drawing_s:.1f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
