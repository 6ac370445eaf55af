"""How are trials at a link's limits made? Waits and lengths by method, and how long a search takes at most.

The methods are those of RFC 2544 and RFC 9004 with the radio packet as the frame. `practical` keeps their
order of phases with times that suit a bench: where the RFC waits for so many seconds, it waits until packets
come through again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from types import MappingProxyType
from typing import Final

from harness.clock import MS, S
from harness.plan import model as p
from harness.search import most_questions


@dataclass(frozen=True, slots=True)
class Method:
    """The phases of one trial, in ns, and how often things are done.

    `before_ns` passes at the trial's rate before packets count; `residual_ns` after it, for the last packets
    and reports; then the link is at its usual rate for `rest_ns` at least and, until packets come through
    one after the other, up to `rest_most_ns`. `final_ns` is the length of the trial that the result rests
    on, `overload_ns` that of an overload; both are 0 for bursts, as `repeats` is for rates.
    """

    before_ns: int
    residual_ns: int
    rest_ns: int
    rest_most_ns: int
    final_ns: int
    overload_ns: int
    repeats: int


PRACTICAL: Final = Method(100 * MS, 250 * MS, 0, 5 * S, 10 * S, 2 * S, 10)
SHORT: Final = Method(0, 250 * MS, 0, 2 * S, 0, 0, 10)
"""For rates and for bursts; common practice, no source."""
RFC_2544: Final = Method(2 * S, 2 * S, 5 * S, 5 * S, 60 * S, 60 * S, 0)
"""RFC 2544 section 23 (2 s after the learning frames, 2 s for residual frames, at least 5 s to stabilise),
24 (at least 60 s; shorter trials only while searching), 26.5 (overload of at least 60 s)."""
RFC_9004: Final = Method(0, 2 * S, 0, 2 * S, 0, 0, 50)
"""RFC 9004 sections 6.2 and 6.3 (2 s after a burst at least); 50 repetitions as RFC 2544 section 26.4."""
RATES: Final[Mapping[str, Method]] = MappingProxyType({"practical": PRACTICAL, "RFC 2544": RFC_2544})
BURSTS: Final[Mapping[str, Method]] = MappingProxyType({"practical": SHORT, "RFC 9004": RFC_9004})
FINALS: Final = 4
"""Trials of full length at most: those that lose a packet lower the rate by 1, 2, 4 steps of the search."""
SPARES: Final = 2
"""So many trials of a step are made again if the serial line spoilt them."""
ASKING_NS: Final = 100 * MS
"""Time in which a transmitter replies to the commands of one trial."""
BURST_PACKET_NS: Final = 2 * MS
"""Most time for a packet of a back-to-back burst: air time, acknowledgement, a retransmission."""
SLOWER: Final = 2
"""After an overload the rate is this part of it: 50 % (RFC 2544 section 26.5)."""


class Outcome(StrEnum):
    """What a trial came to. Only good, lossy and slow say something of the link."""

    GOOD = "good"
    LOSSY = "lossy"
    SLOW = "slow"
    """The transmitter sent fewer packets than it was asked for: it cannot keep the rate."""
    VOID = "void"
    """Serial messages are missing, so nobody knows."""
    REFUSED = "refused"
    """The transmitter does not take the command."""


def outcome(*, sent: int, least: int, lost: int, unknown: int, allowed: Fraction) -> Outcome:
    """Return what a trial came to: `sent` packets of at least `least`, `lost` of them for certain.

    `unknown` is how many more may have been sent or lost where serial messages are missing. Bad only if the
    certain losses alone are too many, good only if all of the unknown ones may be lost as well.
    """
    if lost > allowed * sent:
        return Outcome.LOSSY
    if sent + unknown < least:
        return Outcome.SLOW
    spoilt = sent < least or lost + unknown > allowed * sent
    return Outcome.VOID if spoilt else Outcome.GOOD


def fewest(rate_mhz: int, for_ns: int) -> int:
    """Return how many packets a transmitter must send to be said to keep a rate for a time.

    1 % less than rate x time, for its clock may be as much slow, and one less at either end.
    """
    return rate_mhz * for_ns * 99 // (100 * 10**12) - 2


def rates_mhz(action: p.FindThroughput, lowest_mhz: int, most_mhz: int) -> tuple[int, ...]:
    """Return the rates to search among, in mHz, lowest first, none above `most_mhz`.

    `lowest_mhz` stands for `from` if that is left out. `to` itself is among them if it does not exceed
    `most_mhz`.
    """
    low, high = action.from_mhz or lowest_mhz, min(action.to_mhz, most_mhz)
    grid = list(range(low, high + 1, action.resolution_mhz))
    if high == action.to_mhz and grid and grid[-1] != high:
        grid.append(high)
    return tuple(grid)


def repeats_of(action: p.FindBackToBack) -> int:
    """Return how often the longest burst is searched."""
    return action.repeats or BURSTS[action.method].repeats


def overload_for_ns(action: p.Overload) -> int:
    """Return how long an overload lasts."""
    return action.for_ns or RATES[action.method].overload_ns


def method_of(action: p.LimitStep) -> Method:
    """Return the phases that a step asks for."""
    return BURSTS[action.method] if isinstance(action, p.FindBackToBack) else RATES[action.method]


def around_ns(method: Method) -> int:
    """Return the longest time that a trial takes beside itself, replies in time."""
    rest_ns = max(method.rest_ns, method.rest_most_ns)
    return ASKING_NS + method.before_ns + method.residual_ns + rest_ns


def trials_of(action: p.LimitStep, link: p.Link) -> int:
    """Return the most trials that such a step can have, those of full length and spares too."""
    if isinstance(action, p.FindThroughput):
        return most_questions(len(rates_mhz(action, link.packet_rate_mhz, action.to_mhz))) + FINALS + SPARES
    if isinstance(action, p.FindBackToBack):
        return repeats_of(action) * most_questions(action.up_to) + SPARES
    return action.times


def limit_step_ns(action: p.LimitStep, link: p.Link) -> int:
    """Return the longest time that such a step can take, in ns."""
    method = method_of(action)
    if isinstance(action, p.FindThroughput):
        longest = max(action.trial_ns, method.final_ns) + around_ns(method)
        searching = trials_of(action, link) - FINALS - SPARES
        short = searching * (action.trial_ns + around_ns(method))
        return around_ns(method) + short + (FINALS + SPARES) * longest
    if isinstance(action, p.FindBackToBack):
        one = action.up_to * BURST_PACKET_NS + 2 * link.packet_period_ns + around_ns(method)
        return around_ns(method) + trials_of(action, link) * one
    pushed = overload_for_ns(action) + action.after_ns
    return around_ns(method) + action.times * (pushed + around_ns(method))


__all__ = [
    "BURSTS",
    "BURST_PACKET_NS",
    "FINALS",
    "RATES",
    "SLOWER",
    "SPARES",
    "Method",
    "Outcome",
    "around_ns",
    "fewest",
    "limit_step_ns",
    "method_of",
    "outcome",
    "overload_for_ns",
    "rates_mhz",
    "repeats_of",
    "trials_of",
]
