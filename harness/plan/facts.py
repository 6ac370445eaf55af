"""What may the rules of a plan rely on? What could be read of it, and where it is written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType

from harness.plan import model as p
from harness.plan.fields import Reading


@dataclass(frozen=True, slots=True)
class Facts:
    """What the rules may rely on: the reading, the link if it is sound, and every channel that is."""

    reading: Reading
    link: p.Link | None
    channels: Mapping[str, p.Channel]
    throttle_up_to: Fraction
    named: Mapping[str, frozenset[str]]
    """Key words of the steps under each name; a `repeat` has those of its steps too."""

    def problem(self, path: str, found: str, allowed: str) -> None:
        """Note a problem at the value under `path`, or at the innermost value around it that is written."""
        around = path
        while around not in self.reading.places:
            around = around[: max(around.rfind("."), around.rfind("["), 0)]
        self.reading.problem(self.reading.places[around], path, found, allowed)

    def is_written(self, path: str) -> bool:
        """Return whether the file itself gives this value."""
        return path in self.reading.places

    def words(self, of: str) -> list[str]:
        """Return the key words of every step or check, also of those with something wrong in them."""
        return [entry.word for entry in self.reading.entries if entry.of == of]

    def no_step(self, *words: str) -> bool:
        """Return whether the plan surely has no such step; a snippet has no steps to look at."""
        whole = "steps" in self.reading.places and "step" not in self.reading.torn
        return whole and not set(words) & set(self.words("step"))

    def none_during(self, during: tuple[str, ...], *words: str) -> bool:
        """Return whether surely no step named in `during` is or holds one of these."""
        known = "step" not in self.reading.torn and set(during) <= set(self.named)
        return bool(during) and known and not any(set(words) & self.named[name] for name in during)


def facts_of(
    reading: Reading, link: p.Link | None = None, named: Mapping[str, frozenset[str]] = MappingProxyType({})
) -> Facts:
    """Return the facts of a document, or of a snippet beside the `link` and the steps it is meant for."""
    made = reading.made.get("link")
    sound = link or (made if isinstance(made, p.Link) else None)
    channels = sound.channels if sound else (c for c in reading.made.values() if isinstance(c, p.Channel))
    safety = reading.made.get("safety", p.Safety())
    assert isinstance(safety, p.Safety)
    return Facts(
        reading, sound, {channel.name: channel for channel in channels}, safety.throttle_up_to, named
    )
