"""Why may a figure be bad? A likely cause, what speaks for and against it, and what would settle it.

Whoever shows these texts escapes them: names of channels come from the plan, other words from a device.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Likely:
    """One likely cause of what a run showed.

    `key` names the kind of cause and never changes; `title` says it in a sentence with this run's numbers,
    without a full stop. `explains` holds the names of the checks that it would explain, none for what is odd
    though nothing failed. `strength` from 0 to 1 orders causes: 1 where the recording leaves no other
    reading. `speaks_for` and `speaks_against` are whole sentences, each with its numbers; `next_step` is the
    experiment that would settle it. A cause `by_design` is no fault: it explains a figure that may surprise.
    """

    key: str
    title: str
    explains: tuple[str, ...]
    strength: float
    speaks_for: tuple[str, ...]
    speaks_against: tuple[str, ...] = ()
    next_step: str = ""
    by_design: bool = False

    def __post_init__(self) -> None:
        assert 0 <= self.strength <= 1, self.strength
        assert self.speaks_for, self.key
