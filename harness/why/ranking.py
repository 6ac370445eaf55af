"""Which cause comes first? What explains a failure before what does not, the bench before the link."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from harness.likely import Likely
from harness.verdict import CheckResult, Verdict

BENCH_KEYS: Final = frozenset(("serial-line", "port-gone", "report-layout", "clock-off", "wrong-role"))
"""Causes that are none of the link: if one explains the failure, nothing else is worth looking at."""
GENERAL_KEYS: Final = frozenset(("starved-receiver", "interference", "repetitions", "receiver-stalls"))
"""Causes that say that nothing more special was found; a special one that explains as much silences them."""
SPECIAL: Final = 0.8
TOLD: Final = 0.3
"""Weaker causes are not told."""
BAD: Final = (Verdict.FAIL, Verdict.ERROR)


def ranked(found: Iterable[Likely], results: Sequence[CheckResult]) -> tuple[Likely, ...]:
    """Return the causes worth telling, the likeliest first.

    In order: what explains a failed check, before others; the bench's trouble, before the link's; by design
    last; then by strength, then by the number of failed checks explained; a key is told once, the best of it.
    """
    bad = {one.name for one in results if one.verdict in BAD}

    def place(one: Likely) -> tuple[object, ...]:
        explained = len(bad.intersection(one.explains))
        return (
            one.by_design,
            explained == 0,
            not (one.key in BENCH_KEYS and explained),
            -round(one.strength, 2),
            -explained,
        )

    best: dict[str, Likely] = {}
    for one in sorted(found, key=place):
        if (one.strength >= TOLD or one.by_design) and not _covered(one, best.values()):
            best.setdefault(one.key, one)
    return tuple(best.values())


def _covered(one: Likely, before: Iterable[Likely]) -> bool:
    """Return whether this is a general cause, and a special one explains all that it does."""
    special = [other for other in before if other.key not in GENERAL_KEYS and other.strength >= SPECIAL]
    return one.key in GENERAL_KEYS and any(set(one.explains) <= set(other.explains) for other in special)


__all__ = ["BENCH_KEYS", "ranked"]
