"""Which characters draw a bar and a trend? Block characters, or ASCII where a stream cannot encode them.

Shapes carry everything that colours do: nothing here needs a colour to be read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Final


@dataclass(frozen=True, slots=True)
class Glyphs:
    """One set of characters, each one cell wide.

    `parts` are the widths of a bar's last cell, none at all if empty; `steps` go up from the least. Bars are
    lines, so that those of two rows do not run into each other.
    """

    fill: str
    held: str
    parts: str
    track: str
    steps: str
    nothing: str
    over: str
    alarm: str
    here: str
    more: str


BLOCKS: Final = Glyphs("━", "═", "╸", "·", "▁▂▃▄▅▆▇█", "·", "!", "!", "◂", "…")
ASCII: Final = Glyphs("#", "%", "", ".", "_.:-=+*#", " ", "!", "!", "<", "~")
LOSSES: Final = (0.0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5)
"""Each step down of a delivery trend stands for more losses than this share, about twice the one before."""


def glyphs_for(encoding: str | None) -> Glyphs:
    """Return block characters if the encoding has all of them, ASCII otherwise."""
    every = "".join(getattr(BLOCKS, one.name) for one in fields(BLOCKS))
    try:
        every.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return BLOCKS


def bar(share: float, width: int, glyphs: Glyphs, *, held: bool = False) -> tuple[str, str]:
    """Return (filled part, rest) of a bar of `width` cells; a share outside 0 to 1 is an end.

    With `held` it is filled otherwise, as in failsafe.
    """
    share = min(1.0, max(0.0, share))
    steps = len(glyphs.parts) + 1
    whole, part = divmod(round(share * width * steps), steps)
    filled = (glyphs.held if held else glyphs.fill) * whole
    if part and not held:
        filled += glyphs.parts[part - 1]
    elif part * 2 > steps:
        filled += glyphs.held
    return filled, glyphs.track * (width - len(filled))


def delivery_trend(seconds: Sequence[tuple[int, int]], glyphs: Glyphs) -> str:
    """Return a character for each (applied, sent): full for all, a step less for each of `LOSSES`."""
    return "".join(_delivered(*one, glyphs) for one in seconds)


def _delivered(applied: int, sent: int, glyphs: Glyphs) -> str:
    if not sent:
        return glyphs.nothing
    lost = 1 - applied / sent
    return glyphs.steps[7 - sum(lost > step for step in LOSSES)]


def time_trend(times_ns: Sequence[int | None], top_ns: int, glyphs: Glyphs) -> str:
    """Return a character for each time, from 0 up to `top_ns`; one above is marked, an unknown one empty."""
    return "".join(_time(one, top_ns, glyphs) for one in times_ns)


def _time(time_ns: int | None, top_ns: int, glyphs: Glyphs) -> str:
    if time_ns is None:
        return glyphs.nothing
    if time_ns > top_ns:
        return glyphs.over
    return glyphs.steps[min(7, max(0, time_ns) * 8 // max(1, top_ns))]


def round_top_ns(times_ns: Sequence[int | None]) -> int:
    """Return the least of 1, 2, 5, 10 ms and so on that is no less than any of the times."""
    most = max((one for one in times_ns if one is not None), default=0)
    top_ns, factors = 1_000_000, (2.0, 2.5, 2.0)
    turn = 0
    while top_ns < most:
        top_ns = int(top_ns * factors[turn % 3])
        turn += 1
    return top_ns
