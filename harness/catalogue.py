"""How is the catalogue of defects told? As a list by what the pilot would feel, or one entry in full."""

from __future__ import annotations

import shlex
import textwrap
from collections.abc import Iterator, Sequence
from itertools import groupby

from harness.bench.mocked import Listed

WIDTH = 100


def listing(defects: Sequence[Listed], rig: str = "mock") -> str:
    """Return every defect of a rig, one a line, grouped by what the pilot would feel; the gravest marked."""
    width = max(len(defect.name) for defect in defects)
    lines: list[str] = []
    for felt, group in groupby(defects, key=lambda defect: str(defect.felt)):
        lines += ["", felt[:1].upper() + felt[1:]]
        lines += [f"  {defect.name:<{width}}  {_mark(defect)} {defect.wrong}" for defect in group]
    dangerous = sum(defect.severity == "dangerous" for defect in defects)
    serious = sum(defect.severity == "serious" for defect in defects)
    lines += [
        "",
        f"{len(defects)} defects: {dangerous} dangerous (!), {serious} serious (+), "
        f"{len(defects) - dangerous - serious} a nuisance.",
        f"`propsoff defects NAME{_rig_words(rig)}` tells one in full, "
        f"`propsoff run PLAN{_rig_words(rig)} --defect NAME` plays it.",
    ]
    return "\n".join(lines[1:]) + "\n"


def _mark(defect: Listed) -> str:
    return {"dangerous": "!", "serious": "+"}.get(defect.severity, " ")


def _rig_words(rig: str) -> str:
    """Return what names the rig on a command line; nothing for the usual one."""
    return "" if rig == "mock" else f" --rig {shlex.quote(rig)}"


def entry(defect: Listed, rig: str) -> str:
    """Return everything that is known of one defect."""
    command = f"propsoff run {defect.plan}{_rig_words(rig)} --defect {defect.name}"
    rows = (
        ("wrong", defect.wrong),
        ("comes from", defect.cause),
        ("the pilot feels", str(defect.felt)),
        ("severity", str(defect.severity)),
        ("caught by", f"the check {defect.caught_by} in the plan {defect.plan}"),
        ("near-miss", f"{defect.near_miss} (must pass)"),
        ("see it caught", command),
        ("and passed", f"{command} --near-miss"),
    )
    return "\n".join([defect.name, *(line for name, text in rows for line in _row(name, text))]) + "\n"


def _row(name: str, text: str) -> Iterator[str]:
    first, *rest = textwrap.wrap(text, WIDTH - 19, break_long_words=False, break_on_hyphens=False) or [""]
    yield f"  {name:<15}  {first}"
    yield from (f"{'':19}{line}" for line in rest)
