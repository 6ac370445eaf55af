"""How is a time told while a run goes on? As a clock shows it, or in seconds."""

from __future__ import annotations

from harness.clock import S


def clock_words(time_ns: int) -> str:
    """Return a time as hours, minutes and seconds: `0:41`, `1:02:03`."""
    minutes, seconds = divmod(max(time_ns, 0) // S, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{seconds:02}" if hours else f"{minutes}:{seconds:02}"


def lasted(time_ns: int, exact_below_s: int = 60) -> str:
    """Return how long something took: `1.2 s` below so many seconds, then as a clock shows it."""
    return f"{max(time_ns, 0) / S:.1f} s" if time_ns < exact_below_s * S else clock_words(time_ns)
