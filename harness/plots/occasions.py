"""What was done to the link meanwhile? Cuts, restarts and the steps of the plan, to be marked in pictures."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from harness.escape import clean
from harness.measure.cuts import Cut
from harness.plan.model import every_step
from harness.plots.model import Rule, Span
from harness.plots.view import View

MOST: Final = 500
"""Spans and steps marked in one picture, at most: more would hide what they mark."""
WORD_MAX: Final = 32
_CUTS: Final = {"silence": "link cut", "fade": "fade", "deaf": "receiver deaf"}
_ORDERS: Final = {"muted": "acknowledgements muted", "beside": "interference"}


def spans_of(view: View) -> tuple[Span, ...]:
    """Return what was done on purpose as spans in s of the run, in order of their starts."""
    found = [
        Span(view.second(start), view.second(end), kind)
        for start, end, kind in _occasions(view)
        if end > start and view.meets(start, end)
    ]
    return tuple(sorted(found, key=lambda span: span.low)[:MOST])


def _occasions(view: View) -> Iterator[tuple[int, int, str]]:
    evidence = view.evidence
    for cut in evidence.cuts:
        yield cut.command_ns, cut.until_ns, cut_word(cut)
    for span in evidence.restarts:
        yield span.start_ns, span.end_ns, "port gone" if span.outage else f"{span.role.value} restart"
    for order in evidence.orders:
        if order.what in _ORDERS and not order.refused:
            yield order.start_ns, order.end_ns, _ORDERS[order.what]


def cut_word(cut: Cut) -> str:
    """Return a cut's way in a few words, for a legend."""
    if cut.is_outside:
        return "power taken away" if cut.way.startswith("power") else "antenna path cut"
    return _CUTS.get(cut.way, f"{cut.way} packets only")


def steps_of(view: View) -> tuple[Rule, ...]:
    """Return the start of each step as an upright line; of nested ones the inner one's.

    Its label is the step's name, but for steps of one name in a row, of which the first has it.
    """
    named = {step.path: step.name or type(step.action).WORD for step in every_step(view.evidence.plan.steps)}
    found = {
        step.start_ns: clean(named.get(step.path) or step.name or step.path, WORD_MAX)
        for step in view.evidence.steps
        if view.meets(step.start_ns, step.start_ns)
    }
    rules, last = [], ""
    for at_ns, word in sorted(found.items())[:MOST]:
        rules.append(Rule(view.second(at_ns), "x", "" if word == last else word))
        last = word
    return tuple(rules)
