"""Is a violation a new one? Compares what a scenario is made of with what earlier findings needed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.plan import model as p

STICKS = (p.Hold, p.Step, p.Ramp, p.Sweep, p.Corners, p.Wander)
BESIDE = (p.Mute, p.Interfere)
"""Steps that move sticks too, so that something can be seen."""
Causes = frozenset[str]


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
    """Return causes as a person lists them, what is implied by something else left out."""
    implied = set()
    if {"cut", "fade", "mute", "interfere"} & found:
        implied.add("sticks")
    if any(word.startswith("cut ") for word in found) or {"fade", "restart in silence"} & found:
        implied.add("cut")
    if "cut in a burst" in found:
        implied.add("burst")
    return ", ".join(sorted(found - implied)) or "sticks at rest"
