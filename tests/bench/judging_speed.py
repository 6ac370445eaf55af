"""What does judging cost beside decoding? Run on demand: `python tests/bench/judging_speed.py`.

Judges an imaginary run of a minute with 29 cuts and telemetry, one of a million frames, and one of a million
packets (four million frames), by every kind of check. Target: a million packets, once decoded and lined up,
are measured and judged in under 3 s. The yardstick is `checked_bodies` over the same frames: the least that
any judge must do. All run in one process, the yardstick twice as an A/A control; only ratios from one run
mean anything.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from long_recording import long_recording
from scenario import MS, RUN_NS, Recording, S, Scenario, Silence, judge, p, plan_for

from harness.codec.frames import checked_bodies
from harness.judge.rules import judge_evidence
from harness.measure.evidence import gather

TURNS = 5
RULES = (
    p.Delivery(at_least=Fraction(99, 100)), p.PacketRate(at_least_mhz=49_000),
    p.Latency(percentile=Fraction(95, 100), at_most_ns=20 * MS),
    p.Latency(of="stick", percentile=Fraction(95, 100), at_most_ns=60 * MS),
    p.Latency(of="acknowledgement", percentile=Fraction(95, 100), at_most_ns=20 * MS),
    p.ControlAge(percentile=Fraction(99, 100), at_most_ns=60 * MS), p.ControlGap(at_most_ns=100 * MS),
    p.Duplicates(), p.FailsafeEntry(), p.FailsafeOutputs(), p.FailsafeExit(), p.NoFalseFailsafe(),
    p.Fidelity(), p.NoGlitch(), p.TelemetryValue(), p.TelemetryAge(at_most_ns=60 * MS), p.BenchHealth(),
)  # fmt: skip
PLAN = plan_for(*RULES)


def minute() -> Recording:
    """One minute at 50 packets a second, 29 cuts, telemetry injected four times a second."""
    cuts = [Silence(RUN_NS + place * 2 * S + 500 * MS, 700 * MS) for place in range(29)]
    scenario = Scenario(PLAN, seconds=60.0, silences=cuts)
    scenario.inject_often()
    return scenario.recording()


def million() -> Recording:
    """About a million frames: 83 minutes at 50 packets a second."""
    scenario = Scenario(PLAN, seconds=4_900.0)
    scenario.telemetry = lambda _: bytes(8)
    return scenario.recording()


def best_ms(work: Callable[[], object], turns: int = TURNS) -> float:
    """Return the shortest of some turns, in ms."""
    times = []
    for _ in range(turns):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return 1000 * min(times)


def frames_of(recording: Recording) -> list[bytes]:
    """Return every frame without its delimiter."""
    return [data[:-1] for port in recording.ports.values() for data in port.data]


def show_long(packets: int = 1_000_000) -> None:
    """Print what each part of judging a million packets takes."""
    recording = long_recording(PLAN, packets)
    pieces = frames_of(recording)
    bare = best_ms(lambda: checked_bodies(pieces), turns=2)
    lined_up = best_ms(lambda: gather(PLAN, recording), turns=2)
    evidence = gather(PLAN, recording)
    judged = best_ms(lambda: judge_evidence(replace(evidence)), turns=2)
    again = best_ms(lambda: checked_bodies(pieces), turns=2)
    print(
        f"a million packets: {len(pieces)} frames decoded and lined up in {lined_up / 1000:.2f} s, "
        f"{lined_up / bare:.1f} x decoding alone ({bare / 1000:.2f} s, control {again / bare:.2f}); "
        f"then measured and judged in {judged / 1000:.2f} s, {judged / bare:.1f} x (target 3 s)"
    )


def main() -> None:
    """Print one line for each recording."""
    for name, recording in (("a minute", minute()), ("a million frames", million())):
        pieces = frames_of(recording)
        judge(PLAN, recording)
        bare = best_ms(lambda pieces=pieces: checked_bodies(pieces))
        judged = best_ms(lambda recording=recording: judge(PLAN, recording))
        again = best_ms(lambda pieces=pieces: checked_bodies(pieces))
        print(
            f"{name}: {len(pieces)} frames judged in {judged:.1f} ms, {judged / bare:.1f} x decoding alone "
            f"({bare:.1f} ms, control {again / bare:.2f})"
        )
    show_long()


if __name__ == "__main__":
    main()
