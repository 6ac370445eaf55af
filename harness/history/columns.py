"""Which columns do exported tables have? One row for each check of each run; every column with its unit."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

from harness.history.entry import CheckEntry
from harness.history.rows import RunRow

Type = Literal["text", "number", "whole", "flag", "time"]
Cell = str | float | int | bool | None


@dataclass(frozen=True, slots=True)
class Column:
    """One column: what it holds and how to take it from a run and one of its checks."""

    name: str
    type: Type
    about: str
    of: Callable[[RunRow, CheckEntry | None], Cell]


def _run(name: str) -> Callable[[RunRow, CheckEntry | None], Cell]:
    return lambda run, _check: _cell(getattr(run, name))


def _check(name: str) -> Callable[[RunRow, CheckEntry | None], Cell]:
    return lambda _run, check: None if check is None else _cell(getattr(check, name))


def _cell(value: Any) -> Cell:
    return None if value == "" else value


def _margin(_run: RunRow, check: CheckEntry | None) -> Cell:
    if check is None or check.value is None or check.limit is None:
        return None
    return check.value - check.limit if check.side == "at least" else check.limit - check.value


COLUMNS: Final = (
    Column("folder", "text", "run folder, below the folder that was listed", _run("folder")),
    Column("at", "time", "when the run was, in UTC: see `ordered_by`", _run("at_s")),
    Column(
        "ordered_by", "text", "`start`, or `file time` (of verdict.json) where the run was simulated",
        lambda run, _check: "start" if run.dated else "file time",
    ),
    Column("unit", "text", "name of the unit, else serial numbers, else all that devices say", _run("unit")),
    Column("module", "text", "transceiver module, if somebody named it", _run("module")),
    Column("firmware", "text", "name and version of the firmware of both devices", _run("firmware")),
    Column("plan", "text", "the plan's name", _run("plan")),
    Column("plan_sha256", "text", "SHA-256 of the plan's text, in hexadecimal", _run("plan_sha256")),
    Column("rig", "text", "the rig's name", _run("rig")),
    Column("hardware", "flag", "whether real devices were driven", _run("hardware")),
    Column("seed", "whole", "the seed that all chance came from", _run("seed")),
    Column("propsoff", "text", "version that made the recording", _run("version")),
    Column("verdict", "text", "the run's verdict", _run("verdict")),
    Column("link_seconds", "number", "link time of the run, in s", _run("link_seconds")),
    Column("packets_sent", "whole", "packets sent in the run", _run("sent")),
    Column("packets_applied", "whole", "packets applied in the run", _run("applied")),
    Column("check", "text", "the check's name; empty where a run has none", _check("name")),
    Column("kind", "text", "kind of check", _check("kind")),
    Column("check_verdict", "text", "the check's verdict", _check("verdict")),
    Column("value", "number", "the figure, in `value_unit`", _check("value")),
    Column("low", "number", "lower end of its interval, in `value_unit`", _check("low")),
    Column("high", "number", "upper end of its interval, in `value_unit`", _check("high")),
    Column("confidence", "number", "confidence of each end, a share of 1", _check("confidence")),
    Column("uncertainty", "number", "measurement uncertainty, in `value_unit`", _check("uncertainty")),
    Column("limit", "number", "the limit, in `value_unit`", _check("limit")),
    Column("side", "text", "`at least` or `at most`: which side of the limit is good", _check("side")),
    Column("margin", "number", "distance from the limit, positive if good, in `value_unit`", _margin),
    Column("value_unit", "text", "unit of the numbers above", _check("unit")),
    Column("samples", "whole", "how many things the figure rests on", _check("samples")),
    Column("sample_unit", "text", "what those are", _check("sample_unit")),
    Column("needed", "whole", "how many more would settle an inconclusive check", _check("needed")),
)  # fmt: skip


def page() -> str:
    """Return the page that explains the columns, in Markdown: `shared/history.md`."""
    rows = [f"| `{column.name}` | {column.type} | {column.about} |" for column in COLUMNS]
    head = (
        "One row for each check of each run, as `propsoff history --csv FILE` and `--parquet FILE` write "
        "them. Runs stand by unit, firmware and plan, the oldest first; checks in the plan's order. What is "
        "not known is empty (CSV) or null (Parquet). Written by `python -m harness.history.columns`.\n\n"
        "CSV is RFC 4180 in UTF-8, with a line of headings. Spreadsheets take cells that begin with `=`, "
        "`+`, `-` or `@` for formulas: a text that begins so, or with `'`, gets a `'` in front; take one "
        "away to have the text again. Numbers are never changed. Times are written as `2026-11-25T10:00:00Z` "
        "in CSV, and are timestamps in Parquet, where each column carries its explanation as `about`."
    )
    table = ["| column | type | meaning |", "|---|---|---|", *rows]
    return "\n".join(["# Columns of exported histories", "", head, "", *table]) + "\n"


if __name__ == "__main__":
    Path("shared/history.md").write_text(page(), encoding="utf-8")
