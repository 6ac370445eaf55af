"""How much memory does a minute of flood take, in the run and in the judgement? Target: under 200 MB more.

Prints the peak that tracemalloc saw for a quiet minute and for one in which a device sends zeros at 12 Mbaud,
and the size of both recordings. Run by hand: python tests/bench/flood_memory.py
"""

import sys
import tracemalloc
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from test_flood import FLOODS, Flooding
from test_replug import short
from unplugging import Played

from harness.bench.protocol import Role
from harness.clock import S

RATE = 1_200_000
SECONDS = 60


def measured(kind: str) -> tuple[float, float]:
    """Return the peak in MB, and the size of the recording in MB."""
    rate = RATE if kind in FLOODS else 0
    tracemalloc.start()
    run = Played(
        short(f"  - wander: {{for: {SECONDS} s}}\n", within=""),
        around=lambda bench: Flooding(bench, Role.RECEIVER, FLOODS.get(kind, b"x"), rate, for_ns=SECONDS * S),
    )
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    port = run.recording.ports[Role.RECEIVER]
    return peak, (sum(map(len, port.data)) + 64 * len(port.data)) / 1e6


if __name__ == "__main__":
    quiet, quiet_size = measured("quiet")
    print(f"quiet:  peak {quiet:7.1f} MB, receiver's part of the recording {quiet_size:6.1f} MB")
    for kind in FLOODS:
        peak, size = measured(kind)
        sent = RATE * SECONDS / 1e6
        stored = f"{size:6.1f} of {sent:.0f} MB"
        print(f"{kind:7} peak {peak:7.1f} MB, recorded {stored}; more than quiet: {peak - quiet:.1f} MB")
