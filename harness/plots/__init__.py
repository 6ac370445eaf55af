"""What is there to see in a run? Plots as plain values, drawn elsewhere: on a page, or into a picture.

For a notebook (matplotlib is needed only for the last line):

    from pathlib import Path
    from harness import recording, running
    from harness.plots import drawing, pictures
    outcome, evidence = running.judge_seen(recording.read_recording(Path("first-look-7/recording.pcapng")))
    plots = pictures(evidence, outcome)
    figure = drawing.figure(plots["latency"][0])
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Final, Protocol

from harness.measure.evidence import Evidence
from harness.plan.model import Latency
from harness.plots import age, clocks, cuts, latency, lines, packets, sticks, telemetry
from harness.plots.model import Picture, Plot, Strip
from harness.plots.view import View, view_of
from harness.verdict import Judgement, Verdict


class Judged(Protocol):
    """What a run came to, with its judgement inside."""

    @property
    def judgement(self) -> Judgement:
        """All verdicts."""


KINDS: Final[Mapping[str, Callable[[View], tuple[Picture, ...]]]] = {
    "sticks": sticks.draw,
    "packets": packets.draw,
    "latency": latency.draw,
    "age": age.draw,
    "cuts": cuts.draw,
    "telemetry": telemetry.draw,
    "clocks": clocks.draw,
    "lines": lines.draw,
}
"""Every kind of picture by its name, in the order in which they are shown."""
CHECKS: Final[Mapping[str, tuple[str, ...]]] = {
    "sticks": ("fidelity", "no_glitch", "pins", "output_range", "noise"),
    "packets": ("delivery", "loss_pattern", "packet_rate", "duplicates", "order", "control_gap"),
    "latency": ("latency of packet",),
    "stick": ("latency of stick",),
    "acknowledgement": ("latency of acknowledgement",),
    "age": ("control_age",),
    "cuts-in": ("failsafe_entry", "failsafe_outputs"),
    "cuts-out": ("failsafe_exit",),
    "telemetry": ("telemetry_value",),
    "telemetry-age": ("telemetry_age",),
    "lines": ("bench",),
}
"""The kinds of checks that pictures go with, by the beginning of their keys."""


def pictures(
    evidence: Evidence,
    judged: Judged | Judgement | None = None,
    *,
    during: tuple[str, ...] = (),
    between: tuple[float | None, float | None] = (None, None),
    only: Iterable[str] = tuple(KINDS),
) -> Mapping[str, tuple[Picture, ...]]:
    """Return what there is to see, by the names in `KINDS`; a kind without anything to show is left out.

    `during` looks at the steps of these names, `between` at a stretch in s of the run. With `judged` the
    pictures carry the verdicts that they go with. Pure and deterministic; odd or empty data never raise.
    """
    view = view_of(evidence, during, between)
    judgement = judged if judged is None or isinstance(judged, Judgement) else judged.judgement
    found = {
        kind: [one for one in KINDS[kind](view) if isinstance(one, Strip) or one.series or one.note]
        for kind in only
    }
    doubts = () if judgement is None else _doubts(evidence, judgement)
    return {
        kind: tuple(_with_verdicts(picture, doubts) for picture in drawn)
        for kind, drawn in found.items()
        if drawn
    }


def _doubts(evidence: Evidence, judgement: Judgement) -> tuple[tuple[str, str], ...]:
    """Return the kind of each check that did not pass, and its name with its verdict."""
    of = {check.name: check.rule.of for check in evidence.plan.checks if isinstance(check.rule, Latency)}
    return tuple(
        (f"latency of {of[result.name]}" if result.name in of else result.kind,
         f"{result.name}: {result.verdict.value}")
        for result in judgement.results
        if result.verdict not in (Verdict.PASS, Verdict.NONE)
    )  # fmt: skip


def _with_verdicts(picture: Picture, doubts: tuple[tuple[str, str], ...]) -> Picture:
    """Return a picture whose note tells the verdicts that did not pass, of the checks that it goes with."""
    begins = [start for start in CHECKS if picture.key == start or picture.key.startswith(f"{start}-")]
    kinds = CHECKS[max(begins, key=len)] if begins else ()
    told = ", ".join(words for kind, words in doubts if kind in kinds)
    parts = (picture.note, f"Checks: {told}." if told else "")
    return replace(picture, note=" ".join(part for part in parts if part))


__all__ = ["CHECKS", "KINDS", "Judged", "Picture", "Plot", "Strip", "View", "pictures", "view_of"]
