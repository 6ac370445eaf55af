"""How well is it known when each cut began? One row for each way: what tells it, and to how much."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness.clock import MS
from harness.findings import Cell, Grid
from harness.measure.cuts import WAY_WORDS, WAYS, Cut
from harness.measure.failsafe import NONE, CutEntry

REPLY: Final = "the device's reply, by its clock"
COMMAND: Final = "the command, for want of a reply"
MEANS: Final = {
    "line": "the time around the call, and what the relay takes",
    "device": "the command, the answer or the time declared",
    "hand": "the last packet applied, and the second one missing",
}


def beginnings(entries: Sequence[CutEntry]) -> Grid:
    """Return how well the beginnings of these cuts are known, over those in which failsafe came."""
    groups: dict[tuple[int, str], list[CutEntry]] = {}
    for entry in entries:
        if entry.change != NONE:
            groups.setdefault((WAYS.index(entry.cut.way), _basis(entry.cut)), []).append(entry)
    rows: list[tuple[Cell, ...]] = [
        (
            WAY_WORDS[some[0].cut.way],
            basis,
            len(some),
            round(max(entry.cut_bound_ns for entry in some) / MS, 3),
            round(max(entry.after_cut_ns for entry in some) / MS, 3),
        )
        for (_, basis), some in sorted(groups.items())
    ]
    heads = ("cut", "its beginning is told by", "cuts", "known to +-, ms", "failsafe after it, latest, ms")
    note = "the time since the last applied packet needs none of this: both are told by the receiver's clock"
    return Grid("When the cuts began", heads, tuple(rows), note)


def _basis(cut: Cut) -> str:
    if cut.is_outside:
        return MEANS[cut.way.partition(" ")[2]]
    return COMMAND if cut.began_ns is None else REPLY


__all__ = ["beginnings"]
