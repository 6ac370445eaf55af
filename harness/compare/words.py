"""How is a comparison told? As lines for a terminal, and as a short table for a pull request."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

from harness.compare.answers import FEW, Answer, Compared, Counted
from harness.compare.comparison import Comparison
from harness.compare.sides import Side
from harness.escape import clean
from harness.plan.wording import many

HEADS: Final = (
    "figure",
    "answer",
    "base",
    "candidate",
    "difference",
    "interval",
    "worse by at most",
    "margin",
)
WIDTH: Final = 99
EXPLAINED: Final = (
    "Better: the whole interval is on the good side of 0. No worse: worse by less than the margin, at "
    "{confidence}. Worse: the whole interval is on the bad side of 0, and it is not shown to be within the "
    "margin. Cannot tell: none of these. The intervals hold all together at {confidence}, however many "
    "figures are looked at; what clocks leave open is in them."
)
FLIGHT: Final = (
    "No worse is not permission to fly: it holds for this bench, these devices and these steps. Propellers "
    "off, model restrained, supply current-limited, lithium batteries watched."
)


def headline(found: Comparison) -> str:
    """Return the answer for all in one line."""
    if found.answer is None:
        return "NOT COMPARABLE"
    return f"{str(found.answer).upper()}: {summary(found)}"


def summary(found: Comparison) -> str:
    """Return what is worse by name, and how many have each other answer."""
    counted = [(answer, names(found, answer)) for answer in Answer]
    worse = names(found, Answer.WORSE)
    parts = [f"{len(each)} {answer}" for answer, each in counted if each and answer is not Answer.WORSE]
    told = f"{', '.join(worse)}; " if worse else ""
    return f"{told}{', '.join(parts)}".rstrip("; ")


def names(found: Comparison, answer: Answer) -> list[str]:
    """Return the figures and faults with an answer."""
    return [one.figure.title for one in found.figures if one.answer is answer] + [
        clean(one.fault.title) for one in found.faults if one.answer is answer
    ]


def text(found: Comparison) -> str:
    """Return the whole comparison for a terminal or a file."""
    lines = [headline(found), "", *_side("base", found.base), *_side("candidate", found.candidate), ""]
    if found.against:
        lines += ["These runs cannot be held against each other:"]
        lines += [_wrapped(f"* {reason}", "  ") for reason in found.against]
    else:
        lines += [*_table([HEADS, *map(cells, found.figures)]), "", *_faults(found.faults)]
        reasons = [_wrapped(line) for line in _reasons(found)]
        lines += [*reasons, ""] if reasons else []
        lines += [_wrapped(EXPLAINED.format(confidence=f"{100 * found.confidence:g} %"))]
    if found.told:
        lines += ["", "What differs besides:", *(_wrapped(f"* {line}", "  ") for line in found.told)]
    for note in (*found.notes, FLIGHT):
        lines += ["", _wrapped(note)]
    return "\n".join(lines) + "\n"


def _side(name: str, side: Side) -> Iterator[str]:
    seeds = ", ".join(str(run.header.seed) for run in side.runs[:8])
    more = ", ..." if len(side.runs) > 8 else ""
    plan = clean(side.runs[0].header.plan_name)
    yield (
        f"{name + ':':<10} {clean(side.words)}: {many(len(side.runs), 'run')} of {plan} on rig "
        f"{clean(side.runs[0].header.rig_name)}, {'seeds' if len(side.runs) > 1 else 'seed'} {seeds}{more}"
    )


def _wrapped(line: str, indent: str = "") -> str:
    return textwrap.fill(
        line, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )


def _table(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]


def cells(one: Compared) -> tuple[str, ...]:
    """Return a figure's row, under `HEADS`."""
    unit = f" {one.figure.unit}" if one.figure.unit else ""
    difference = "" if math.isnan(one.difference) else f"{_number(one, one.difference, '+')}{unit}"
    return (
        one.figure.title,
        answer_words(one),
        f"{_number(one, one.base)}{unit}",
        f"{_number(one, one.candidate)}{unit}",
        difference,
        _interval(one, unit),
        _most(one, unit),
        f"{one.margin:.4g}{unit}",
    )


def _interval(one: Compared, unit: str) -> str:
    low, high = one.interval
    if math.isinf(low) and math.isinf(high):
        return "unknown"
    if math.isinf(low) or math.isinf(high):
        known, word = (high, "at most") if math.isinf(low) else (low, "at least")
        return f"{word} {_number(one, known, '+')}{unit}"
    return f"{_number(one, low, '+')} to {_number(one, high, '+')}{unit}"


def _most(one: Compared, unit: str) -> str:
    if math.isinf(one.most):
        return "unknown"
    return f"{_number(one, one.most)}{unit}" if one.most > 0 else "not at all"


def answer_words(one: Compared) -> str:
    """Return the answer with what qualifies it."""
    if one.slight:
        return f"{one.answer} (slightly)"
    return f"{one.answer} (beyond margin)" if one.beyond else str(one.answer)


def _number(one: Compared, value: float, sign: str = "") -> str:
    """Return a number with as many digits as its margin deserves."""
    if math.isnan(value):
        return "none"
    places = max(0, 2 - math.floor(math.log10(one.margin))) if one.margin > 0 else 3
    text = f"{value:{sign}.{min(places, 6)}f}"
    return text if float(text) else text.lstrip("+-")


def _faults(faults: Sequence[Counted]) -> list[str]:
    """Return the counts of faults: those that were seen one by one, the rest in one line."""
    seen = [one for one in faults if one.base[0] or one.candidate[0]]
    none = [clean(one.fault.title) for one in faults if one not in seen]
    lines = []
    if seen:
        heads = ("fault", "answer", "base", "candidate")
        rows = [(clean(one.fault.title), str(one.answer), _of(one.base), _of(one.candidate)) for one in seen]
        lines += [*_table([heads, *rows]), ""]
    if none:
        lines += [_wrapped(f"None on either side: {', '.join(none)}."), ""]
    return lines


def _of(counted: tuple[int, int]) -> str:
    return f"{counted[0]} of {counted[1]}"


def _reasons(found: Comparison) -> Iterator[str]:
    for one in found.figures:
        if one.answer in (Answer.CANNOT_TELL, Answer.WORSE):
            yield f"{one.figure.title}: {reason(one)}{_beside(found, one)}"
    for fault in found.faults:
        if fault.trouble == FEW:
            title = clean(fault.fault.title)
            yield f"{title}: cannot tell: only {_of(fault.candidate)} in the candidate; {FEW}"
    yield from (f"{line}: cannot tell" for line in found.missing)


def _beside(found: Comparison, one: Compared) -> str:
    if one.figure.key in found.beside and one.answer is Answer.CANNOT_TELL:
        return " (no check of the plan judges it, so the answer does not wait for it)"
    return ""


def reason(one: Compared) -> str:
    """Return in words why an answer is what it is, and what would settle it."""
    unit = f" {one.figure.unit}" if one.figure.unit else ""
    if one.trouble:
        return "cannot tell: trouble on the bench"
    if one.answer is Answer.WORSE:
        least = min(abs(end) for end in one.interval)
        beyond = ", more than the margin allows" if one.beyond else ""
        return f"worse by {_number(one, least)}{unit} at least{beyond}"
    if one.bounds >= one.margin:
        return (
            f"cannot tell: the clocks leave {_number(one, one.bounds)}{unit} of the difference open, and the "
            f"margin is {one.margin:.4g}{unit}: no number of runs will tell, a larger --margin "
            f"{one.figure.key} may"
        )
    more = (
        f"; about {many(one.more_runs, 'run')} a side like these would show no worse" if one.more_runs else ""
    )
    if not all(map(math.isfinite, one.interval)) or math.isinf(one.most):
        return f"cannot tell: too few samples for an interval ({one.counts[0]} and {one.counts[1]}){more}"
    most = f"{_number(one, one.most)}{unit}"
    return f"cannot tell: it may be worse by up to {most}, and may be no worse at all{more}"


def markdown(found: Comparison) -> str:
    """Return a short table for a pull request: what is not plainly no worse first, the rest folded."""
    lines = [f"### {_quoted(headline(found))}", ""]
    if found.against:
        lines += [f"- {_quoted(reason)}" for reason in found.against]
        return "\n".join(lines) + "\n"
    loud = [one for one in found.figures if one.answer is not Answer.NO_WORSE]
    calm = [one for one in found.figures if one.answer is Answer.NO_WORSE]
    lines += _grid(loud)
    bad = [one for one in found.faults if one.candidate[0] or one.base[0]]
    lines += [
        f"- **{one.answer}**: {_quoted(one.fault.title)}: {_of(one.base)} before, {_of(one.candidate)} now"
        for one in bad
    ]
    if bad:
        lines.append("")
    if calm:
        lines += [
            f"<details><summary>{many(len(calm), 'figure')} no worse</summary>",
            "",
            *_grid(calm),
            "</details>",
            "",
        ]
    words = (
        f"base {found.base.words}, candidate {found.candidate.words}, {100 * found.confidence:g} % confidence"
    )
    lines += [_quoted(words)]
    return "\n".join(lines) + "\n"


def _grid(figures: Sequence[Compared]) -> list[str]:
    if not figures:
        return []
    picked = (0, 1, 2, 3, 4, 5, 7)
    rows = [[HEADS[place] for place in picked]]
    rows += [[cells(one)[place] for place in picked] for one in figures]
    lines = [f"| {' | '.join(map(_quoted, row))} |" for row in rows]
    return [lines[0], f"|{'---|' * len(picked)}", *lines[1:], ""]


def _quoted(words: str) -> str:
    """Return text that Markdown takes as it stands: a folder or a check may be called anything."""
    return "".join(f"\\{char}" if char in "\\`*_[]<>|#&~" else char for char in clean(words))
