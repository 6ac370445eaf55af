"""What came of a whole comparison? Whether it may be made, every figure's answer, and one for all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from harness.compare.answers import Answer, Compared, Counted, compare_faults, compare_figure, overall
from harness.compare.comparable import reasons_against, told_differences
from harness.compare.figures import FIGURES, Figure
from harness.compare.margins import margin_for
from harness.compare.sides import RunSeen, Side, without_copies
from harness.escape import clean
from harness.plan.model import Link
from harness.plan.wording import many
from harness.stats.difference import tolerance_share

JUDGED_BY: Final[Mapping[str, tuple[str, str, float]]] = {
    "delivery": ("delivery", "", 0.0),
    "latency_p50": ("latency", "packet", 0.5),
    "latency_p90": ("latency", "packet", 0.9),
    "latency_p99": ("latency", "packet", 0.99),
    "latency_spread": ("latency", "packet", 0.99),
    "stick_p90": ("latency", "stick", 0.9),
    "acknowledgement_p90": ("latency", "acknowledgement", 0.9),
    "age_mean": ("control_age", "", 0.0),
    "age_p99": ("control_age", "", 0.99),
    "control_gap": ("control_gap", "", 0.0),
    "packet_rate": ("packet_rate", "", 0.0),
    "failsafe_entry": ("failsafe_entry", "", 0.0),
    "failsafe_worst": ("failsafe_entry", "", 0.0),
    "telemetry_age": ("telemetry_age", "", 0.0),
}
"""Which check of a plan makes each figure matter: its word, what it is `of`, and its least percentile.
Attempts are beside."""


@dataclass(frozen=True, slots=True)
class Comparison:
    """Both sides held against each other.

    `against` says why they cannot be compared; then there are no figures and no answer. `beside` holds the
    keys of figures that no check of the plan judges: they can make it worse, but need not be told.
    `missing` says which figures and faults one side shows nothing of.
    """

    base: Side
    candidate: Side
    confidence: float
    against: tuple[str, ...]
    told: tuple[str, ...]
    figures: tuple[Compared, ...] = ()
    faults: tuple[Counted, ...] = ()
    beside: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def answer(self) -> Answer | None:
        """The answer for all that matters; None if the sides cannot be compared."""
        if self.against:
            return None
        answers = [one.answer for one in self.faults] + [
            one.answer
            for one in self.figures
            if one.figure.key not in self.beside or one.answer is Answer.WORSE
        ]
        if self.missing:
            answers.append(Answer.CANNOT_TELL)
        return overall(answers)


def compare(base: Side, candidate: Side, given: Mapping[str, float], confidence: float) -> Comparison:
    """Compare two sides; `given` are margins by figure. Pure. Copies of a recording on a side count once."""
    (base, ours), (candidate, theirs) = without_copies(base), without_copies(candidate)
    against, told = reasons_against(base, candidate), (*told_differences(base, candidate), *ours, *theirs)
    if against:
        return Comparison(base, candidate, confidence, against, told)
    trouble = _trouble(base, candidate)
    sides = [[run.samples for run in side.runs] for side in (base, candidate)]
    both = [one for one in FIGURES if all(one.key in run for side in sides for run in side)]
    some = [
        one for one in FIGURES if any(one.key in run for side in sides for run in side) and one not in both
    ]
    stained = {key for run in base.runs for key, fault in run.faults.items() if fault.counted}
    shared = max(1, len(both) + len(stained))
    figures = tuple(
        compare_figure(
            one, [run[one.key] for run in sides[0]], [run[one.key] for run in sides[1]],
            _margin(one, base, candidate, given), confidence, shared, trouble,
        )
        for one in both
    )  # fmt: skip
    faults = compare_faults(
        [run.faults for run in base.runs], [run.faults for run in candidate.runs],
        (1 - confidence) / (2 * shared), trouble,
    )  # fmt: skip
    beside = _beside(base)
    return Comparison(
        base, candidate, confidence, against, told, figures, faults, beside,
        (
            *(_missing(one.title, one.key, base, candidate) for one in some if one.key not in beside),
            *_missing_faults(base, candidate),
        ),
        _notes(base, candidate, trouble, figures, given, confidence),
    )  # fmt: skip


def _margin(figure: Figure, base: Side, candidate: Side, given: Mapping[str, float]) -> float:
    bounds = sum(max(run.samples[figure.key].bound for run in side.runs) for side in (base, candidate))
    return margin_for(figure, base.runs[0].plan.link, given, bounds)


def _widened(figures: Sequence[Compared], link: Link, given: Mapping[str, float]) -> str:
    """Return what is to be said of margins that clocks made wider, "" if there are none."""
    wide = [one for one in figures if one.figure.key not in given and one.margin > one.figure.margin(link)]
    told = ", ".join(f"{one.figure.title} {one.margin:.4g} ms" for one in wide)
    return told and f"Margins that clocks made wider: {told}. --margin sets others."


def _clocks(figures: Sequence[Compared]) -> float:
    """Return what clocks leave open at most, in ms."""
    return max((one.bounds for one in figures if one.figure.kind == "time"), default=0.0)


def _beside(base: Side) -> tuple[str, ...]:
    """Return the figures that no check of the plan judges."""
    rules = [check.rule for check in base.runs[0].plan.checks]
    asked = [(rule.WORD, getattr(rule, "of", ""), float(getattr(rule, "percentile", 1))) for rule in rules]
    return tuple(one.key for one in FIGURES if not any(_judges(each, one.key) for each in asked))


def _judges(asked: tuple[str, str, float], key: str) -> bool:
    word, of, share = JUDGED_BY.get(key, ("", "", 0.0))
    return (word, of) == asked[:2] and asked[2] >= share


def _missing(title: str, key: str, base: Side, candidate: Side) -> str:
    empty = [run for side in (base, candidate) for run in side.runs if key not in run.samples]
    return _nothing_of(title, empty)


def _missing_faults(base: Side, candidate: Side) -> tuple[str, ...]:
    """Return the faults that some run could not show, though the base could or every plan asks for them."""
    runs = (*base.runs, *candidate.runs)
    alike = all(run.plan.checks == runs[0].plan.checks for run in runs)
    asked = {key: fault.title for run in (runs if alike else base.runs) for key, fault in run.faults.items()}
    found = []
    for key, title in asked.items():
        if empty := [run for run in runs if key not in run.faults]:
            found.append(_nothing_of(clean(title), empty))
    return tuple(found)


def _nothing_of(title: str, empty: Sequence[RunSeen]) -> str:
    return f"{title}: nothing of it in {', '.join(clean(str(run.folder)) for run in empty[:3])}"


def _tolerance(one: Compared, confidence: float) -> str:
    """Return what the worst cases of failsafe show of all cuts, "" for other figures."""
    if one.figure.key != "failsafe_worst":
        return ""
    told = [
        f"{name}, at least {100 * tolerance_share(count, confidence):.1f} % of the cuts that end in failsafe "
        f"do so within {worst:.1f} ms"
        for name, count, worst in (
            ("base", one.counts[0], one.base), ("candidate", one.counts[1], one.candidate),
        )
    ]  # fmt: skip
    return f"Failsafe entry, with {100 * confidence:g} % confidence: {'; '.join(told)} (tolerance bounds)."


def _trouble(base: Side, candidate: Side) -> str:
    """Return what was wrong with the bench in the first run that had trouble, "" if none had."""
    for side in (base, candidate):
        for run in side.runs:
            if run.trouble:
                return f"{clean(str(run.folder))}: bench: {clean(run.trouble)}"
    return ""


def _notes(
    base: Side,
    candidate: Side,
    trouble: str,
    figures: Sequence[Compared],
    given: Mapping[str, float],
    confidence: float,
) -> tuple[str, ...]:
    notes = []
    clocks, wider = _clocks(figures), _widened(figures, base.runs[0].plan.link, given)
    if clocks:
        notes.append(
            f"The maps of the devices' clocks leave up to {clocks:.2f} ms of a difference of latencies or "
            "ages open, both sides' bounds added: whether two runs are out alike is not known. It is in "
            "the intervals, and further packets do not make it less."
        )
    if wider:
        notes.append(wider)
    if trouble:
        notes.append(f"{trouble}; nothing is claimed with that: play the run again, or leave it out")
    notes += [tolerance for one in figures if (tolerance := _tolerance(one, confidence))]
    few = [name for name, side in (("base", base), ("candidate", candidate)) if len(side.runs) == 1]
    if len(few) == 2:
        notes.append(
            "One run on each side: the answers hold for these two runs. How much runs differ from start to "
            "start and day to day shows only in several on each side: name folders of runs."
        )
    elif few:
        other, runs = ("candidate", candidate.runs) if few[0] == "base" else ("base", base.runs)
        notes.append(
            f"One run in the {few[0]}: how much runs differ is taken from the {other}'s "
            f"{many(len(runs), 'run')}."
        )
    if any(run.header.hardware is False for side in (base, candidate) for run in side.runs):
        notes.append("The devices were simulated: this says nothing about your own transmitter and receiver.")
    return tuple(notes)
