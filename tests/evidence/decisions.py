"""How often are verdicts wrong, and how many samples do they take? Tables and a figure from simulated runs.

    python tests/evidence/decisions.py        # some ten minutes; writes decisions.md and decisions.svg
    python tests/evidence/decisions.py 50     # fewer runs of each cell: a look, nothing written

The figure needs matplotlib: `pip install -e .[evidence]`.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import decision_trials as t

from harness.bench.rig import parse_rig
from harness.clock import MS
from harness.plan.reader import parse_plan
from harness.report.folder import RunFolder
from harness.report.live import Quiet
from harness.running import Request, run
from harness.verdict import Verdict

RUNS: Final = 2_000
"""Monte-Carlo error of a share of 5 %: 0.5 points, one standard deviation."""
SETTLE_RUNS: Final = 60
BENCH_RUNS: Final = 12
OUT: Final = Path(__file__).with_suffix(".md")
FIGURE: Final = OUT.with_suffix(".svg")
SERIES: Final = (("passed", "#1b7837", "-"), ("open", "#777777", ":"), ("failed", "#b2182b", "--"))

Cells = Iterable[Sequence[str]]


def table(head: Sequence[str], rows: Cells) -> Iterator[str]:
    """Yield a Markdown table."""
    yield "| " + " | ".join(head) + " |"
    yield "|" + "|".join("---" for _ in head) + "|"
    for row in rows:
        yield "| " + " | ".join(row) + " |"


def percent(share: float) -> str:
    """A share in per cent, to a tenth."""
    return f"{100 * share:.1f} %"


def true_value(what: str, truth: float) -> str:
    """A true value with its unit."""
    return f"{truth / MS:.1f} ms" if what == "latency" else f"{100 * truth:.4g} %"


def limit_words(question: t.Question) -> str:
    """The limit and the samples of one run."""
    limit = true_value(question.what, t.LIMITS[question.what])
    count = question.count
    return {
        "delivery": f"At most {limit} lost; {count} packets a run",
        "latency": f"95th percentile at most {limit}, clocks to {t.SLACK_NS / MS:g} ms; {count} packets",
        "failsafe entry": f"{limit} of cuts shown to be in time; {count} cuts a run",
    }[question.what]


# -- the parts of the page -----------------------------------------------------------------------------------


def curve_lines(question: t.Question, points: Sequence[t.Point]) -> Iterator[str]:
    """Yield one operating characteristic."""
    yield f"### {question.what.capitalize()}, {question.pattern}"
    yield ""
    yield f"{limit_words(question)}."
    yield ""
    rows = []
    for one in points:
        mark = " (limit)" if one.truth == t.LIMITS[question.what] else ""
        truth = true_value(question.what, one.truth) + mark
        rows.append((truth, percent(one.passed), percent(one.open), percent(one.failed)))
    yield from table((question.unit, "pass", "inconclusive", "fail"), rows)
    yield ""


def clocks_lines(runs: int) -> Iterator[str]:
    """Yield what clocks cost that are out by as much as their bound."""
    rows = []
    for place, (pattern, length) in enumerate(t.PATTERNS.items()):
        rows.append((pattern, *map(percent, t.clocks_out(place, length, runs))))
    yield from table(("slow packets", "wrong pass", "wrong fail"), rows)
    yield ""


def ways_lines(runs: int) -> Iterator[str]:
    """Yield what looking more than once costs and risks."""
    losses = t.LOOK_LOSSES
    head = ["decision", "losses", "wrong pass", "wrong fail"]
    head += [f"packets at {100 * loss:.4g} %" for loss in losses]
    rows = []
    for row, (name, pattern, way) in enumerate(t.ways()):
        points = [t.point(way, loss, runs, 2, row, number) for number, loss in enumerate(losses)]
        limit = points[losses.index(t.LOSS_ALLOWED)]
        good = points[losses.index(t.GOOD_LOSS)] if way is t.sequential else limit
        cells = [f"{one.samples:.0f} ({percent(one.open)} open)" for one in points]
        rows.append((name, pattern, percent(limit.passed), percent(good.failed), *cells))
    yield from table(head, rows)
    yield ""


def settle_lines(runs: int) -> Iterator[str]:
    """Yield what becomes of runs that go on by as much as they were told."""
    rows = []
    for place, question in enumerate(t.questions(**t.NEEDED_COUNTS)):
        for number, truth in enumerate(t.NEEDED_TRUTHS[question.what]):
            found = t.settle(place, number, question, truth, runs)
            what = f"{question.what}, {question.count} samples"
            rows.append(
                (what, question.pattern, true_value(question.what, truth), percent(found.told),
                 f"{found.median:.0f}", percent(found.settled) if found.told else "")
            )  # fmt: skip
    head = ("decision", "bad ones", "true value", "left open with a number", "its median", "then settled")
    yield from table(head, rows)
    yield ""


BENCH_PLAN: Final = """\
propsoff: 1
title: Delivery at a limit
link:
  packet_rate: 50 Hz
  channels: {elevon: {failsafe: centre}}
  failsafe: {within: 500 ms}
extend: EXTEND
steps: [wander: {for: 12 s}]
checks: [delivery: {at_least: 90 %}]
"""
BENCH_LOSSES: Final = (4, 7, 9, 10, 11, 13, 17)


def bench_verdicts(loss: int, extend: str, runs: int) -> tuple[list[Verdict], float]:
    """Return delivery's verdicts of whole runs on the simulated bench, and the mean number of packets."""
    plan = parse_plan(BENCH_PLAN.replace("EXTEND", extend), "limit.yaml")
    text = f"propsoff_rig: 1\nbench: mock\nmock: {{loss: {loss} %, retransmit_limit: 0}}\n"
    verdicts, samples = [], 0
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(runs):
            request = Request(plan, "limit.yaml", parse_rig(text, "limit-rig.yaml"), t.SEED + seed)
            with RunFolder.create(Path(folder) / f"run-{seed}") as out:
                delivery = run(request, out, Quiet()).outcome.judgement.results[0]
            verdicts.append(delivery.verdict)
            samples += delivery.samples
    return verdicts, samples / runs


def bench_lines(runs: int) -> Iterator[str]:
    """Yield the verdicts of whole runs through the simulated bench, without and with `extend`."""
    rows = []
    for loss in BENCH_LOSSES:
        cells = [f"{loss} %" + " (limit)" * (loss == 10)]
        for extend in ("false", "true"):
            verdicts, samples = bench_verdicts(loss, extend, runs)
            kinds = (Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL)
            cells += [" / ".join(str(verdicts.count(kind)) for kind in kinds), f"{samples:.0f}"]
        rows.append(cells)
    head = ("packets lost", "played once: pass / inconclusive / fail", "packets")
    yield from table((*head, "with `extend: true`", "packets"), rows)
    yield ""


def page(curves: Sequence[tuple[t.Question, Sequence[t.Point]]], runs: int) -> str:
    """Return the whole page."""
    settled = SETTLE_RUNS * runs // RUNS
    lines = [
        "# Operating characteristics of the decisions",
        "",
        f"Written by `python tests/evidence/decisions.py`: {runs} simulated runs in each cell, seed",
        f"{t.SEED}, confidence {percent(float(t.CONFIDENCE))}. Every verdict comes from the functions that",
        f"judge recordings. Bursts are those of a two-state chain, {t.BURST:g} packets long on average.",
        "`decisions.svg` shows the curves.",
        "",
        "A link exactly at its limit may pass wrongly with at most 5 %, and fail wrongly with at most 5 %.",
        "All else is inconclusive. The simulation knows a share of 5 % to 0.5 points (one standard",
        "deviation).",
        "",
        "## One look",
        "",
    ]
    for question, points in curves:
        lines += curve_lines(question, points)
    lines += [*ENTRY_NOTE, "", *CLOCKS_NOTE, ""]
    lines += clocks_lines(runs)
    lines += ["## Several looks", "", *WAYS_NOTE, ""]
    lines += ways_lines(runs)
    lines += ["## What `needed` is worth", "", *NEEDED_NOTE.format(runs=settled).splitlines(), ""]
    lines += settle_lines(settled)
    lines += ["## Through the whole harness", "", *BENCH_NOTE.format(runs=bench_runs(runs)).splitlines(), ""]
    lines += bench_lines(bench_runs(runs))
    return "\n".join(lines).rstrip() + "\n"


def bench_runs(runs: int) -> int:
    """Whole runs of each cell."""
    return max(2, BENCH_RUNS * min(runs, RUNS) // RUNS)


ENTRY_NOTE: Final = (
    "A cut whose failsafe certainly came too late fails the check, however few they are: the time holds for",
    "every cut. So a receiver at the limit is wrong only in passing, and one that is always in time never",
    "fails.",
)
CLOCKS_NOTE: Final = (
    "### Latency at its limit, clocks out by their whole bound",
    "",
    f"The clocks above happen to be right. Here every time is {t.SLACK_NS / MS:g} ms too short "
    "(wrong pass) or",
    "too long (wrong fail), the most that their bound allows.",
)
WAYS_NOTE: Final = (
    f"Delivery, at most 1 % lost, rounds of {t.ROUND} packets. A run with `extend` looks after",
    f"{', '.join(map(str, t.ROUNDS))} rounds and stops at the first verdict. Its looks share the risk",
    f"({', '.join(str(one) for one in t.risk_shares(len(t.ROUNDS)))}), so that all of them together keep it.",
    "The naive run looks after every round with the whole risk each time: it shows why the risk must be",
    "shared. Wrong pass and wrong fail are those of a link at the limit.",
    "",
    "Wald's test knows a second share, 0.5 % lost, from which it tells 1 %; its wrong fail is that of a link",
    "with 0.5 % lost. It needs single losses, so it is the yardstick only. By Wald's formula it takes",
    f"{t.WALD.average_samples(t.GOOD_LOSS):.0f} packets on average at 0.5 % and "
    f"{t.WALD.average_samples(t.LOSS_ALLOWED):.0f} at 1 %; one look that tells them apart as surely",
    f"takes {t.fixed_number()}.",
)
NEEDED_NOTE: Final = """\
Runs that were left open and said how many samples would settle them, gone on with by that number and judged
as a whole; {runs} runs in each cell. The number is what settles it if the rest goes as the samples so far,
so about every second run should be settled by it."""
BENCH_NOTE: Final = """\
Whole runs on the simulated bench, recorded and judged from the file: delivery of at least 90 % over rounds of
12 s, {runs} seeds in each cell."""


def draw_figure(curves: Sequence[tuple[t.Question, Sequence[t.Point]]]) -> None:
    """Write the curves as SVG; equal curves give equal bytes."""
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams.update({"svg.hashsalt": "propsoff", "svg.fonttype": "none", "font.size": 9})
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(
        1, len(curves), figsize=(3.1 * len(curves), 3.2), sharey=True, layout="constrained"
    )
    for axis, (question, points) in zip(axes, curves, strict=True):
        draw_curve(axis, question, points)
    axes[0].set_ylabel("share of runs")
    axes[0].legend(["pass", "inconclusive", "fail"], loc="center right", frameon=False)
    figure.savefig(FIGURE, format="svg", metadata={"Date": None, "Creator": None})
    plt.close(figure)


def draw_curve(axis: Any, question: t.Question, points: Sequence[t.Point]) -> None:
    """Draw one operating characteristic."""
    scale = 1 / MS if question.what == "latency" else 100.0
    for name, colour, style in SERIES:
        axis.plot(
            [one.truth * scale for one in points], [getattr(one, name) for one in points],
            color=colour, linestyle=style, marker=".", markersize=4,
        )  # fmt: skip
    axis.axvline(t.LIMITS[question.what] * scale, color="black", linewidth=0.8)
    axis.axhline(t.RISK, color="black", linewidth=0.4)
    axis.set_title(f"{question.what}\n{question.pattern}", fontsize=9)
    axis.set_xlabel(f"true {question.unit}, {'ms' if question.what == 'latency' else '%'}")


def main(arguments: Sequence[str]) -> None:
    """Simulate, print, and write both files unless a number of runs was given."""
    runs = int(arguments[0]) if arguments else RUNS
    curves = [(one, t.curve(place, one, runs)) for place, one in enumerate(t.questions())]
    text = page(curves, runs)
    print(text, end="")
    if not arguments:
        OUT.write_text(text, encoding="utf-8")
        draw_figure(curves)


if __name__ == "__main__":
    main(sys.argv[1:])
