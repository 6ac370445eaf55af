"""Is a violation a new one? Compares what a scenario is made of with what earlier findings needed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Final

from harness.measure.cuts import WAY_WORDS
from harness.plan import model as p

STICKS = (p.Hold, p.Step, p.Ramp, p.Sweep, p.Corners, p.Wander)
BESIDE = (p.Mute, p.Interfere)
"""Steps that move sticks too, so that something can be seen."""
Causes = frozenset[str]
PHRASES: Final[Mapping[str, str]] = {
    "sticks": "moving sticks",
    "cut": "a link cut",
    **{f"cut by {way}": f"a link cut {told}" for way, told in WAY_WORDS.items()},
    "cut in a burst": "a link cut during a burst of packets",
    "cut at another packet rate": "a link cut at another packet rate",
    "fade": "a fade out and back",
    "burst": "a burst of packets",
    "mute": "lost acknowledgements",
    "interfere": "packets of another transmitter in between",
    "inject": "injected telemetry values",
    "restart of the receiver": "a restart of the receiver",
    "restart of the transmitter": "a restart of the transmitter",
    "restart in silence": "a restart of the receiver during a link cut",
    "clock wrap": "a wrap of a device's clock",
    "packet number wrap": "a wrap of the packet number",
    "own_sticks": "the transmitter's own sticks",
    "throughput": "a search of the throughput",
    "back_to_back": "a search of the longest burst",
    "overload": "an overload",
    "margin": "a link weakened step by step",
}
"""What causes are called in a sentence. The keys are kept in `explore.json`, and never change."""


def causes(steps: Iterable[p.PlanStep]) -> Causes:
    """Return what is done to the link in these steps, as a set of words; sticks at rest are nothing.

    A special way of doing something is also the plain way: what fails after any cut is told once, and a cut
    by packets of another transmitter is then nothing new.
    """
    return frozenset(word for step in p.every_step(steps) for word in _words(step.action))


def _words(action: p.StepAction) -> Iterator[str]:
    if isinstance(action, STICKS):
        yield "sticks"
    elif isinstance(action, p.Cut):
        yield from _cut_words(action)
    elif isinstance(action, p.Fade):
        yield from ("sticks", "cut", "fade")
    elif isinstance(action, p.Restart):
        yield from _restart_words(action)
    elif isinstance(action, BESIDE):
        yield from ("sticks", action.WORD)
    elif not isinstance(action, p.Settle | p.Wait):
        yield action.WORD


def _cut_words(cut: p.Cut) -> Iterator[str]:
    yield from ("sticks", "cut")
    if cut.by != "silence":
        yield f"cut by {cut.by}"
    if cut.burst:
        yield from ("burst", "cut in a burst")
    if cut.packet_rate_mhz is not None:
        yield "cut at another packet rate"


def _restart_words(restart: p.Restart) -> Iterator[str]:
    yield f"restart of the {restart.device}"
    if restart.silent_ns:
        yield from ("cut", "restart in silence")
    if restart.clock_wraps_in_ns is not None:
        yield "clock wrap"
    if restart.packets_wrap_in is not None:
        yield "packet number wrap"


def in_words(found: Causes) -> str:
    """Return causes as a person would say them behind `with`, what is implied by something else left out."""
    implied = set()
    if {"cut", "fade", "mute", "interfere"} & found:
        implied.add("sticks")
    if any(word.startswith("cut ") for word in found) or {"fade", "restart in silence"} & found:
        implied.add("cut")
    if "cut in a burst" in found:
        implied.add("burst")
    if "restart in silence" in found:
        implied.add("restart of the receiver")
    return listed([PHRASES.get(word, word) for word in sorted(found - implied)]) or "the sticks at rest"


def listed(words: Sequence[str]) -> str:
    """Return words as a sentence lists them: `this, that and another`."""
    return " and ".join(part for part in (", ".join(words[:-1]), *words[-1:]) if part)
