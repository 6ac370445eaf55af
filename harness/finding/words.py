"""Are the lines good enough? Each figure of a check with a word, and what to do where it is not good.

`good`: nothing to do. `weak`: plans run, with wider uncertainty or less room. `bad`: the shipped plans would
end in bench trouble, or settle nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum
from typing import Final, NamedTuple

from harness.clock import MS
from harness.finding.figures import Measured, needs
from harness.load import BUSY_AT
from harness.measure.clockmap import Segment
from harness.measure.clockpoints import RATE_LIMIT
from harness.plan.wording import many

TRIP_GOOD_NS: Final = 5 * MS
"""Beyond the byte times: a millisecond each way for USB 2.0 full speed, whose frames come every millisecond,
one for the adapter's timer at 1 ms, and two for the device's loop (common practice, no source)."""
TRIP_LATE_NS: Final = 12 * MS
"""For 95 % of round trips: a latency timer at its usual 16 ms must show, a busy PC need not."""
TRIP_WEAK_NS: Final = 25 * MS
"""Beyond the byte times: a latency timer at its usual 16 ms and the same again as above, rounded up."""
EXPECTED: Final = 3
"""Of so many losses to be expected, none comes in 5 % of cases (Poisson: exp(-3)); the rule of three."""
BOUND_GOOD_NS: Final = 3 * MS
"""Both devices together stay within 6 ms, well inside the 15 ms that `first-look` gives a packet."""
BOUND_WEAK_NS: Final = 20 * MS
"""As sure as times of arrival without any ping (`ARRIVAL_BOUND_NS`)."""


class Word(StrEnum):
    """How good a figure is."""

    GOOD = "good"
    WEAK = "weak"
    BAD = "bad"


class Line(NamedTuple):
    """One figure in words. `advice` says what to do, "" if it is good."""

    what: str
    word: Word
    told: str
    advice: str = ""


def judged(one: Measured) -> Iterator[Line]:
    """Return each figure with its word: round trip, loss, capacity, clock."""
    yield _round_trip(one)
    yield _loss(one)
    yield _capacity(one)
    yield _clock(one)


def _round_trip(one: Measured) -> Line:
    trips, answered = one.trips, one.calm.asked - one.calm.unanswered
    if trips.median_ns is None or trips.p95_ns is None or trips.longest_ns is None:
        return Line(
            "round trip", Word.BAD, f"none of {many(one.calm.asked, 'ping')} was answered",
            "the firmware must answer Ping (shared/protocol.md); without it times rest on arrivals alone",
        )  # fmt: skip
    told = (
        f"median {_ms(trips.median_ns)}, 95 % within {_ms(trips.p95_ns)}, longest "
        f"{_ms(trips.longest_ns)}; {answered} of {many(one.calm.asked, 'ping')} answered"
    )
    late = trips.p95_ns - trips.byte_ns
    if trips.median_ns - trips.byte_ns <= TRIP_GOOD_NS and late <= TRIP_LATE_NS:
        return Line("round trip", Word.GOOD, told)
    advice = (
        "look at the adapter's latency timer (`propsoff ports` says how to lower it), at hubs, and at "
        "what the device does before it answers a ping; over a network this is the network's share"
    )
    return Line("round trip", Word.WEAK if late <= TRIP_WEAK_NS else Word.BAD, told, advice)


def _loss(one: Measured) -> Line:
    came, missing = one.calm.came + one.full.came, one.calm.missing + one.full.missing
    asked, unanswered = one.calm.asked + one.full.asked, one.calm.unanswered + one.full.unanswered
    told = (
        f"missing: {missing} of {many(came + missing, 'message')} to the PC, "
        f"{_to_device(missing, unanswered)} of {many(asked, 'question')} to the device"
    )
    damaged = one.damaged + (one.bad_at_device or 0)
    if damaged:
        told += f"; damaged: {one.damaged} to the PC, {one.bad_at_device or 0} to the device"
    if one.calm.none and one.full.none and not damaged:
        return Line("loss", Word.GOOD, told)
    if one.calm.none and not damaged and _only_when_full(one):
        return Line(
            "loss", Word.WEAK, f"{told}; only while the line was kept full",
            "the device's buffers are too small for a full line: let it hold 512 bytes of output, or use "
            "lower packet rates",
        )  # fmt: skip
    return Line(
        "loss", Word.BAD, told,
        "the check `bench` of the shipped plans allows none: look at cables, grounds and levels, at a baud "
        "rate that the board's clock divides into, at buffers, and at text printed between messages",
    )  # fmt: skip


def _only_when_full(one: Measured) -> bool:
    """Return whether a line that lost as much when it was calm would have shown it there."""
    lost, among = one.full.missing + one.full.unanswered, one.full.came + one.full.asked
    return lost * (one.calm.came + one.calm.asked) >= EXPECTED * among


def _to_device(missing: int, unanswered: int) -> str:
    """Say how many questions were lost on their way there; some answers may have been, on the way back."""
    least = max(0, unanswered - missing)
    return f"{unanswered}" if least == unanswered else f"{least} to {unanswered}"


def _capacity(one: Measured) -> Line:
    need_device, need_pc = needs(one.role, one.baud)
    told = (
        f"carried at least {_rate(one.to_pc)} to the PC and {_rate(one.to_device)} to the device of "
        f"{_rate(one.promised)} at {one.baud} baud; the shipped plans need {_rate(need_pc.bytes_per_s)} "
        f"({need_pc.plan}) and {_rate(need_device.bytes_per_s)} ({need_device.plan})"
    )
    pairs = ((one.to_pc, need_pc.bytes_per_s), (one.to_device, need_device.bytes_per_s))
    room = float(BUSY_AT)
    if one.promised * room < max(need for _, need in pairs):
        word, advice = Word.BAD, (
            f"{one.baud} baud are too few for these plans: raise the rate in the firmware and in the rig"
        )  # fmt: skip
    elif any(rate < need for rate, need in pairs):
        word, advice = Word.BAD, (
            "the line carries much less than its rate promises: look at the adapter's latency timer, at flow "
            "control (it must be off), and at how long the device takes for each message"
        )  # fmt: skip
    elif any(rate * room < need for rate, need in pairs):
        word, advice = Word.WEAK, "there is little room: a higher baud rate or a lower latency timer helps"
    else:
        word, advice = Word.GOOD, ""
    return Line("capacity", word, told, advice)


def _clock(one: Measured) -> Line:
    part = one.clock
    if part is None or part.how == "nothing" or not part.ticks:
        told = "the device sent no time stamp that goes on with time"
        advice = "the firmware must stamp its messages in microseconds (shared/protocol.md, Times)"
        return Line("clock", Word.BAD, told, advice)
    told = (
        f"known to +- {_ms(part.bound_ns)} by {part.how}; rate off by "
        f"{part.skew_ppm:+.0f} ppm (+- {part.rate.error * 1e6:.0f})"
    )
    if one.restarts:
        again = f"{told}; the device restarted {many(one.restarts, 'time')} during the check"
        return Line("clock", Word.BAD, again, "look at its supply, its watchdog and its reset line")
    return _clock_bound(part, told)


def _clock_bound(part: Segment, told: str) -> Line:
    if abs(part.skew_ppm) > 2 * RATE_LIMIT * 1e6:
        advice = "the device's microseconds are more than 2 % off: look at its clock settings"
        return Line("clock", Word.BAD, told, advice)
    if part.bound_ns <= BOUND_GOOD_NS:
        return Line("clock", Word.GOOD, told)
    advice = "every latency is as uncertain as this: shorten the round trip, above all its shortest"
    return Line("clock", Word.WEAK if part.bound_ns <= BOUND_WEAK_NS else Word.BAD, told, advice)


def _ms(time_ns: int) -> str:
    return f"{time_ns / MS:.2f} ms" if time_ns < 10 * MS else f"{time_ns / MS:.1f} ms"


def _rate(bytes_per_s: float) -> str:
    return f"{bytes_per_s:.0f} B/s"
