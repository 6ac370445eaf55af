"""How is told in which cuts something went wrong? Counted by the way in which the link was cut."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import Final

from harness.measure.cuts import WAY_WORDS, WAYS, Cut
from harness.plan.wording import many

PLAIN: Final = "silence"
"""The way that needs no word where there is no other."""


def cuts_of(some: Iterable[Cut], every: Iterable[Cut]) -> str:
    """Return `3 of 12 cuts by corrupted packets`: how many of the cuts of each way are among `some`.

    Where all cuts are silences of the transmitter no way is named: `3 of 60 cuts`.
    """
    bad, total = _by_way(some), _by_way(every)
    if set(total) == {PLAIN}:
        return f"{bad[PLAIN]} of {many(total[PLAIN], 'cut')}"
    told = [f"{bad[way]} of {many(total[way], 'cut')} {WAY_WORDS[way]}" for way in WAYS if bad[way]]
    return " and ".join(told) if told else f"0 of {many(sum(total.values()), 'cut')}"


def cuts_in(some: Iterable[Cut]) -> str:
    """Return `3 cuts`, or `3 cuts by corrupted packets` if other ways than silence are among them."""
    bad = _by_way(some)
    if not set(bad) - {PLAIN}:
        return many(bad[PLAIN], "cut")
    return " and ".join(f"{many(bad[way], 'cut')} {WAY_WORDS[way]}" for way in WAYS if bad[way])


def way_counts(every: Iterable[Cut]) -> dict[str, int]:
    """Return how many cuts there were of each way, nothing if all were silences of the transmitter."""
    total = _by_way(every)
    if not set(total) - {PLAIN}:
        return {}
    return {WAY_WORDS[way]: total[way] for way in WAYS if total[way]}


def _by_way(cuts: Iterable[Cut]) -> Counter[str]:
    return Counter(cut.way for cut in {cut.number: cut for cut in cuts}.values())


__all__ = ["cuts_in", "cuts_of", "way_counts"]
