"""How fast is bulk decoding? Run on demand: `python tests/bench/codec_speed.py`.

Measures `decode_stream` and `checked_bodies` on a 10 MB stream of ordinary traffic, against the least that
any decoder of this wire format must do with the same libraries: split at 0x00, `cobs.decode`, `crc_hqx`. All
run in turn, several times over, in one process; the ratio of the fastest runs is printed, with an A/A control
that runs the yardstick twice. Only ratios from one run mean anything, and only with the control near 1.
"""

from __future__ import annotations

import argparse
import sys
import time
from binascii import crc_hqx
from collections.abc import Callable

from cobs import cobs

from harness.chance import stream
from harness.codec import decode_stream, encode
from harness.codec.frames import checked_bodies
from harness.codec.messages import Applied, Counters, Pong, Sent, Telemetry

TARGET = 0.60
CONTROL = (0.85, 1.15)


def traffic(size: int) -> bytes:
    """Return at least `size` bytes of what both devices send at 50 packets/s with six channels."""
    draw = stream(1, "codec speed")
    parts: list[bytes] = []
    total = number = 0
    while total < size:
        at_us = number * 20_000 & 0xFFFFFFFF
        packet = number & 0xFFFF
        outputs = tuple(draw.randrange(1000, 2001) for _ in range(6))
        now = [
            Sent(packet, packet, at_us, 1184, 1, 1),
            Telemetry(packet, at_us, draw.randbytes(8)),
            Applied(packet, at_us, -60, outputs),
        ]
        if number % 50 == 0:
            now += [Pong(number, at_us), Counters(number, 0, 0, 0, 812, 0)]  # type: ignore[list-item]
        parts += [encode(message, number) for message in now]
        total += sum(map(len, parts[-len(now) :]))
        number += 1
    return b"".join(parts)


def yardstick(data: bytes) -> None:
    """Split, decode and check, and keep nothing."""
    decode, crc = cobs.decode, crc_hqx
    for piece in data.split(b"\0"):
        crc(decode(piece), 0xFFFF)


def by_pieces(data: bytes) -> None:
    """What reading a recording does: the pieces are apart already, and each keeps its place."""
    checked_bodies(data.split(b"\0"))


def fastest(runs: dict[str, Callable[[bytes], object]], data: bytes, repeats: int) -> dict[str, float]:
    """Run all in turn `repeats` times and return the shortest time of each, in seconds."""
    best = dict.fromkeys(runs, float("inf"))
    for _ in range(repeats):
        for name, run in runs.items():
            begin = time.perf_counter()
            run(data)
            best[name] = min(best[name], time.perf_counter() - begin)
    return best


def main() -> int:
    """Print the ratios; return 1 if the target was missed, 2 if the control voids the run."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megabytes", type=float, default=10)
    parser.add_argument("--repeats", type=int, default=9)
    options = parser.parse_args()
    data = traffic(int(options.megabytes * 1e6))
    frames = data.count(0)
    runs: dict[str, Callable[[bytes], object]] = {
        "split + cobs.decode + crc_hqx": yardstick,
        "decode_stream": decode_stream,
        "the same yardstick again": yardstick,
        "checked_bodies": by_pieces,
    }
    best = fastest(runs, data, options.repeats)
    base = best["split + cobs.decode + crc_hqx"]
    print(f"{len(data) / 1e6:.1f} MB, {frames} frames, fastest of {options.repeats} runs in turn")
    for name, seconds in best.items():
        speed = f"{frames / seconds / 1e6:5.2f} M frames/s"
        print(f"{name:30} {speed}   {base / seconds:6.1%} of the yardstick's speed")
    control = base / best["the same yardstick again"]
    if not CONTROL[0] <= control <= CONTROL[1]:
        print(f"void: the control should lie within {CONTROL[0]} to {CONTROL[1]}; run it on an idle machine")
        return 2
    return 0 if base / best["decode_stream"] >= TARGET else 1


if __name__ == "__main__":
    sys.exit(main())
