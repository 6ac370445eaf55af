"""Is the way in which a receiver times its failsafe told rightly? Mock receivers of each kind, many seeds.

    python tests/evidence/failsafe_ways.py         # about two minutes; writes failsafe_ways.md beside itself
    python tests/evidence/failsafe_ways.py 5       # seeds of each kind: a look, nothing written

Each run cuts the link ten times at 50 Hz and ten times at 25 Hz, or twenty times at 50 Hz alone. Both clocks
are up to 50 ppm off, the transmitter starts at any phase, 2 % of transmissions get lost.
"""

from __future__ import annotations

import io
import sys
from collections import Counter
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from random import Random
from typing import Final

from harness.bench.protocol import DEVICES
from harness.chance import stream
from harness.clock import MS, US
from harness.measure.evidence import Evidence, gather
from harness.measure.failsafe import failsafe_entries
from harness.measure.failsafe_timing import Keeping, Timekeeping, failsafe_timing, tell_timekeeping
from harness.plan import model as p
from harness.recording import RecordingWriter, parse_recording
from harness.recording.model import Header
from harness.report.live import Quiet
from harness.runner import Runner
from harness.timeline import build_timeline
from mocks.bench import open_virtual
from mocks.settings import DUNLIN, MockSettings

SEEDS: Final = 40
PLACE: Final = Path(__file__).with_suffix(".md")
TICKS_MS: Final = (5, 7, 10, 13, 17, 30)
TWO_RATES: Final = (
    p.Cut(duration_ns=700 * MS, times=10, before_ns=300 * MS, after_ns=300 * MS),
    p.Cut(duration_ns=1_200 * MS, times=10, before_ns=400 * MS, after_ns=300 * MS, packet_rate_mhz=25_000),
)
ONE_RATE: Final = (replace(TWO_RATES[0], times=20),)
KINDS: Final = {
    "a timer": Keeping.TIMER,
    "a timer in a loop of 0.5 ms": Keeping.TIMER,
    "a task of 5 to 30 ms": Keeping.TASK,
    "a count of its own frames": Keeping.FRAMES,
    "a count of packet periods": Keeping.PACKETS,
}


def settings_of(kind: str, chance: Random) -> MockSettings:
    """Return a mock of this kind with clocks and phases drawn."""
    common = MockSettings(
        loss=Fraction(2, 100),
        usb_latency_ns=MS,
        transmitter_skew_ppm=chance.randint(-50, 50),
        receiver_skew_ppm=chance.randint(-50, 50),
        start_phase_ns=chance.randint(0, 40) * MS,
    )
    tick = chance.choice(TICKS_MS) * MS
    return {
        "a timer": common,
        "a timer in a loop of 0.5 ms": replace(common, failsafe_tick_ns=500 * US),
        "a task of 5 to 30 ms": replace(common, failsafe_tick_ns=tick),
        "a count of its own frames": replace(common, failsafe_by="frames"),
        "a count of packet periods": replace(common, failsafe_by="packets"),
    }[kind]


def evidence(kind: str, seed: int, cuts: tuple[p.Cut, ...]) -> Evidence:
    """Run the cuts before one mock receiver and return what was recorded."""
    steps = tuple(p.PlanStep(one, "", f"steps[{n}]") for n, one in enumerate((p.Wait(until="linked"), *cuts)))
    plan = p.Plan(
        name="ways", text="", format=1, title="ways", about="", safety=p.Safety(), link=DUNLIN, steps=steps,
        checks=(),
    )  # fmt: skip
    bench, file = open_virtual(DUNLIN, settings_of(kind, stream(seed, kind)), seed), io.BytesIO()
    baud = dict.fromkeys(DEVICES, 115_200)
    writer = RecordingWriter(file, Header("ways", "", "mock", "", seed, (), "virtual", 0, False, baud, {}), 0)
    Runner(bench, writer, plan, Quiet()).run(build_timeline(plan, seed))
    writer.close()
    return gather(plan, parse_recording(file.getvalue(), "ways"))


def told(kind: str, seed: int, cuts: tuple[p.Cut, ...] = TWO_RATES) -> Timekeeping:
    """Return what the harness tells of one mock receiver."""
    there = evidence(kind, seed, cuts)
    entries = failsafe_entries(there, DUNLIN.failsafe.within_ns)
    return tell_timekeeping(failsafe_timing(there, entries), DUNLIN.packet_period_ns / US)


def table(seeds: int) -> str:
    """Return what was told of each kind, as text."""
    lines = [
        "# What a receiver goes by: right, wrong and left open",
        "",
        f"Made by `python tests/evidence/failsafe_ways.py`, {seeds} seeds each, 20 cuts a run.",
        "",
        "| the mock goes by | packet rates | right | left open | wrong |",
        "|---|---|---|---|---|",
    ]
    for cuts, rates in ((TWO_RATES, "50 and 25 Hz"), (ONE_RATE, "50 Hz")):
        for kind, truth in KINDS.items():
            found = Counter(told(kind, seed, cuts).keeping for seed in range(seeds))
            wrong = seeds - found[truth] - found[Keeping.UNTOLD]
            lines.append(f"| {kind} | {rates} | {found[truth]} | {found[Keeping.UNTOLD]} | {wrong} |")
            print(lines[-1], flush=True)
    return "\n".join(lines) + "\n"


def main() -> None:
    """Print the table; write it if it has the full number of seeds."""
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else SEEDS
    text = table(seeds)
    if seeds == SEEDS:
        PLACE.write_text(text)


if __name__ == "__main__":
    main()
