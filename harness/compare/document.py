"""How does a comparison stand in JSON? Keys and numbers, nothing rendered."""

from __future__ import annotations

import json
import math
from typing import Any, Final

from harness.compare.answers import Compared, Counted
from harness.compare.comparison import Comparison
from harness.compare.sides import Side
from harness.compare.words import reason
from harness.escape import clean

FORMAT: Final = 1
KEYS: Final = {
    "format": "version of this document, 1",
    "answer": "for all that matters: better, no worse, worse or cannot tell; null if not comparable",
    "exit_code": "what the command returned without --bisect",
    "confidence": "share of 1",
    "comparable": "whether both sides may be held against each other",
    "against": "why not, each with what to do; empty if they may",
    "told": "what differs and may",
    "notes": "what must be known to read it",
    "missing": "figures and faults that one side shows nothing of",
    "base, candidate": "runs of the side: folder, seed, plan, rig, verdict, devices, recording_sha256",
    "figures[].figure": "key, as for --margin",
    "figures[].title, unit": "in words; times in ms, shares in %",
    "figures[].more_is": "better or worse",
    "figures[].base, candidate, difference": "values, and candidate less base",
    "figures[].interval": "both ends, holding together with all others; null for an open end",
    "figures[].worse_by_at_most": "by the single test; negative if surely better, null if unknown",
    "figures[].margin": "how much worse still counts as no worse",
    "figures[].answer": "as above",
    "figures[].slight": "surely worse, yet within the margin",
    "figures[].beyond_margin": "surely worse than the margin allows",
    "figures[].matters": "whether a check of the plan judges it",
    "figures[].clock_bound": "what clocks leave open of the difference, already in the interval",
    "figures[].samples": "of base and candidate",
    "figures[].runs_needed": "about so many runs a side would show no worse; null if none is needed or helps",
    "figures[].reason": "in words",
    "faults[]": "fault, title, answer, base and candidate as [counted, chances]",
}
"""Every key, and what it holds."""


def document(found: Comparison, exit_code: int) -> dict[str, Any]:
    """Return the comparison as plain values; numbers that JSON has not are null."""
    return {
        "format": FORMAT,
        "answer": None if found.answer is None else str(found.answer),
        "exit_code": exit_code,
        "confidence": found.confidence,
        "comparable": not found.against,
        "against": list(found.against),
        "told": list(found.told),
        "notes": list(found.notes),
        "missing": list(found.missing),
        "base": _side(found.base),
        "candidate": _side(found.candidate),
        "figures": [_figure(found, one) for one in found.figures],
        "faults": [_fault(one) for one in found.faults],
    }


def to_json(found: Comparison, exit_code: int) -> str:
    """Return the document as text, with a line break at the end."""
    return json.dumps(document(found, exit_code), indent=2, ensure_ascii=True, allow_nan=False) + "\n"


def _side(side: Side) -> list[dict[str, Any]]:
    return [
        {
            "folder": clean(str(run.folder)),
            "seed": run.header.seed,
            "plan": clean(run.header.plan_name),
            "rig": clean(run.header.rig_name),
            "verdict": str(run.verdict),
            "devices": {clean(role): clean(words) for role, words in sorted(run.devices.items())},
            "recording_sha256": run.digest,
        }
        for run in side.runs
    ]


def _figure(found: Comparison, one: Compared) -> dict[str, Any]:
    return {
        "figure": one.figure.key,
        "title": one.figure.title,
        "unit": one.figure.unit,
        "more_is": one.figure.more,
        "base": _finite(one.base),
        "candidate": _finite(one.candidate),
        "difference": _finite(one.difference),
        "interval": [_finite(end) for end in one.interval],
        "worse_by_at_most": _finite(one.most),
        "margin": one.margin,
        "answer": str(one.answer),
        "slight": one.slight,
        "beyond_margin": one.beyond,
        "matters": one.figure.key not in found.beside,
        "clock_bound": one.bounds,
        "samples": list(one.counts),
        "runs_needed": one.more_runs,
        "reason": reason(one) if str(one.answer) in ("worse", "cannot tell") else "",
    }


def _fault(one: Counted) -> dict[str, Any]:
    return {
        "fault": clean(one.fault.key),
        "title": clean(one.fault.title),
        "answer": str(one.answer),
        "base": list(one.base),
        "candidate": list(one.candidate),
    }


def _finite(number: float) -> float | None:
    return float(number) if math.isfinite(number) else None
