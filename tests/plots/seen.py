"""Evidence of imaginary runs, and pictures of it by their names, for tests of pictures."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import RUN_NS, Packet, Scenario, Silence

from harness.clock import MS, S
from harness.measure.evidence import Evidence, gather
from harness.plots import Picture, Plot, Strip, pictures

CUTS = [Silence(RUN_NS + place * 2 * S + 500 * MS, 700 * MS) for place in range(3)]


def evidence_of(scenario: Scenario | None = None, **fields: Any) -> Evidence:
    """What a scenario, or one with these fields, shows."""
    scenario = scenario or Scenario(**fields)
    return gather(scenario.plan, scenario.recording())


def by_key(evidence: Evidence, **more: Any) -> dict[str, Picture]:
    """Every picture by its key."""
    return {one.key: one for drawn in pictures(evidence, **more).values() for one in drawn}


def plot_of(evidence: Evidence, key: str, **more: Any) -> Plot:
    """The plot with this key."""
    found = by_key(evidence, **more)[key]
    assert isinstance(found, Plot)
    return found


def strip_of(evidence: Evidence, **more: Any) -> Strip:
    """The strip of packets."""
    found = by_key(evidence, **more)["packets"]
    assert isinstance(found, Strip)
    return found


def fates_of(strip: Strip) -> dict[str, int]:
    """How many packets had each fate, by its word; only those that occur."""
    words = [strip.fates[number].word for number in strip.fate.tolist()]
    return {word: words.count(word) for word in sorted(set(words))}


def series_of(plot: Plot, name: str) -> Any:
    """The series of that name, None if there is none."""
    return next((series for series in plot.series if series.name == name), None)


def at_index(*places: int) -> Any:
    """Say yes to the packets at these places."""
    return lambda packet: packet.index in places


def slow_at(*places: int, ns: int = 150 * MS) -> Any:
    """Latencies: these packets come so late, all others after 2 ms and their place in us."""

    def latency(packet: Packet) -> int:
        return ns if packet.index in places else 2 * MS + 1000 * (packet.index % 50)

    return latency
