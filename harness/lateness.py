"""How late did messages leave, against when they were due? Counted while a run goes on, in bins.

On real ports the runner writes one mark `lateness` at the end of each step:

    {"mark":"lateness","path":"steps[2]","count":1250,"left_out":0,"most_ns":41873,"bins":[[0,1190],[1,60]]}

A bin holds times of whole microseconds: bins 0 to 15 one each, from there on eight to each doubling, so that
a quantile read from them is at most an eighth too large. `left_out` counts stick positions that were not sent
because the next one was due already.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any, Final

from harness.clock import US

MARK: Final = "lateness"
_EXACT: Final = 16
_PARTS: Final = 8
_BINS_MAX: Final = 512
"""The last bin begins beyond the longest time that 64 bits of ns can hold."""


class Lateness:
    """How late so many messages were; an early one counts as in time."""

    __slots__ = ("bins", "count", "left_out", "most_ns")

    def __init__(self) -> None:
        self.count = 0
        self.left_out = 0
        self.most_ns = 0
        self.bins: dict[int, int] = {}

    def note(self, late_ns: int) -> None:
        """Count a message that was handed to its port so long after it was due."""
        late_ns = max(late_ns, 0)
        self.count += 1
        self.most_ns = max(self.most_ns, late_ns)
        place = _bin(late_ns // US)
        self.bins[place] = self.bins.get(place, 0) + 1

    def beyond(self) -> list[tuple[int, int]]:
        """Return for the upper end of each bin, in ns, how many messages were later than that."""
        found, left = [], self.count
        for place, count in sorted(self.bins.items()):
            left -= count
            found.append((min(_upper_us(place) * US, self.most_ns), left))
        return found

    def fields(self) -> dict[str, Any]:
        """Return what a mark holds of it."""
        bins = [[place, count] for place, count in sorted(self.bins.items())]
        return {"count": self.count, "left_out": self.left_out, "most_ns": self.most_ns, "bins": bins}

    def quantile_ns(self, share: float) -> int:
        """Return a time that at least `share` of the messages did not exceed; 0 without any.

        It is the upper end of a bin, hence up to an eighth or 1 us too long, and never more than the longest.
        """
        wanted, seen = math.ceil(share * self.count), 0
        for place, count in sorted(self.bins.items()):
            seen += count
            if seen >= wanted:
                return min(_upper_us(place) * US, self.most_ns)
        return 0


def read_lateness(fields: Mapping[str, Any]) -> Lateness | None:
    """Return what a mark's fields hold, None if they are not what `Lateness.fields` gives."""
    found = Lateness()
    numbers = (fields.get("count"), fields.get("left_out"), fields.get("most_ns"))
    bins = fields.get("bins")
    if not all(map(_is_count, numbers)) or not isinstance(bins, list) or len(bins) > _BINS_MAX:
        return None
    for entry in bins:
        if not isinstance(entry, list) or len(entry) != 2 or not all(map(_is_count, entry)):
            return None
        found.bins[entry[0]] = found.bins.get(entry[0], 0) + entry[1]
    found.count, found.left_out, found.most_ns = (int(number or 0) for number in numbers)
    whole = sum(found.bins.values()) == found.count and max(found.bins, default=0) < _BINS_MAX
    return found if whole else None


def all_together(parts: Iterable[Lateness]) -> Lateness:
    """Return several counts as one."""
    found = Lateness()
    for part in parts:
        found.count += part.count
        found.left_out += part.left_out
        found.most_ns = max(found.most_ns, part.most_ns)
        for place, count in part.bins.items():
            found.bins[place] = found.bins.get(place, 0) + count
    return found


def _bin(us: int) -> int:
    if us < _EXACT:
        return us
    shift = us.bit_length() - 4
    return _EXACT + (shift - 1) * _PARTS + (us >> shift) - _PARTS


def _upper_us(place: int) -> int:
    """Return the first microsecond beyond a bin."""
    if place < _EXACT:
        return place + 1
    shift, part = divmod(place - _EXACT, _PARTS)
    return (_PARTS + part + 1) << (shift + 1)


def _is_count(value: object) -> bool:
    return type(value) is int and 0 <= value < 2**63
