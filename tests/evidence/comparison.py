"""How often does `propsoff compare` raise a false alarm, and what does it see? Tables from simulated pairs.

PYTHONPATH=. python tests/evidence/comparison.py        # some eight minutes; writes comparison.md
PYTHONPATH=. python tests/evidence/comparison.py 50     # fewer pairs of each row: a look, nothing written
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import comparison_runs as r
import comparison_world as w

from harness.compare.answers import Answer, Compared, compare_figure
from harness.compare.comparison import compare
from harness.compare.figures import BY_KEY, FIGURES
from harness.compare.margins import margin_for
from harness.compare.samples import Sample
from harness.plan.find import find_plan
from harness.plan.reader import load_plan
from harness.stats.binomial import clopper_pearson

PAIRS: Final = 2_000
PLAYED: Final = 40
CONFIDENCE: Final = 0.95
OUT: Final = Path(__file__).with_suffix(".md")
SINGLE: Final = w.World()
FADES: Final = w.World(burst=6.0)
LATENCY: Final = ("latency_p50", "latency_p90")
FAILSAFE: Final = ("failsafe_entry", "failsafe_worst")
PLANS: Final = ("regression", "acceptance", "failsafe")


Run = dict[str, Sample]


@dataclass(frozen=True, slots=True)
class Row:
    """A kind of pair: the base's world, what changes, the plan, figures (none: all), runs a side."""

    name: str
    world: w.World
    plan: str
    change: str = ""
    only: tuple[str, ...] = ()
    runs: int = 1


HEALTHY: Final = (
    *(Row("single losses", SINGLE, plan) for plan in PLANS),
    Row("single losses, perfect clocks", replace(SINGLE, clock_ms=0.0), "regression"),
    Row("fades of 6 packets", FADES, "regression"),
)
DIFFERING: Final = (
    Row("runs that differ by 0.5 ms, 3 a side", replace(SINGLE, clock_ms=0.0, between_ms=0.5), "regression",
        only=("latency_p50",), runs=3),
    Row("runs that differ by 0.5 ms, 1 a side", replace(SINGLE, clock_ms=0.0, between_ms=0.5), "regression",
        only=("latency_p50",)),
)  # fmt: skip
CHANGED: Final = (
    *(Row("single losses", SINGLE, plan, "1 % more packets lost", ("delivery",)) for plan in PLANS),
    Row("single losses", SINGLE, "regression", "2 % more packets lost", ("delivery",)),
    Row("fades of 6 packets", FADES, "regression", "1 % more packets lost", ("delivery",)),
    Row("fades of 6 packets, 8 runs a side", FADES, "regression", "1 % more packets lost", ("delivery",), 8),
    *(Row("clocks to 0.9 ms", SINGLE, plan, "latency 2 ms longer", LATENCY) for plan in PLANS),
    Row("clocks to 0.9 ms", SINGLE, "regression", "latency 3 ms longer", LATENCY),
    Row("clocks to 0.9 ms", SINGLE, "regression", "latency 4 ms longer", LATENCY),
    Row("clocks to 0.25 ms", replace(SINGLE, clock_ms=0.25), "regression", "latency 2 ms longer", LATENCY),
    *(Row("entry anywhere in 20 ms", SINGLE, plan, "failsafe 20 ms later", FAILSAFE) for plan in PLANS),
)  # fmt: skip
LINK: Final = load_plan(find_plan("regression")).link


def one_pair(row: Row, number: int) -> list[Compared]:
    """One pair, compared as the command does; the risk is shared over all figures in any case."""
    rng = w.generator(number, f"comparison/{row.name}/{row.plan}/{row.change}")
    worlds = row.world, w.changed(row.world, row.change) if row.change else row.world
    base, candidate = (
        [w.one_run(world, row.plan, rng, row.only) for _ in range(row.runs)] for world in worlds
    )
    return [
        compare_figure(
            BY_KEY[key], [run[key] for run in base], [run[key] for run in candidate],
            _margin(key, base, candidate), CONFIDENCE, len(FIGURES),
        )
        for key in base[0]
    ]  # fmt: skip


def _margin(key: str, base: Sequence[Run], candidate: Sequence[Run]) -> float:
    bounds = sum(max(run[key].bound for run in side) for side in (base, candidate))
    return margin_for(BY_KEY[key], LINK, {}, bounds)


def answers(row: Row, pairs: int) -> Counter[str]:
    """In how many pairs any figure had each answer, and in how many all were at least no worse."""
    found: Counter[str] = Counter()
    for number in range(pairs):
        given = {one.answer for one in one_pair(row, number)}
        found.update(str(answer) for answer in given)
        found["all"] += given <= {Answer.NO_WORSE, Answer.BETTER}
    return found


def rate(count: int, pairs: int) -> str:
    """A share with its exact 95 % interval."""
    low, high = clopper_pearson(count, pairs, 0.95)
    return f"{100 * count / pairs:.1f} % ({100 * low:.1f} to {100 * high:.1f})"


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Yield a Markdown table."""
    yield "| " + " | ".join(heads) + " |"
    yield "|" + "|".join("---" for _ in heads) + "|"
    for row in rows:
        yield "| " + " | ".join(row) + " |"


def healthy_rows(rows: Sequence[Row], pairs: int) -> Iterator[list[str]]:
    """False alarms."""
    for row in rows:
        found = answers(row, pairs)
        yield [row.plan, row.name, *(rate(found[key], pairs) for key in ("worse", "better", "all"))]


def changed_rows(pairs: int) -> Iterator[list[str]]:
    """What is seen of a change."""
    for row in CHANGED:
        count = pairs if row.runs == 1 else max(1, pairs // 4)
        found = answers(row, count)
        seen, missed = rate(found["worse"], count), rate(found["all"], count)
        yield [row.change, row.plan, row.name, seen, missed]


LOSSY: Final = r.rig_text(loss="0.3 %", retransmit_limit="0", usb_latency="1 ms", receiver_skew_ppm="40")
WORSE_RIG: Final = r.rig_text(loss="3.3 %", retransmit_limit="0", usb_latency="1 ms", receiver_skew_ppm="40")
SLOWER: Final = r.rig_text(
    loss="0.3 %", retransmit_limit="0", usb_latency="1 ms", receiver_skew_ppm="40", receiver_loop="4500 us"
)


def played_rows(pairs: int) -> Iterator[list[str]]:
    """Complete runs on the mock: plan, bench, recording, judging, comparing."""
    base = [r.play("first-look", 1000 + number, LOSSY) for number in range(pairs)]
    kinds = (
        ("nothing", LOSSY, None),
        ("3 % more packets lost", WORSE_RIG, None),
        ("receiver's loop 4.5 ms longer", SLOWER, None),
        ("failsafe 45 ms later (`failsafe-late`)", LOSSY, "failsafe-late"),
    )
    for name, text, defect in kinds:
        count = pairs if name == "nothing" else max(1, pairs // 4)
        found: Counter[str] = Counter()
        for number in range(count):
            run = r.play("first-look", 2000 + number, text, defect)
            result = compare(r.side("base", base[number]), r.side("candidate", run), {}, CONFIDENCE)
            given = {one.answer for one in (*result.figures, *result.faults)}
            found.update(str(answer) for answer in given)
            found["all"] += result.answer in (Answer.NO_WORSE, Answer.BETTER)
        yield [name, str(count), *(rate(found[key], count) for key in ("worse", "better", "all"))]


HEAD: Final = """\
# How often is a comparison wrong?

Written by `tests/evidence/comparison.py`; a test simulates a few rows again. Each share of pairs stands
with its exact 95 % interval. Margins are the default ones, confidence is 95 %, one run a side unless it
says otherwise. The world that is simulated stands in `comparison_world.py`.

## Nothing changed: {pairs} pairs a row

Promised: at most 5 % of pairs with any `worse` or any `better`, over all figures. Clock maps are out by
up to their bound of 0.9 ms, unless they are perfect; the bound is allowed for in full, so that there are
fewer.
"""
RUNS_DIFFER: Final = """
Runs of a real bench differ from start to start. One run a side cannot know that, and says so; three a side
can.
Median latency alone, perfect clocks, base delays that differ from run to run by 0.5 ms (standard deviation):
"""
CHANGES: Final = """
## Something changed: {pairs} pairs a row, a quarter of that with 8 runs a side

Seen: any of the figures that the change must show in says `worse`, at the risk shared with all others.
No worse: all of them say so; promised is at most 5 % for a change as large as the margin and more: 1 %
of packets, 20 ms, and for latency 2 ms or 1.6 times what both clocks leave open (2.9 ms with bounds of
0.9 ms, so that 2 ms are within the margin there). The rest cannot tell.
"""
COMPLETE: Final = """
## Complete runs on the mock

The plan `first-look`, 44 s of link time, on a rig that loses 0.3 % of packets; recorded, judged and compared.
"""


def page(pairs: int, played: int) -> Iterator[str]:
    """The whole page."""
    healthy = ("plan", "world", "worse anywhere", "better anywhere", "no worse in all")
    yield HEAD.format(pairs=pairs)
    yield from table(healthy, list(healthy_rows(HEALTHY, pairs)))
    yield RUNS_DIFFER
    yield from table(("plan", "world", "worse", "better", "no worse"), list(healthy_rows(DIFFERING, pairs)))
    yield CHANGES.format(pairs=pairs)
    yield from table(("change", "plan", "world", "seen", "no worse"), list(changed_rows(pairs)))
    yield COMPLETE
    yield from table(("change", "pairs", *healthy[2:]), list(played_rows(played)))


def main() -> None:
    """Write the page, or print it from fewer pairs."""
    few = int(sys.argv[1]) if len(sys.argv) > 1 else 0
    text = "\n".join(page(few or PAIRS, max(1, few // 10) if few else PLAYED)) + "\n"
    if few:
        print(text)
    else:
        OUT.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
