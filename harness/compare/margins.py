"""How much worse still counts as no worse? Margins from the command line, beside each figure's own."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

from harness.clock import MS
from harness.compare.figures import BY_KEY, FIGURES, Figure
from harness.errors import UserError
from harness.plan.model import Link
from harness.plan.units import QuantityError, parse_duration, parse_frequency, parse_number, parse_share
from harness.plan.wording import nearest, quoted

CLOCK_PARTS: Final = 1.6
"""A margin is at least so many times what clocks leave open, unless it was given: our choice, no source."""


def read_margins(words: Sequence[str]) -> dict[str, float]:
    """Return margins by figure, in the figure's unit; raises UserError with all that is wrong.

    A word is FIGURE=VALUE; `latency`, `age` and `failsafe` stand for all figures that begin so.
    """
    found: dict[str, float] = {}
    problems = []
    for word in words:
        name, equals, value = word.partition("=")
        try:
            if not equals:
                raise UserError(f"--margin {quoted(word)}: write FIGURE=VALUE, such as latency_p90='3 ms'")
            for figure in _figures(name.strip()):
                found[figure.key] = _value(figure, value.strip())
        except UserError as error:
            problems.append(str(error))
    if problems:
        raise UserError("\n".join(problems))
    return found


def _figures(name: str) -> list[Figure]:
    if name in BY_KEY:
        return [BY_KEY[name]]
    group = [figure for figure in FIGURES if name and figure.key.startswith(f"{name}_")]
    if group:
        return group
    near = nearest(name, BY_KEY)
    hint = f"; did you mean {near}?" if near else ""
    raise UserError(f"--margin: no figure {quoted(name)}; figures: {', '.join(BY_KEY)}{hint}")


def _value(figure: Figure, text: str) -> float:
    try:
        if figure.kind == "share":
            value = 100 * float(parse_share(text))
        elif figure.kind == "time":
            value = parse_duration(text) / MS
        elif figure.kind == "rate":
            value = parse_frequency(text) / 1000
        else:
            value = float(parse_number(text))
    except QuantityError as error:
        near = f"; did you mean {error.nearest}?" if error.nearest else ""
        raise UserError(f"--margin {figure.key}: {error}{near}") from None
    if value < 0:
        raise UserError(
            f"--margin {figure.key}: {quoted(text)} is below 0; write how much worse still counts as no worse"
        )
    return value


def margin_for(figure: Figure, link: Link, given: Mapping[str, float], bounds: float) -> float:
    """Return a figure's margin: the given one, else its own, widened to what the bench can show.

    `bounds` is what both sides' clocks leave open. Where `CLOCK_PARTS` of it is more than the figure's own
    margin, that is the margin: a smaller one could never be shown on this bench, whatever the link is like.
    """
    if figure.key in given:
        return given[figure.key]
    own = figure.margin(link)
    least = math.ceil(10 * CLOCK_PARTS * bounds) / 10
    return max(own, least) if figure.kind == "time" else own


def read_confidence(text: str) -> float:
    """Return a confidence from 50 % to 99.9 % as a share; raises UserError."""
    try:
        value = float(parse_share(text))
    except QuantityError as error:
        raise UserError(f"--confidence: {error}") from None
    if not 0.5 <= value <= 0.999:
        raise UserError(f"--confidence {quoted(text)}: write 50 % to 99.9 %")
    return value
