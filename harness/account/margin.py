"""How far would it reach? The levels of a margin step, the margin, and what it would mean in free space."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import Final

from harness.findings import Figure, Grid, Section
from harness.measure.evidence import Evidence
from harness.measure.margin import Margin, margin_steps, measure_margin
from harness.measure.propagation import free_space_factor, rayleigh_outage, two_ray_breakpoint_m
from harness.plan import model as p
from harness.plan.units import format_decibel, format_share

USUAL: Final = (Fraction(99, 100), Fraction(95, 100))
"""Delivery and confidence where the plan has no link_margin check."""
EXAMPLE: Final = (1.5, 1.5, 2.44e9)
"""Two antennas 1.5 m above the ground at 2.44 GHz, for the words about free space."""
NOTES: Final[tuple[str, ...]] = (
    "The range is that of free space (ITU-R P.525): no ground, no trees, no body of a model or pilot in the "
    "way.",
    f"Above ground that ends about 4 h1 h2 / wavelength away, {two_ray_breakpoint_m(*EXAMPLE):.0f} m for "
    "antennas 1.5 m high at 2.44 GHz; from there the loss grows twice as fast (ITU-R P.1411).",
    "On a bench the antennas are near each other and everything around reflects: a margin measured a metre "
    "away can be off by many dB either way. An attenuator in the antenna line also needs modules that do not "
    "leak past it.",
    "In the air the attitude of both antennas, the airframe between them, other transmitters and fading eat "
    "margin; the row on fading says how often a fade alone would be deeper than this margin.",
    "A range test by the rules of your field or club is still needed before the first flight, at the power "
    "that your licence or the rules allow. This figure is no permission to fly.",
)


def account(evidence: Evidence) -> Section | None:
    """Return the section on the link's margin; None without a margin step."""
    if not margin_steps(evidence.plan):
        return None
    rules = [check.rule for check in evidence.plan.checks if isinstance(check.rule, p.LinkMargin)]
    delivery, confidence = (rules[0].delivery, rules[0].confidence) if rules else USUAL
    during = rules[0].during if rules else ()
    found = measure_margin(evidence, delivery, float(confidence), during)
    if found is None or found.mixed:
        return None
    figures = (
        *_margin(found, delivery, float(confidence)),
        *_range(found, float(confidence)),
        *_curve(found),
    )
    notes = NOTES
    if found.lower_db == -math.inf or not found.shown:
        notes = ("What the margin means for range is left out: it is not known.", *NOTES[2:])
    return Section("margin", "Link margin", figures, (_grid(found),), notes)


def _ends(*ends: float) -> tuple[float | None, float | None]:
    low, high = (end if math.isfinite(end) else None for end in ends)
    return low, high


def _margin(found: Margin, delivery: Fraction, confidence: float) -> tuple[Figure, ...]:
    step = found.step
    name = f"margin at {format_share(delivery)} delivery"
    interval = _ends(found.lower_db, found.upper_db)
    figures = [Figure(name, found.margin_db, "dB", interval, confidence, _way(found))]
    if found.margin_db is not None:
        sign = 1 if step.by == "hand" else -1
        level = step.normal / 10 + sign * (found.margin_db - step.in_line_x10 / 10)
        figures.append(Figure("level at which it is used up", level, step.unit))
    return tuple(figures)


def _way(found: Margin) -> str:
    by = "transmit power lowered" if found.step.by == "power" else "attenuator turned by hand"
    fixed = f", {format_decibel(found.step.in_line_x10)} in line added" if found.step.in_line_x10 else ""
    return f"{by}; normal is {format_decibel(found.step.normal, found.step.unit)}{fixed}"


def _range(found: Margin, confidence: float) -> tuple[Figure, ...]:
    if found.lower_db == -math.inf or not found.shown:
        return ()
    value = None if found.margin_db is None else free_space_factor(found.margin_db)
    ends = _ends(free_space_factor(found.lower_db), _far(found.upper_db))
    factor = Figure(
        "range in free space over the present distance", value, "", ends, confidence, "10^(margin/20)"
    )
    outage = Figure(
        "share of Rayleigh fades deeper than the margin",
        100 * rayleigh_outage(found.lower_db), "%", note="at the margin's lower limit",
    )  # fmt: skip
    if found.step.distance_mm is None:
        return factor, outage
    metres = found.step.distance_mm / 1_000
    scaled = tuple(None if end is None else end * metres for end in ends)
    far = Figure(
        "range in free space", None if value is None else value * metres, "m", (scaled[0], scaled[1]),
        confidence, f"from {metres:g} m, ITU-R P.525",
    )  # fmt: skip
    return factor, far, outage


def _far(margin_db: float) -> float:
    return free_space_factor(margin_db) if math.isfinite(margin_db) else math.inf


def _curve(found: Margin) -> tuple[Figure, ...]:
    crossing = found.crossing
    figures = [Figure("attempts of a packet", float(found.tries), "", note="before it is given up")]
    if crossing.curve is not None:
        figures.append(Figure("steepness of the loss curve", crossing.curve.slope, "1/dB"))
        figures.append(
            Figure("loss that no level mends", 100 * crossing.curve.floor, "%", note="of attempts")
        )
    scatter = Figure(
        "scatter of losses over a binomial one",
        crossing.dispersion,
        "",
        note="variance ratio; widens the interval",
    )
    return (*figures, scatter)


def _grid(found: Margin) -> Grid:
    unit = found.step.unit
    heads = (
        f"level, {unit}",
        "packets",
        "applied",
        "unknown",
        "delivery, %",
        "attempts",
        "lost, %",
        "curve, %",
        "signal, dBm",
    )
    rows = []
    curve = found.crossing.curve
    for level in found.levels:
        known = level.packets - level.unknown
        rows.append(
            (
                level.level_x10 / 10,
                level.packets,
                level.applied,
                level.unknown,
                _percent(level.applied, known),
                level.attempts,
                _percent(level.attempts_lost, level.attempts),
                None if curve is None else round(100 * float(curve.loss(level.above_db)), 2),
                level.signal_dbm,
            )
        )
    levels = "1 level" if found.refused == 1 else f"{found.refused} levels"
    left = [f"{levels} that the transmitter has not got"] * bool(found.refused)
    left += [f"{found.disturbed} with a restart in them"] * bool(found.disturbed)
    return Grid("Levels", heads, tuple(rows), f"left out: {', '.join(left)}" if left else "")


def _percent(part: int, whole: int) -> float | None:
    return round(100 * part / whole, 2) if whole else None


__all__ = ["account"]
