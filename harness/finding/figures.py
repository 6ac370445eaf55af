"""What did the check of a rig's lines show? Figures from its recording, and what the shipped plans need."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import Junk, decode_piece
from harness.codec import messages as m
from harness.finding.proving import ANSWERS, CALM, IDLE, PHASE
from harness.load import BITS_A_BYTE, line_loads
from harness.measure.arrays import Ints
from harness.measure.clockmap import Segment, map_clock
from harness.measure.exchanges import PING_BYTES, PONG_BYTES, byte_time_ns, read_exchanges
from harness.measure.tables import Stream, read_stream
from harness.plan import model as p
from harness.plan.find import shipped_plans
from harness.plan.reader import load_plan
from harness.recording import Direction, PortPackets, Recording
from harness.timeline import build_timeline

SETTLE_NS: Final = 100 * MS
"""Left out at the beginning of a full line: queues fill up."""


@dataclass(frozen=True, slots=True)
class Trips:
    """Round trips of the calm phase in ns, byte times included; None without any."""

    median_ns: int | None
    p95_ns: int | None
    longest_ns: int | None
    byte_ns: int


@dataclass(frozen=True, slots=True)
class Losses:
    """Messages missing of one phase: towards the PC by the counter, and questions without an answer."""

    came: int
    missing: int
    asked: int
    unanswered: int

    @property
    def none(self) -> bool:
        """Whether nothing was lost, as far as can be known."""
        return not self.missing and not self.unanswered


@dataclass(frozen=True, slots=True)
class Need:
    """The most bytes a second that a shipped plan puts on a line, and which plan that is."""

    bytes_per_s: float
    plan: str


@dataclass(frozen=True, slots=True)
class Measured:
    """All that one check tells of one line; rates in bytes a second.

    `damaged` came to the PC as something else than a message; `bad_at_device` counts those that a receiver
    got so, None where nobody counts.
    `clock` is the worst map of the device's clock, None if it said nothing; `restarts` are those during it.
    """

    role: Role
    baud: int
    trips: Trips
    calm: Losses
    full: Losses
    to_pc: float
    to_device: float
    damaged: int
    bad_at_device: int | None
    clock: Segment | None
    restarts: int

    @property
    def promised(self) -> float:
        """What the baud rate promises, in bytes a second."""
        return self.baud / BITS_A_BYTE


def measure(recording: Recording) -> dict[Role, Measured]:
    """Return the figures of every line in the recording of a check on which anything was asked."""
    phases = _phases(recording)
    asked = [role for role, packets in recording.ports.items() if packets.at_ns]
    return {role: _measure(recording, role, phases) for role in asked}


def _phases(recording: Recording) -> dict[str, tuple[int, int]]:
    marks = [mark for mark in recording.marks if mark.kind == PHASE]
    ends = [mark.at_ns for mark in marks[1:]]
    return {str(mark.fields["name"]): (mark.at_ns, end) for mark, end in zip(marks, ends, strict=False)}


def _measure(recording: Recording, role: Role, phases: Mapping[str, tuple[int, int]]) -> Measured:
    baud = recording.header.baud[role]
    packets = recording.ports.get(role)
    heard, told = read_stream(packets, Direction.TO_PC), read_stream(packets, Direction.TO_DEVICE)
    whole = phases[CALM][0], phases[IDLE][1]
    calm, everything = _losses(heard, told, phases[CALM], baud), _losses(heard, told, whole, baud)
    clock, restarts = _clock(heard, told, whole, baud)
    full = Losses(*(all_ - part for all_, part in zip(_numbers(everything), _numbers(calm), strict=True)))
    return Measured(
        role=role,
        baud=baud,
        trips=_trips(heard, told, phases[CALM], baud),
        calm=calm,
        full=full,
        to_pc=_carried(heard, phases[ANSWERS]),
        to_device=_reached(heard, told, phases[IDLE], baud),
        damaged=_damaged(packets, whole),
        bad_at_device=_bad_at_device(heard, whole),
        clock=clock,
        restarts=restarts,
    )


def _clock(heard: Stream, told: Stream, span: tuple[int, int], baud: int) -> tuple[Segment | None, int]:
    """Return the worst map since the check began, and the restarts since; opening the port made none."""
    frames = _within(heard.at_ns, span)
    if not len(frames):
        return None, 0
    first, last = int(heard.segment[frames[0]]), int(heard.segment[frames[-1]])
    parts = map_clock(heard, told, baud).segments[first : last + 1]
    return max(parts, key=lambda part: part.bound_ns), last - first


def _numbers(losses: Losses) -> tuple[int, int, int, int]:
    return losses.came, losses.missing, losses.asked, losses.unanswered


def _within(times: Ints, span: tuple[int, int]) -> Ints:
    return np.flatnonzero((times >= span[0]) & (times < span[1]))


def _trips(heard: Stream, told: Stream, span: tuple[int, int], baud: int) -> Trips:
    exchanges = read_exchanges(heard, told, baud)
    trips = np.sort(exchanges.trip_ns[_within(exchanges.heard_ns, span)]).tolist()
    bytes_ns = byte_time_ns(PING_BYTES + PONG_BYTES, exchanges.baud)
    if not trips:
        return Trips(None, None, None, bytes_ns)
    return Trips(_rank(trips, 50), _rank(trips, 95), trips[-1], bytes_ns)


def _rank(ascending: list[int], percent: int) -> int:
    """Return a percentile by the nearest rank: the smallest value that so many per cent do not exceed."""
    return ascending[max(0, -(-len(ascending) * percent // 100) - 1)]


def _losses(heard: Stream, told: Stream, span: tuple[int, int], baud: int) -> Losses:
    frames = _within(heard.at_ns, span)
    missing = int(heard.lost[frames[-1]] - heard.lost[frames[0]]) if len(frames) else 0
    pings = len(_within(told.table(m.Ping.TYPE).at_ns, span))
    pongs = len(_within(read_exchanges(heard, told, baud).heard_ns, span))
    asked = sum(
        isinstance(note.message, m.Identify) and span[0] <= note.at_ns < span[1] for note in told.others
    )
    said = sum(
        isinstance(note.message, m.Identity) and span[0] <= note.at_ns < span[1] for note in heard.others
    )
    return Losses(len(frames), missing, pings + asked, max(0, pings - pongs) + max(0, asked - said))


def _count(stream: Stream, kind: type[m.AnyMessage], span: tuple[int, int]) -> int:
    return sum(isinstance(note.message, kind) and span[0] <= note.at_ns < span[1] for note in stream.others)


def _carried(heard: Stream, span: tuple[int, int]) -> float:
    """Return bytes a second that came while the line was kept full."""
    start, end = span[0] + SETTLE_NS, span[1]
    inside = _within(heard.piece_ns, (start, end))
    return float(heard.piece_size[inside].sum()) * S / (end - start) if end > start else 0.0


def _reached(heard: Stream, told: Stream, span: tuple[int, int], baud: int) -> float:
    """Return bytes a second that reached the device: all that was sent before the last ping it answered."""
    exchanges = read_exchanges(heard, told, baud)
    inside = _within(exchanges.heard_ns, span)
    if not len(inside):
        return 0.0
    came_ns = int(exchanges.heard_ns[inside[-1]])
    asked_ns = came_ns - int(exchanges.trip_ns[inside[-1]])
    sent = int(told.piece_size[_within(told.piece_ns, (span[0], asked_ns + 1))].sum())
    return sent * S / max(1, asked_ns - span[0]) if asked_ns > span[0] else 0.0


def _damaged(packets: PortPackets | None, span: tuple[int, int]) -> int:
    if packets is None:
        return 0
    rows = zip(packets.at_ns, packets.direction, packets.data, strict=True)
    came = (data for at, way, data in rows if way == Direction.TO_PC and span[0] <= at < span[1])
    found = (decode_piece(piece) for piece in came)
    return sum(isinstance(piece, Junk) and bool(piece.data) for piece in found)


def _bad_at_device(heard: Stream, span: tuple[int, int]) -> int | None:
    counts = [
        note.message.bad_frames
        for note in heard.others
        if isinstance(note.message, m.Counters) and span[0] <= note.at_ns < span[1] + S
    ]
    return max(0, counts[-1] - counts[0]) if len(counts) > 1 else None


_SEARCHES: Final = (p.FindThroughput, p.FindBackToBack, p.Overload)


@cache
def needs(role: Role, baud: int) -> tuple[Need, Need]:
    """Return what the shipped plans need of a line: to the device, and to the PC.

    Plans that search for the line's own limits are left out: they go as far as it lets them.
    """
    best = {True: Need(0.0, ""), False: Need(0.0, "")}
    for name, file in shipped_plans().items():
        timeline = build_timeline(load_plan(file), 0)
        if any(isinstance(segment.step.action, _SEARCHES) for segment in timeline.segments):
            continue
        for load in line_loads(timeline, dict.fromkeys(Role, baud)):
            if load.role is role and load.bytes_per_s > best[load.to_device].bytes_per_s:
                best[load.to_device] = Need(float(load.bytes_per_s), name)
    return best[True], best[False]
