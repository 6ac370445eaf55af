"""What is a person told of a search? A few calm lines: what was tried, what was found, what was not."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from harness.codec.messages import Ability
from harness.errors import ExitCode
from harness.explore.causes import in_words
from harness.explore.finding import Finding, Scene, quoted_word
from harness.explore.state import State
from harness.explore.words import time_words
from harness.measure.cuts import WAY_WORDS
from harness.plan.model import CUT_WAYS, Link
from harness.plan.wording import many
from harness.strategies import Bounds, cut_ways


def report(state: State, scene: Scene, folder: Path, link: Link, bounds: Bounds) -> str:
    """Return the lines that end a search."""
    lines = [_tried(state, scene)]
    for finding in state.findings:
        lines += _found(finding, scene, folder)
    lines += [f"bench trouble, apart from the link: {trouble}" for trouble in state.troubles]
    if state.ended == "bench trouble" and not state.troubles:
        lines.append("bench trouble, apart from the link: the bench stopped answering")
    lines.append(f"not looked at: {'; '.join(_left_out(link, bounds))}")
    if state.ended == "stopped":
        lines.append("stopped early; the same command goes on")
    if not state.findings:
        tried = "No invariant was violated in these scenarios." * bool(state.tally.scenarios)
        lines.append(f"{tried or 'Nothing was tried.'} That is not a proof, and no permission to fly.")
    return "\n".join(lines) + "\n"


def _tried(state: State, scene: Scene) -> str:
    tally = state.tally
    told = (
        f"explored {scene.rig} with seed {state.seed}: {many(tally.scenarios, 'scenario')}, "
        f"{time_words(tally.link_ns)} of link time, {many(tally.cuts, 'link cut')}, "
        f"{many(len(state.findings), 'violation')} found"
    )
    if tally.refused:
        told += f"; {many(tally.refused, 'scenario')} too much for the serial lines"
    return told


def _found(finding: Finding, scene: Scene, folder: Path) -> Iterator[str]:
    others = ", ".join(one for one in finding.checks if one != finding.check)
    also = f" (and {others})" if others else ""
    yield f"violated: {finding.check}{also}, with {in_words(finding.causes)}"
    yield f"  {finding.reason}"
    yield f"  {finding.reproduced()}; {finding.shrunk()} between two rests"
    yield f"  propsoff run {quoted_word(str(folder / finding.file))} {scene.words()} --seed {finding.seed}"


def _left_out(link: Link, bounds: Bounds) -> Iterator[str]:
    yield "latency, delivery above 50 %, range, the transmitter's own sticks"
    ways = [way for way in CUT_WAYS if way not in cut_ways(bounds)]
    if ways:
        yield f"cuts {', '.join(WAY_WORDS[way] for way in ways)}, which the firmware cannot do"
    if not bounds.can(Ability.MUTE_ACKS):
        yield "lost acknowledgements, which the firmware cannot make"
    if not bounds.can(Ability.DISTURB):
        yield "packets of another transmitter, which the firmware cannot send"
    if not any(field.source == "injected" for field in link.telemetry):
        yield "telemetry, of which the link declares none to inject"


def exit_code(state: State) -> ExitCode:
    """Return what a search comes to: bench trouble above all, then violations, then nothing found."""
    if state.troubles or state.ended == "bench trouble":
        return ExitCode.BENCH_ERROR
    return ExitCode.FAIL if state.findings else ExitCode.PASS
