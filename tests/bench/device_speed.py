"""How long does a megabyte from a device without the bench protocol take, ordinary and hostile?

Run: .venv/bin/python tests/bench/device_speed.py. No target but the line itself: a port at 1 Mbit/s brings
0.1 MB a second, so 1000 ms a megabyte would be a tenth of one processor. Printed are ms for each megabyte,
and how much longer than the same decoder's best kind of bytes.
"""

import sys
import time
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parents[1] / "devices"))
from test_device_fuzz import DECODERS, HOSTILE, feed, mutated

SIZE = 2_000_000
ROUNDS = 3


def kinds_of_bytes(seed_text):
    yield "ordinary", (seed_text * (SIZE // len(seed_text) + 1))[:SIZE]
    yield "random", Random(1).randbytes(SIZE)
    yield "mutated", mutated(seed_text, Random(2), SIZE)
    for part in HOSTILE:
        yield f"{part[:24]!r} again and again", (part * (SIZE // len(part) + 1))[:SIZE]


def main():
    for name, (make, seed_text) in DECODERS.items():
        times = {}
        for kind, data in kinds_of_bytes(seed_text):
            best = min(_timed(make, data) for _ in range(ROUNDS))
            times[kind] = best / (SIZE / 1e6) * 1e3
        least = min(times.values())
        print(name)
        for kind, taken in times.items():
            print(f"  {taken:7.1f} ms a megabyte  {taken / least:5.1f}x  {kind}")


def _timed(make, data):
    start = time.perf_counter()
    feed(make, data)
    return time.perf_counter() - start


if __name__ == "__main__":
    main()
