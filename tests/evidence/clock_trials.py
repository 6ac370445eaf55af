"""Does the stated bound of a clock map hold the truth? Ten thousand simulated runs with known clocks.

    python tests/evidence/clock_trials.py           # about two minutes; writes clock_trials.md beside itself
    python tests/evidence/clock_trials.py 200       # trials of each kind: a look, nothing written

Each trial is one run of one device on one kind of line: pings as the runner sends them, 50 reports a second,
a clock up to 1 h and 200 ppm off, serial bytes at a baud rate up to 2.5 % off. A trial is inside if every
report's stamp and fifty more, anywhere in the run, are mapped to within the bound of their true time.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
from clock_world import BAUD_OFF, CLEAN_USB, KINDS, Chance, Kind, Truth, conversation, truth_of

from harness.bench.protocol import Role
from harness.clock import MS, US
from harness.codec import messages as wire
from harness.measure.arrays import Ints, ints
from harness.measure.clockmap import ClockMap, map_clock
from harness.measure.evidence import Evidence, gather
from harness.measure.exchanges import WRAP_US
from harness.measure.tables import Stream
from harness.plan.find import shipped_plans
from harness.plan.model import Plan
from harness.plan.reader import load_plan
from harness.recording import RecordingWriter, parse_recording
from harness.recording.model import Header
from harness.report.live import Quiet
from harness.runner import Runner
from harness.timeline import build_timeline
from mocks.bench import open_virtual
from mocks.device import Device
from mocks.settings import MockSettings, describe_settings

SEED = 20_261
TRIALS = 10_000
TARGET = 0.999
CLEAN_MOST = 1.10
"""On a clean line the bound is at most this many times half the best round trip."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One trial: how far the worst stamp lay outside its bound (negative: inside), and the bound itself.

    `half_ns` is half the best round trip as the host saw it, infinite if no ping was answered.
    """

    excess_ns: int
    bound_ns: int
    half_ns: float


def trial(kind: Kind, chance: Chance) -> Outcome:
    """Simulate one run, map the clock, and compare with the truth."""
    truth = truth_of(kind, chance)
    told, heard, best_ns = conversation(kind, truth, chance)
    clock = map_clock(heard, told, kind.baud)
    return Outcome(_worst_excess(clock, truth, heard, chance), clock.bound_ns, best_ns / 2)


def _worst_excess(clock: ClockMap, truth: Truth, heard: Stream, chance: Chance) -> int:
    """Return how far the worst stamp lies outside its bound, in ns."""
    table = heard.table(wire.Sent.TYPE)
    reported = truth.origin_ns + np.sort(chance.integers(0, truth.length_ns, 50 + len(table)))
    lives = np.unique(heard.segment)
    segment = truth.life(reported) - (truth.life(ints([truth.origin_ns]))[0])
    reported, segment = (part[np.isin(segment, lives)] for part in (reported, segment))
    stamp, heard_ns = truth.stamp(reported), reported + chance.integers(MS, 20 * MS, len(reported))
    mapped = clock.to_host_ns(clock.unwrap(stamp, heard_ns, segment), segment)
    return int((np.abs(mapped - reported) - clock.bounds_ns(segment)).max())


@dataclass(frozen=True, slots=True)
class Cell:
    """All trials of one kind; ratios are bounds over half the best round trip of their run."""

    name: str
    trials: int
    inside: int
    excess_us: float
    bound_us: float
    ratio: float
    widest: float


def cell(kind: Kind, trials: int, seed: int = SEED) -> Cell:
    """Run all trials of one kind; each kind has a stream of chance of its own."""
    chance = np.random.default_rng([seed, *kind.name.encode()])
    return summary(kind.name, [trial(kind, chance) for _ in range(trials)])


def summary(name: str, found: Sequence[Outcome]) -> Cell:
    """Return what the trials of one kind have in common."""
    ratios = np.array([one.bound_ns / one.half_ns for one in found])
    bound = float(np.median([one.bound_ns for one in found]))
    excess = max(one.excess_ns for one in found)
    inside = sum(one.excess_ns <= 0 for one in found)
    return Cell(
        name, len(found), inside, excess / US, bound / US, float(np.median(ratios)), float(ratios.max())
    )


def shares(total: int) -> list[int]:
    """Return how many of `total` trials each kind gets."""
    each, rest = divmod(total, len(KINDS))
    return [each + (place < rest) for place in range(len(KINDS))]


MOCKS = (
    MockSettings(transmitter_skew_ppm=200, receiver_skew_ppm=-200),
    MockSettings(transmitter_skew_ppm=-200, usb_latency_ns=16 * MS, receiver_clock_us=WRAP_US - 5_000_000),
    MockSettings(receiver_skew_ppm=200, usb_latency_ns=MS, baud=250_000, transmitter_clock_us=WRAP_US - 1),
    MockSettings(receiver_skew_ppm=50, receiver_loop_ns=3 * MS, loss=Fraction(5, 100)),
)
"""The mock bench's own world knows when each stamp was taken."""


def mock_trial(settings: MockSettings, plan: Plan, seed: int) -> tuple[Outcome, ...]:
    """Run a plan on the mock bench; return the outcome for each device by its packet reports."""
    bench, file = open_virtual(plan.link, settings, seed), io.BytesIO()
    header = Header(
        plan_name="", plan_text="", rig_name="mock", rig_text="", seed=seed, versions=(), clock="virtual",
        wall_seconds=0, hardware=False, baud=dict(bench.baud), facts={},
    )  # fmt: skip
    writer = RecordingWriter(file, header, 0)
    Runner(bench, writer, plan, Quiet()).run(build_timeline(plan, seed))
    writer.close()
    evidence = gather(plan, parse_recording(file.getvalue(), "mock"))
    packets = (bench.transmitter, evidence.sent.at_ns, wire.Sent), (
        bench.receiver, evidence.applied.at_ns, wire.Applied,
    )  # fmt: skip
    return tuple(_mock_outcome(evidence, *given) for given in packets)


def _mock_outcome(
    evidence: Evidence, device: Device, mapped: Ints, kind: type[wire.Sent | wire.Applied]
) -> Outcome:
    clock, heard = evidence.clocks[device.ROLE], evidence.heard[device.ROLE]
    stamp = heard.table(kind.TYPE).rows["at_us"].astype(np.int64)
    ran = (stamp - device.life.clock_us) % WRAP_US
    rate = 1 + _skew_ppm(device) * 1e-6
    true = device.started_ns + np.rint(ran * (US / rate)).astype(np.int64)
    excess = int((np.abs(mapped - true) - clock.bound_ns).max())
    best = clock.segments[0].trips.best_ns
    assert best is not None
    return Outcome(excess, clock.bound_ns, best / 2)


def _skew_ppm(device: Device) -> int:
    skews = device.settings.transmitter_skew_ppm, device.settings.receiver_skew_ppm
    return skews[device.ROLE is Role.RECEIVER]


def table(cells: Sequence[Cell]) -> str:
    """Return the cells as a table in Markdown."""
    lines = [
        "| kind of line | trials | inside | worst excess us | median bound us | bound / half trip | widest |",
        "|---|---:|---:|---:|---:|---:|---:|",
    ]
    lines += [
        f"| {c.name} | {c.trials} | {c.inside} | {c.excess_us:.1f} | {c.bound_us:.1f} | {_ratio(c.ratio)} "
        f"| {_ratio(c.widest)} |"
        for c in cells
    ]
    return "\n".join(lines)


def _ratio(ratio: float) -> str:
    return f"{ratio:.3f}" if ratio else "-"


def page(cells: Sequence[Cell], mocks: Sequence[Cell]) -> str:
    """Return the whole page."""
    trials, inside = sum(c.trials for c in cells), sum(c.inside for c in cells)
    return f"""# Clock maps against known clocks

Written by `python tests/evidence/clock_trials.py` (seed {SEED}). {inside} of {trials} trials inside, that is
{100 * inside / trials:.2f} %; {100 * TARGET:.1f} % are asked for.

A trial is one run of {min(k.least for k in KINDS)} to {max(k.most for k in KINDS)} s with a clock up
to 1 h and 200 ppm off and a baud rate up to {100 * BAUD_OFF:g} % off. It is inside if every stamp is mapped
to within the stated bound of its true time; the worst excess is that of the worst stamp of all trials,
negative where all are inside. The last two columns compare the bound with half the best round trip as the PC
sees it, median and widest. Where bytes take time, most of a round trip is known byte times and the bound is
much less; on a clean line without (*{CLEAN_USB}*) it may be at most {CLEAN_MOST:.2f} times.

{table(cells)}

Clocks that warm up change their rate by up to so much in a run, evenly: more than the maps take for granted.
Without answers to pings no round trip is known; the bound is that of arrivals.

## The mock bench

The plan first-look on the mock bench, whose own world knows every true time; each line one device of one run.

{table(mocks)}
"""


def main() -> None:
    """Simulate, print and, unless it was only a look, write the page."""
    look = int(sys.argv[1]) if len(sys.argv) > 1 else 0
    counts = [look] * len(KINDS) if look else shares(TRIALS)
    cells = [cell(kind, count) for kind, count in zip(KINDS, counts, strict=True)]
    plan = load_plan(shipped_plans()["first-look"])
    mocks = [
        summary(f"{describe_settings(settings)}: {who}", [outcome])
        for settings in MOCKS
        for who, outcome in zip(("transmitter", "receiver"), mock_trial(settings, plan, SEED), strict=True)
    ]
    text = page(cells, mocks)
    print(text)
    if not look:
        Path(__file__).with_suffix(".md").write_text(text)


if __name__ == "__main__":
    main()
