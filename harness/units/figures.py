"""Which figures of a run tell of its unit? Values of checks and a few more, read from verdict.json.

The file may come from anywhere: whatever is not of the kind that belongs there counts as not there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from harness.kept import NUMBER_MAX

Shape = Literal["even", "worst", "skewed", "listed"]
"""How healthy units' values of a figure lie: about evenly around their middle; the worst of a few events,
whose good side is long for that reason alone; crowded against an end; or not to be tested, because the figure
is one largest value of a whole run, a count of faults, or tells of the bench."""

SHAPES: Final[Mapping[str, Shape]] = {
    "delivery": "skewed",
    "packet_rate": "even",
    "latency": "even",
    "control_age": "even",
    "failsafe_entry": "worst",
    "failsafe_exit": "worst",
    "telemetry_age": "worst",
    "throughput": "even",
    "link_margin": "even",
    "noise": "even",
}
"""By the kind of check; decided beforehand: looking at the values first would bend the tests' risk."""
MORE: Final = (
    ("latency", "packet latency, p50", "median packet latency"),
    ("latency", "acknowledgement round trip, p95", "acknowledgement round trip (95 %)"),
    ("age", "mean", "mean control age"),
)
"""Section, figure and title of what is looked at beside the checks: times, of which less is better. The round
trip grows with retransmissions, long before packets get lost."""


@dataclass(frozen=True, slots=True)
class Subject:
    """What a figure is: its title, unit, limit and good side; `side` is also set where there is no limit."""

    key: str
    title: str
    kind: str
    shape: Shape
    unit: str
    side: str
    limit: float | None = None

    @property
    def better(self) -> int:
        """+1 where more is better, -1 where less is."""
        return 1 if self.side == "at least" else -1

    def room(self, value: float) -> float | None:
        """Return the margin as a share of what the limit allows; None where it allows nothing.

        Beyond the limit it is negative. Of a percentage that shall be at least 98 %, 2 % are allowed to be
        missing; of anything else the limit is what is allowed.
        """
        if self.limit is None:
            return None
        whole = self.unit == "%" and self.side == "at least"
        allowed = 100 - self.limit if whole else abs(self.limit)
        return self.better * (value - self.limit) / allowed if allowed > 0 else None


@dataclass(frozen=True, slots=True)
class Measured:
    """One figure of one run. Ends of the interval hold with `confidence` each; `uncertainty` comes on top."""

    value: float
    low: float | None
    high: float | None
    confidence: float | None
    uncertainty: float


def figures_of(document: Mapping[str, Any]) -> dict[str, tuple[Subject, Measured | None]]:
    """Return each figure of a run by its key; None where it has no number, such as a time without end."""
    found = {}
    for check in mappings(document, "checks"):
        name, kind = text(check, "name"), text(check, "kind")
        if name and text(check, "verdict") != "none":
            side = "at least" if check.get("side") == "at least" else "at most"
            subject = Subject(
                name,
                name,
                kind,
                SHAPES.get(kind, "listed"),
                text(check, "unit"),
                side,
                number(check, "limit"),
            )
            found[name] = subject, _measured(check)
    for section in mappings(document, "sections"):
        for figure in mappings(section, "figures"):
            place = text(section, "key"), text(figure, "name")
            title = next((title for *wanted, title in MORE if tuple(wanted) == place), "")
            if title:
                subject = Subject(title, title, "section", "even", text(figure, "unit"), "at most")
                found[title] = subject, _measured(figure)
    return found


def _measured(entry: Mapping[str, Any]) -> Measured | None:
    value = number(entry, "value")
    if value is None:
        return None
    ends = entry.get("interval")
    low, high = ends if isinstance(ends, list) and len(ends) == 2 else (None, None)
    return Measured(
        value,
        finite(low),
        finite(high),
        number(entry, "confidence"),
        max(0.0, number(entry, "uncertainty") or 0.0),
    )


def mappings(holder: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    """Return the objects in a list, none if there is no such list."""
    entries = holder.get(key)
    return [entry for entry in entries if isinstance(entry, dict)] if isinstance(entries, list) else []


def text(holder: Mapping[str, Any], key: str) -> str:
    """Return a text, "" if there is none."""
    found = holder.get(key)
    return found if isinstance(found, str) else ""


def number(holder: Mapping[str, Any], key: str) -> float | None:
    """Return a finite number, None if there is none."""
    return finite(holder.get(key))


def finite(found: object) -> float | None:
    """Return what was found if it is a number that a figure may have, else None; 0 for what is next to it."""
    if isinstance(found, bool) or not isinstance(found, int | float) or not abs(found) <= NUMBER_MAX:
        return None
    return float(found) if abs(found) >= 1 / NUMBER_MAX else 0.0
