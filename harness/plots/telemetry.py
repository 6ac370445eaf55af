"""Was telemetry true and fresh? What was injected and what came back, and how old it was by then."""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.clock import MS
from harness.escape import clean
from harness.measure.arrays import Floats, Ints, ints
from harness.measure.injection import Injection, decode_fields, injections, value_table
from harness.measure.telemetry import comparison, telemetry_values
from harness.measure.telemetry_age import TelemetryAge, telemetry_ages
from harness.plan import model as p
from harness.plan.model import FIELD_BYTES, TelemetryField
from harness.plan.wording import many
from harness.plots.distributions import Limit, within
from harness.plots.model import Axis, Picture, Plot, Rule, Series
from harness.plots.occasions import spans_of, steps_of
from harness.plots.view import View, held
from harness.plots.words import short_ms, to

MOST: Final = 16
NAME_MAX: Final = 40
FAR: Final = 1e3
"""A floating-point value this many times further out than the middle half is left outside the axis."""


def draw(view: View) -> tuple[Picture, ...]:
    """Return a plot for each field, and the ages of injected sets; none without telemetry."""
    evidence = view.evidence
    fields = evidence.plan.link.telemetry
    if not fields or not (len(evidence.telemetry) or injections(evidence)):
        return ()
    given = injections(evidence)
    wanted = value_table(given, len(fields))
    shown = decode_fields(evidence.telemetry.payload, evidence.telemetry.size, fields)
    wrong = _wrong(view) if given else {}
    plots: list[Picture] = []
    for number, field in enumerate(fields[:MOST]):
        series = [*_injected(view, given, wanted, number, field), *_received(view, shown[:, number], field)]
        series += _marks(view, wrong.get(number, []), field)
        plots.append(_plot(view, number, field, tuple(one for one in series if len(one.x))))
    return (*plots, *_ages(view))


def value_of(bits: Ints, field: TelemetryField) -> Floats:
    """Return the values of raw bits in the field's unit; NaN for -1, which is none, and for no number."""
    known, scale = bits >= 0, float(field.scale)
    if field.type == "f32":
        with np.errstate(invalid="ignore"):  # a signalling NaN is a value that a test injects
            raw = np.where(known, bits, 0).astype(np.uint32).view(np.float32).astype(np.float64)
        return np.where(known & np.isfinite(raw), raw * scale, np.nan)
    width = 8 * FIELD_BYTES[field.type]
    signed = np.where(bits >> (width - 1) == 1, bits - (1 << width), bits) if field.type[0] == "i" else bits
    return np.where(known, signed * scale, np.nan)


def _injected(
    view: View, given: tuple[Injection, ...], wanted: Ints, number: int, field: TelemetryField
) -> list[Series]:
    """Return what was in force, with a gap where injection ended."""
    if not given or field.source != "injected":
        return []
    starts, ends = ints([one.at_ns for one in given]), ints([one.until_ns for one in given])
    values = value_of(wanted[:, number], field)
    over = np.append(ends[:-1] != starts[1:], [True])
    at_ns = np.concatenate((starts, ends[over], ends[over]))
    both = np.concatenate((values, values[over], np.full(int(over.sum()), np.nan)))
    order = np.argsort(at_ns, kind="stable")
    at_s, both = held(view.seconds(at_ns[order]), both[order], view)
    return [Series("injected", at_s, both, "steps", "one")]


def _received(view: View, bits: Ints, field: TelemetryField) -> list[Series]:
    at_ns = view.evidence.telemetry.at_ns
    order = np.argsort(at_ns, kind="stable")
    at_s, values = held(view.seconds(at_ns[order]), value_of(bits, field)[order], view)
    return [Series("received", at_s, values, "steps", "two")]


def _wrong(view: View) -> dict[int, list[tuple[int, int]]]:
    """Return by field the times and bits of values that were never injected."""
    found: dict[int, list[tuple[int, int]]] = {}
    for one in telemetry_values(view.evidence, comparison(view.evidence)).wrong:
        found.setdefault(one.field, []).append((one.at_ns, one.shown))
    return found


def _marks(view: View, wrong: list[tuple[int, int]], field: TelemetryField) -> list[Series]:
    at_ns, bits = ints(wrong).reshape(-1, 2).T
    seen = view.sees(at_ns)
    keep = np.ones(int(seen.sum()), dtype=np.bool_)
    values = np.nan_to_num(value_of(bits[seen], field))
    return [Series("never injected", view.seconds(at_ns[seen]), values, "dots", "bad", "cross", keep=keep)]


def _plot(view: View, number: int, field: TelemetryField, series: tuple[Series, ...]) -> Plot:
    name = clean(field.name, NAME_MAX)
    low, high = _ends(series) if field.type == "f32" else (None, None)
    marked = sum(len(one.x) for one in series if one.keep is not None)
    about = f"{name} as received over time"
    if field.source == "injected":
        about += f", beside what was injected; {many(marked, 'value')} never injected"
    elif series:
        about += ", the device's own, compared with nothing"
    note = "" if series else "Nothing of this field was received here."
    note = note if high is None else "Values that are no ordinary numbers, or very large ones, lie outside."
    return Plot(
        f"telemetry-{number + 1}", f"telemetry: {name}", f"{about}.", Axis("time", "s"),
        Axis(name, clean(field.unit), low=low, high=high), series, spans_of(view), steps_of(view), note,
    )  # fmt: skip


def _ends(series: tuple[Series, ...]) -> tuple[float | None, float | None]:
    """Return the ends of an axis on which ordinary values can be seen beside the ends of a float's range."""
    values = np.concatenate([one.y[np.isfinite(one.y)] for one in series]) if series else np.zeros(0)
    if not len(values):
        return None, None
    low, high = np.percentile(values, (25, 75))
    reach = FAR * max(high - low, abs(low), abs(high), 1e-30)
    inner = values[np.abs(values) <= reach]
    if len(inner) == len(values) or not len(inner):
        return None, None
    spare = 0.05 * float(inner.max() - inner.min()) or 1.0
    return float(inner.min()) - spare, float(inner.max()) + spare


def _ages(view: View) -> tuple[Plot, ...]:
    """Return the age of each injected set over time, and how ages are spread."""
    ages = [age for age in telemetry_ages(view.evidence) if view.meets(age.at_ns, age.at_ns)]
    if not ages:
        return ()
    limits = _limits(view)
    came = [age for age in ages if age.time_most_ns is not None]
    at_ns = ints([age.at_ns for age in came])
    took = ints([age.time_most_ns for age in came])
    about = _about(ages, took, limits)
    series = [Series("age when first shown", view.seconds(at_ns), took / MS, "dots")] if came else []
    never = ints([age.at_ns for age in ages if age.time_most_ns is None])
    if len(never):
        top = np.full(len(never), float(took.max(initial=0)) / MS * 1.1 or 1.0)
        keep = np.ones(len(never), dtype=np.bool_)
        series.append(
            Series(
                "not shown before the next set", view.seconds(never), top, "dots", "bad", "cross", keep=keep
            )
        )
    over = Plot(
        "telemetry-age", "telemetry: age of injected sets", about, Axis("time", "s"),
        Axis("from injection to reception", "ms", low=0), tuple(series), spans_of(view),
        (*steps_of(view), *(Rule(limit.at_ns / MS, "y", limit.words, "bad") for limit in limits)),
    )  # fmt: skip
    return (over, *_spread(took, len(ages), limits, about))


def _spread(took: Ints, count: int, limits: tuple[Limit, ...], about: str) -> tuple[Plot, ...]:
    if not len(took):
        return ()
    times, share = within(np.sort(took), count)
    series = Series(
        "share of sets", np.concatenate((times[:1], times)) / MS, np.concatenate(([0.0], share)), "steps"
    )
    return (
        Plot(
            "telemetry-age-within", "telemetry age: share within a time", about,
            Axis("from injection to reception", "ms"), Axis("sets within this time", "%", low=0, high=100),
            (series,), (), tuple(Rule(limit.at_ns / MS, "x", limit.words, "bad") for limit in limits),
            "" if len(took) == count else f"{count - len(took)} sets never came: it ends below 100 %.",
        ),
    )  # fmt: skip


def _limits(view: View) -> tuple[Limit, ...]:
    rules = [check.rule for check in view.evidence.plan.checks]
    found = [
        Limit(rule.at_most_ns, f"at most {short_ms(rule.at_most_ns)}")
        for rule in rules
        if isinstance(rule, p.TelemetryAge)
    ]
    return tuple(dict.fromkeys(found))


def _about(ages: list[TelemetryAge], took: Ints, limits: tuple[Limit, ...]) -> str:
    packets = max(age.packets_least for age in ages)
    words = f"{many(len(ages), 'injected set')}"
    if len(took):
        words += f", shown after {to(short_ms(int(took.min())), short_ms(int(took.max())))}"
    words += f"; {len(ages) - len(took)} never before the next" if len(took) < len(ages) else ""
    words += f"; the oldest at least {many(packets, 'packet')} old"
    return words + "".join(f"; {limit.words} allowed" for limit in limits) + "."


__all__ = ["draw", "value_of"]
