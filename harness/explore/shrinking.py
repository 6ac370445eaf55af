"""Which is the smallest scenario that still shows it? Takes steps out, then keys, then time.

Hypothesis could shrink too, but each try costs seconds of link time here: steps of a plan are better known
than the choices that they were drawn from, so that a few dozen tries do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final

from harness.clock import MS
from harness.errors import PlanError
from harness.plan.model import Plan
from harness.plan.units import format_duration, parse_duration
from harness.plan.writing import Data, entries
from harness.strategies import framed, plan_of

DROPPED: Final = (
    ("by", "ability"), ("burst",), ("sticks",), ("packet_rate",), ("times",), ("phase",),
    ("silent",), ("clock_wraps_in", "packets_wrap_in", "ability"), ("clock_wraps_in",), ("packets_wrap_in",),
    ("together",), ("from", "to"), ("shape",), ("stride",),
)  # fmt: skip
"""Keys that may go, those together that mean nothing alone. What a step needs the reader insists on."""
AROUND: Final = ("before", "after", "pause")
TIMES: Final = ("for", "duration", "over", "period", "dwell", "every", "silent", *AROUND)
SHORT_NS: Final = 100 * MS
GRAIN_NS: Final = 10 * MS
"""Shorter times are not looked for: they would say nothing more."""


def shrink(plan: Plan, violates: Callable[[Plan], bool]) -> Plan:
    """Return the smallest plan, by the same ends and invariants, for which `violates` still says True.

    Greedy: each change that still shows it is kept, until none does. Illegal plans are passed over. Whoever
    wants it over has `violates` say False.
    """
    steps, smaller = _between(plan), True
    while smaller:
        smaller = False
        for candidate in _candidates(steps, plan):
            made = _made(candidate, plan)
            if made is not None and violates(made):
                plan, steps, smaller = made, candidate, True
                break
    return plan


def _between(plan: Plan) -> list[Data]:
    return entries(plan.text)[0][1:-1]


def _made(steps: Sequence[Data], like: Plan) -> Plan | None:
    """Return the plan of these steps, None if it is not legal."""
    try:
        return plan_of(framed(steps, like.link), like.link, like.safety)
    except PlanError:
        return None


def _candidates(steps: list[Data], plan: Plan) -> Iterator[list[Data]]:
    """Yield smaller scenarios, the boldest first."""
    count = len(steps)
    if count > 2:
        yield from ([step] for step in steps)
    if count > 1:
        yield from ([*steps[:place], *steps[place + 1 :]] for place in range(count))
    failsafe_ns = plan.link.failsafe.within_ns + 4 * plan.link.packet_period_ns
    for place, step in enumerate(steps):
        for simpler in _simpler(step, failsafe_ns):
            yield [*steps[:place], simpler, *steps[place + 1 :]]


def _simpler(step: Data, failsafe_ns: int) -> Iterator[Data]:
    """Yield simpler forms of one step: without some keys, with fewer channels, less often, shorter."""
    (word, keys), *_ = step.items()
    if not isinstance(keys, dict):
        return
    for gone in DROPPED:
        if gone[0] in keys and not isinstance(keys[gone[0]], dict):
            yield {word: {key: value for key, value in keys.items() if key not in gone}}
    for key, value in keys.items():
        for less in _less(key, value, failsafe_ns):
            yield {word: {**keys, key: less}}


def _less(key: str, value: Any, failsafe_ns: int) -> Iterator[Any]:
    """Yield smaller values of a key."""
    if isinstance(value, dict) and len(value) > 1:
        yield from ({name: value[name]} for name in value)
        yield from ({name: one for name, one in value.items() if name != gone} for gone in value)
    elif isinstance(value, int) and not isinstance(value, bool) and value > 1:
        yield from dict.fromkeys((1, value // 2, value - 1))
    elif key in TIMES and isinstance(value, str):
        time_ns = parse_duration(value)
        half_ns = SHORT_NS if key in AROUND else time_ns // 2 // GRAIN_NS * GRAIN_NS
        shorter = (failsafe_ns, SHORT_NS, half_ns)
        yield from dict.fromkeys(format_duration(ns) for ns in shorter if GRAIN_NS <= ns < time_ns)
