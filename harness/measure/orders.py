"""What was done to the link on purpose, and when? Silences, disturbances, muting and deafness, as ordered.

They come from the commands in the recording, for these are what the devices acted on; replies and reports of
the devices tell when each took effect and whether anything came of it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from harness.bench.protocol import Role
from harness.clock import MS, US, S
from harness.codec import messages as wire
from harness.measure.arrays import Ints, ints
from harness.measure.clockmap import ClockMap
from harness.measure.tables import Heard, Stream

TAKES_NS: Final = 100 * MS
"""Time for a command to arrive and be carried out, adapter and loop included (common practice, no source)."""
ANSWER_NS: Final = 5 * S
"""A reply later than this belongs to another command with the same counter."""
REPORT_NS: Final = 500 * MS
"""`Disturbed` comes within 20 ms of the end (shared/protocol.md); the rest is for a line with a queue."""
CLOCK_SLOW: Final = 100
"""A device's clock may run a per cent slow: what it times then lasts that much longer."""

What = Literal["silence", "corrupted", "foreign", "repeated", "beside", "deaf", "muted"]
KINDS: Final[Mapping[int, What]] = {
    wire.Disturbance.CORRUPTED: "corrupted",
    wire.Disturbance.FOREIGN: "foreign",
    wire.Disturbance.REPEATED: "repeated",
    wire.Disturbance.BESIDE: "beside",
}
Command = wire.Silence | wire.Disturb | wire.Deafen | wire.MuteAcks
_ENDED_BY: Final[Mapping[What, tuple[type, ...]]] = {
    "silence": (wire.Release, wire.Disturb),
    "deaf": (wire.Release, wire.Deafen),
    "muted": (wire.Release, wire.MuteAcks),
    **dict.fromkeys(KINDS.values(), (wire.Release, wire.Silence, wire.Disturb)),
}
"""What ends an order as soon as it arrives (shared/protocol.md, sections 5 and 6)."""


@dataclass(frozen=True, slots=True)
class Order:
    """One command to meddle with the link, in host ns.

    `start_ns` is the earliest instant at which it can have begun, `end_ns` that plus its duration, or an
    earlier end by another command. `taken_ns` is when the device carried the command out by the stamp in its
    reply, None without one; `refused` if it said that it would not. `over_ns` is the latest instant at which
    its effect can have ended. `packets` and `acknowledged` are what a transmitter reports to have sent in a
    disturbance, None without a report.
    """

    what: What
    role: Role
    command_ns: int
    start_ns: int
    end_ns: int
    taken_ns: int | None
    refused: bool
    over_ns: int
    packets: int | None = None
    acknowledged: int | None = None

    @property
    def began_ns(self) -> int | None:
        """When it began, where the device's reply tells."""
        return None if self.taken_ns is None else self.taken_ns + self.start_ns - self.command_ns

    @property
    def span(self) -> tuple[int, int]:
        """From the earliest instant at which it could have an effect to the latest."""
        return self.start_ns, self.over_ns


def read_orders(
    told: Mapping[Role, Stream], heard: Mapping[Role, Stream], clocks: Mapping[Role, ClockMap]
) -> tuple[Order, ...]:
    """Return every order in the order of the commands. Pure; odd data make odd orders, never an exception."""
    found = [
        order
        for role in (Role.TRANSMITTER, Role.RECEIVER)
        for order in _of_port(role, told[role], heard[role], clocks[role])
    ]
    return tuple(sorted(found, key=lambda order: order.command_ns))


def spans_of(orders: tuple[Order, ...], *what: What) -> Ints:
    """Return (n, 2) host times in which orders of these kinds could have an effect."""
    chosen = [order.span for order in orders if order.what in what and not order.refused]
    return ints(chosen).reshape(-1, 2)


@dataclass(frozen=True, slots=True)
class _Reply:
    """A device's word on a command: when it came, when the command took effect, whether it did."""

    heard_ns: int
    at_ns: int
    done: bool


def _of_port(role: Role, told: Stream, heard: Stream, clock: ClockMap) -> list[Order]:
    notes = [note for note in told.others if isinstance(note.message, Command)]
    if not notes:
        return []
    ends = {what: _times(told, enders) for what, enders in _ENDED_BY.items()}
    replies = _replies(heard, clock)
    return _with_reports([_order(role, note, ends, replies) for note in notes], heard, clock)


def _times(told: Stream, kinds: tuple[type, ...]) -> list[int]:
    return [note.at_ns for note in told.others if isinstance(note.message, kinds)]


def _what(message: Command) -> What:
    if isinstance(message, wire.Disturb):
        return KINDS.get(message.kind, "beside")
    if isinstance(message, wire.Silence):
        return "silence"
    return "deaf" if isinstance(message, wire.Deafen) else "muted"


def _order(
    role: Role, note: Heard, ends: dict[What, list[int]], replies: dict[tuple[int, int], list[_Reply]]
) -> Order:
    message = note.message
    assert isinstance(message, Command)
    what = _what(message)
    later = ends[what][bisect_right(ends[what], note.at_ns) :][:1]
    start, lasts = note.at_ns + message.delay_us * US, message.duration_us * US
    answers = replies.get((message.TYPE, note.counter), [])
    answer = next((one for one in answers if 0 < one.heard_ns - note.at_ns <= ANSWER_NS), None)
    taken = answer.at_ns if answer is not None and answer.done else None
    begun = taken + message.delay_us * US if taken is not None else start + TAKES_NS
    over = begun + lasts + lasts // CLOCK_SLOW
    return Order(
        what=what,
        role=role,
        command_ns=note.at_ns,
        start_ns=start,
        end_ns=max(start, min([start + lasts, *later])),
        taken_ns=taken,
        refused=answer is not None and not answer.done,
        over_ns=max(start, min([over, *(at_ns + TAKES_NS for at_ns in later)])),
    )


def _replies(heard: Stream, clock: ClockMap) -> dict[tuple[int, int], list[_Reply]]:
    """Return the replies to orders by command and counter, each in the order of arrival."""
    kinds = {kind.TYPE for kind in (wire.Silence, wire.Disturb, wire.Deafen, wire.MuteAcks)}
    notes = [
        (note, note.message)
        for note in heard.others
        if isinstance(note.message, wire.Reply) and note.message.command in kinds
    ]
    times = _host_ns(heard, clock, [note for note, _ in notes], ints([reply.at_us for _, reply in notes]))
    found: dict[tuple[int, int], list[_Reply]] = {}
    for (note, reply), at_ns in zip(notes, times.tolist(), strict=True):
        one = _Reply(note.at_ns, at_ns, reply.result == wire.Result.DONE)
        found.setdefault((reply.command, reply.counter), []).append(one)
    return found


def _host_ns(heard: Stream, clock: ClockMap, notes: list[Heard], stamps_us: Ints) -> Ints:
    segment = heard.segment[[note.frame for note in notes]]
    return clock.to_host_ns(clock.unwrap(stamps_us, ints([note.at_ns for note in notes]), segment), segment)


def _with_reports(orders: list[Order], heard: Stream, clock: ClockMap) -> list[Order]:
    """Put in what `Disturbed` reports say: each belongs to the oldest open order of its kind."""
    notes = [note for note in heard.others if isinstance(note.message, wire.Disturbed)]
    if not notes:
        return orders
    reports = [note.message for note in notes if isinstance(note.message, wire.Disturbed)]
    times = _host_ns(heard, clock, notes, ints([report.at_us for report in reports])).tolist()
    found = list(orders)
    for note, report, at_ns in zip(notes, reports, times, strict=True):
        place = _reported(found, KINDS.get(report.kind, "beside"), note.at_ns)
        if place is not None:
            found[place] = _reported_order(found[place], report, at_ns)
    return found


def _reported(orders: list[Order], what: What, heard_ns: int) -> int | None:
    """Return the place of the order that a report heard at `heard_ns` is about, None if there is none."""
    fits = [
        place
        for place, order in enumerate(orders)
        if order.what == what and order.packets is None and not order.refused
        and order.command_ns < heard_ns <= order.over_ns + REPORT_NS
    ]  # fmt: skip
    return fits[0] if fits else None


def _reported_order(order: Order, report: wire.Disturbed, at_ns: int) -> Order:
    over = int(np.clip(at_ns, order.start_ns, order.over_ns))
    return replace(order, over_ns=over, packets=report.packets, acknowledged=report.acknowledged)


__all__ = ["ANSWER_NS", "TAKES_NS", "Order", "What", "read_orders", "spans_of"]
