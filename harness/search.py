"""Which is the highest of many that is still good? Found by halving, asking as little as possible.

Pure: whoever asks carries out the trials. A search assumes that what is good at one place is good below it;
where that does not hold, the answer is good itself, and the place above it was bad when it was asked.
"""

from __future__ import annotations

from collections.abc import Callable

NONE_GOOD = -1


def highest_good(count: int, good: Callable[[int], bool]) -> int:
    """Return the highest place from 0 to `count` - 1 that is good, `NONE_GOOD` if none is.

    The highest place is asked first: a device that can do all is asked once. After that each answer halves
    what is left (the search of RFC 2544 section 26.1 leaves the way of going up and down open). No place is
    asked twice.
    """
    if count <= 0:
        return NONE_GOOD
    if good(count - 1):
        return count - 1
    best, bad = NONE_GOOD, count - 1
    while bad - best > 1:
        middle = (best + bad) // 2
        if good(middle):
            best = middle
        else:
            bad = middle
    return best


def most_questions(count: int) -> int:
    """Return how many places `highest_good` asks at most: 1 + ceil(log2(count))."""
    return 1 + (count - 1).bit_length() if count > 0 else 0


__all__ = ["NONE_GOOD", "highest_good", "most_questions"]
