"""What does verdict.json hold? One run's judgement as plain JSON, the same bytes for the same recording."""

from __future__ import annotations

import json
import math
import numbers
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness.clock import label_of
from harness.codec.messages import Identity
from harness.escape import clean, printable
from harness.findings import Cell, Figure, Section
from harness.likely import Likely
from harness.recording.header import plan_sha256
from harness.recording.model import Header
from harness.verdict import CheckResult, Judgement

FORMAT: Final = 1
KEYS: Final = {
    "format": "version of this document: 1; it changes when a key is renamed or removed",
    "verdict": "pass, fail, inconclusive or error: the worst of all checks that were judged",
    "exit_code": "what the command returned: 0 pass, 1 fail, 3 error on the bench, 5 inconclusive",
    "plan.name": "the plan's name, its file name without the ending",
    "plan.title": "the plan's own one-line title",
    "plan.sha256": "SHA-256 of the plan's text in UTF-8",
    "rig.name": "the rig's name",
    "rig.hardware": "true if real devices were driven, false if they were simulated",
    "rig.baud": "bits per second of each port's line, by role",
    "rig.facts": "what was known of the ports, such as adapters and latency timers; `unit` and `module` name "
    "what was tested, where somebody did",
    "seed": "the seed that all chance of the run came from",
    "versions": "versions of the programs that made the recording",
    "clock": "virtual (simulated time) or monotonic (real time)",
    "started": "start of the run, date and time in UTC; null in simulated time",
    "link_seconds": "time from the first step to the end of the last, in s",
    "packets.sent": "packets that the transmitter reported as sent",
    "packets.applied": "how many of those the receiver reported as applied",
    "devices": "what each device said of itself, by role; untrusted text",
    "units": "the same apart, by role, of devices that told; each has the following keys; untrusted text",
    "units.firmware": "the firmware's name",
    "units.version": "its version",
    "units.serial": "the device's serial number",
    "units.channels": "number of channels; of a witness, number of inputs",
    "units.packet_rate": "packets in a second, in Hz; null if it did not say",
    "notes": "lines about the run as a whole",
    "checks": "list, in the plan's order; each entry has the following keys",
    "checks.name": "the check's name in the plan",
    "checks.kind": "what kind of check it is",
    "checks.verdict": "pass, fail, inconclusive or error; none if it was not judged, as the plan allows",
    "checks.value": "measured value in `unit`; null if there is none, or if it is not finite (see `reason`)",
    "checks.interval": "[low, high] in `unit` at `confidence`, null for an open end; null if there is none",
    "checks.confidence": "confidence with which each end of the interval holds, a share of 1",
    "checks.uncertainty": "measurement uncertainty in `unit` by which the interval was widened",
    "checks.limit": "the limit in `unit`",
    "checks.side": "at least or at most: which side of the limit is good",
    "checks.margin": "distance from the limit in `unit`, positive on the good side",
    "checks.unit": "unit of the numbers above",
    "checks.samples": "number of things the value rests on",
    "checks.sample_unit": "what those things are",
    "checks.needed": "how many more of them would settle an inconclusive check, if that can be told",
    "checks.counts": "the whole numbers behind the value, by name",
    "checks.reason": "why the verdict is what it is",
    "checks.examples": "single events worth looking at",
    "checks.advice": "what to try next",
    "causes": "list: why figures may be bad or odd, the likeliest first; each entry has the following keys",
    "causes.key": "which kind of cause; never changes",
    "causes.title": "the cause in a sentence, with this run's numbers",
    "causes.explains": "names of the failed checks that it would explain; none for what is odd only",
    "causes.strength": "0 to 1: how strongly the recording speaks for it",
    "causes.speaks_for": "whole sentences: the evidence for it",
    "causes.speaks_against": "whole sentences: the evidence against it, or what stays open",
    "causes.next_step": "the experiment that would settle it",
    "causes.by_design": "true if it is no fault, but explains a figure that may surprise",
    "sections": "list: what was measured beside the checks; each entry has the following keys",
    "sections.key": "which section: clocks, latency, age, losses, delivery, failsafe, fidelity, telemetry, "
    "proof, limits, margin, lines or soak",
    "sections.title": "its heading",
    "sections.figures": "list of named numbers",
    "sections.figures.name": "what the number is",
    "sections.figures.value": "the number in `unit`; null if there is none, or if it is not finite",
    "sections.figures.unit": "unit of the value and its interval",
    "sections.figures.interval": "[low, high] at `confidence`, null for an open end; null if there is none",
    "sections.figures.confidence": "confidence with which each end holds, a share of 1",
    "sections.figures.note": "a few words, such as a standard's section",
    "sections.grids": "list of small tables",
    "sections.grids.title": "what the table shows",
    "sections.grids.heads": "a heading for each column, with its unit",
    "sections.grids.rows": "list of rows; cells are texts, numbers or null",
    "sections.grids.note": "a few words below it",
    "sections.notes": "whole sentences on how to read the section",
}
"""Every key and what it means; a dot leads into an object or into each entry of a list."""
FACT_MAX: Final = 2_000
"""Characters of one fact: all settings of a mock fit."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """One run's judgement, the header it was made under and the plan's title: what every report tells."""

    judgement: Judgement
    header: Header
    title: str


def verdict_document(outcome: Outcome) -> dict[str, object]:
    """Return the document as plain JSON values, keys as in `KEYS`. Pure: equal outcomes, equal documents."""
    judgement, header = outcome.judgement, outcome.header
    return {
        "format": FORMAT,
        "verdict": judgement.verdict.value,
        "exit_code": int(judgement.verdict.exit_code),
        "plan": {"name": header.plan_name, "title": outcome.title, "sha256": plan_sha256(header.plan_text)},
        "rig": {
            "name": header.rig_name,
            "hardware": header.hardware,
            "baud": {role.value: header.baud[role] for role in sorted(header.baud)},
            "facts": {name: clean(told, FACT_MAX) for name, told in sorted(header.facts.items())},
        },
        "seed": header.seed,
        "versions": dict(header.versions),
        "clock": header.clock,
        "started": label_of(header.wall_seconds) if header.wall_seconds else None,
        "link_seconds": float(judgement.link_seconds),
        "packets": {"sent": int(judgement.packets_sent), "applied": int(judgement.packets_applied)},
        "devices": dict(sorted(judgement.devices.items())),
        "units": {role: _unit(told) for role, told in sorted(judgement.units.items())},
        "notes": list(judgement.notes),
        "checks": [_check(result) for result in judgement.results],
        "causes": [_cause(cause) for cause in judgement.causes],
        "sections": [_section(section) for section in judgement.sections],
    }


def key_page() -> str:
    """Return the page that explains every key, in Markdown: `shared/verdict.md`."""
    rows = [f"| `{key}` | {about} |" for key, about in KEYS.items()]
    head = (
        "A dot leads into an object, or into each entry of a list. "
        "Written by `python -m harness.report.document`."
    )
    return (
        "\n".join(["# verdict.json, key by key", "", head, "", "| key | meaning |", "|---|---|", *rows])
        + "\n"
    )


def to_json(document: dict[str, object]) -> str:
    """Return the document as ASCII text, indented, keys in their order, with a newline at the end."""
    return json.dumps(_whole_text(document), indent=2, ensure_ascii=True, allow_nan=False) + "\n"


def _unit(told: Identity) -> dict[str, object]:
    return {
        "firmware": clean(told.firmware),
        "version": clean(told.version),
        "serial": clean(told.serial),
        "channels": told.channels,
        "packet_rate": told.packet_rate_mhz / 1000 if told.packet_rate_mhz else None,
    }


def _check(result: CheckResult) -> dict[str, object]:
    low, high = result.interval or (None, None)
    return {
        "name": result.name,
        "kind": result.kind,
        "verdict": result.verdict.value,
        "value": _finite(result.value),
        "interval": None if result.interval is None else [_finite(low), _finite(high)],
        "confidence": _finite(result.confidence),
        "uncertainty": _finite(result.uncertainty),
        "limit": _finite(result.limit),
        "side": result.side,
        "margin": _finite(result.margin),
        "unit": result.unit,
        "samples": int(result.samples),
        "sample_unit": result.sample_unit,
        "needed": None if result.needed is None else int(result.needed),
        "counts": {name: int(count) for name, count in sorted(result.counts.items())},
        "reason": _reason(result),
        "examples": list(result.examples),
        "advice": list(result.advice),
    }


def _cause(cause: Likely) -> dict[str, object]:
    return {
        "key": cause.key,
        "title": cause.title,
        "explains": list(cause.explains),
        "strength": float(cause.strength),
        "speaks_for": list(cause.speaks_for),
        "speaks_against": list(cause.speaks_against),
        "next_step": cause.next_step,
        "by_design": cause.by_design,
    }


def _section(section: Section) -> dict[str, object]:
    return {
        "key": section.key,
        "title": section.title,
        "figures": [_figure(figure) for figure in section.figures],
        "grids": [
            {
                "title": grid.title,
                "heads": list(grid.heads),
                "rows": [[_cell(cell) for cell in row] for row in grid.rows],
                "note": grid.note,
            }
            for grid in section.grids
        ],
        "notes": list(section.notes),
    }


def _figure(figure: Figure) -> dict[str, object]:
    low, high = figure.interval or (None, None)
    return {
        "name": figure.name,
        "value": _plain(figure.value),
        "unit": figure.unit,
        "interval": None if figure.interval is None else [_plain(low), _plain(high)],
        "confidence": _finite(figure.confidence),
        "note": figure.note,
    }


def _cell(cell: Cell) -> str | float | None:
    return cell if isinstance(cell, str) else _plain(cell)


def _plain(number: float | None) -> float | None:
    """Return a whole number as it is, any other as a float of Python's, null if it is not finite."""
    return int(number) if isinstance(number, numbers.Integral) else _finite(number)


def _finite(number: float | None) -> float | None:
    """JSON has no infinity and no NaN: they become null, and the reason tells."""
    return float(number) if number is not None and math.isfinite(number) else None


def _reason(result: CheckResult) -> str:
    """Return the reason, with a word on each number that null stands in for."""
    low, high = result.interval or (None, None)
    given = {
        "value": result.value,
        "interval's low end": low,
        "interval's high end": high,
        "uncertainty": result.uncertainty,
        "limit": result.limit,
    }
    odd = [f"the {name} is {_odd_word(number)}" for name, number in given.items() if _is_odd(number)]
    return f"{result.reason} ({', '.join(odd)})" if odd else result.reason


def _is_odd(number: float | None) -> bool:
    return number is not None and not math.isfinite(number)


def _odd_word(number: float | None) -> str:
    if number is None or math.isnan(number):
        return "not a number"
    return "infinite" if number > 0 else "minus infinite"


def _whole_text(value: object) -> object:
    """Replace halves of surrogate pairs, which strict JSON readers refuse, and escape what is not printable.

    JSON could hold it, but whoever reads the document may print its texts as they are.
    """
    if isinstance(value, str):
        return printable(value.encode("utf-16-le", "surrogatepass").decode("utf-16-le", "replace"))
    if isinstance(value, dict):
        return {_whole_text(key): _whole_text(item) for key, item in value.items()}
    return [_whole_text(item) for item in value] if isinstance(value, list) else value


if __name__ == "__main__":
    Path("shared/verdict.md").write_text(key_page(), encoding="utf-8")
