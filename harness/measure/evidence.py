"""What does a recording show? Every report on one time line, ready to be measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS
from harness.codec import messages as wire
from harness.devices.telling import Telling
from harness.measure.arrays import Ints, ints
from harness.measure.asleep import until_asleep
from harness.measure.clockmap import RESOLUTION_NS, ClockMap, map_clock
from harness.measure.cuts import Air, Cut, read_cuts
from harness.measure.orders import Order, read_orders, spans_of
from harness.measure.outages import (
    read_outages,
    widened,
    with_outages,
    without_hidden_cuts,
    without_hidden_lives,
)
from harness.measure.packets import (
    FAR_NS,
    REPORT_DELAY_LEAST_NS,
    REPORT_DELAY_MOST_NS,
    AppliedPackets,
    OutputChanges,
    SentPackets,
    StickCommands,
    TelemetryReports,
    missing_spans,
    read_applied,
    read_changes,
    read_sent,
    read_sticks,
    read_telemetry,
)
from harness.measure.silences import read_silences
from harness.measure.spans import (
    End,
    RestartSpan,
    Span,
    StepSpan,
    looked_at,
    read_end,
    read_restarts,
    read_steps,
    whole_run,
)
from harness.measure.stalls import read_stalls
from harness.measure.strangers import mark_strangers
from harness.measure.switched import power_losses, read_switched
from harness.measure.switched_cuts import power_restarts, with_switched_cuts
from harness.measure.tables import Stream, read_stream, with_commands
from harness.measure.telling import are_numbered, coarse_of, read_tellings, tells_sent
from harness.plan.model import Plan
from harness.recording.model import Direction, Recording

SILENT_NS: Final = 250 * MS
PINGS_UNANSWERED: Final = 2
"""A port that left this many pings unanswered, and said nothing else for that long, has gone quiet."""


@dataclass(frozen=True, slots=True)
class Evidence:
    """Everything that measurements need, frozen. Times are host ns unless a name says otherwise.

    `heard` and `told` are each port's two directions, a witness's too if there is one; `clocks` maps each
    device's stamps; `slack_ns` is how far apart two mapped times of the two devices under test may be;
    `report_delay_ns` the longest time seen from an event to its report; `run` spans the steps; `quiet` names
    the ports that fell silent before the end, `orders` tells what was done to the link on purpose, `silences`
    when the PC left one of the two devices alone for so long that it let go, `stalls` when nothing got
    through to one. `tells` says what devices without the bench protocol can tell; those that speak it are not
    in there. `memo` keeps what was measured from it (see `harness.measure.memo`).
    """

    plan: Plan
    recording: Recording
    heard: Mapping[Role, Stream]
    told: Mapping[Role, Stream]
    clocks: Mapping[Role, ClockMap]
    slack_ns: int
    report_delay_ns: int
    sent: SentPackets
    applied: AppliedPackets
    changes: OutputChanges
    telemetry: TelemetryReports
    sticks: StickCommands
    steps: tuple[StepSpan, ...]
    run: Span
    orders: tuple[Order, ...]
    cuts: tuple[Cut, ...]
    restarts: tuple[RestartSpan, ...]
    end: End
    data_end_ns: int
    quiet: tuple[Role, ...]
    silences: tuple[tuple[Role, Span], ...]
    stalls: tuple[tuple[Role, Span], ...]
    tells: Mapping[Role, Telling] = field(default_factory=dict)
    memo: dict[tuple[str, str, tuple[str, ...]], object] = field(
        default_factory=dict, init=False, compare=False, repr=False
    )

    def spans(self, during: tuple[str, ...] = ()) -> Ints:
        """Return (n, 2) times of the steps called `during`, or of the whole run."""
        return looked_at(self.plan, self.run, self.steps, during)

    @property
    def cut_spans(self) -> Ints:
        """(n, 2) times from each cut's command to the first packet applied after it."""
        return ints([(cut.command_ns, cut.until_ns) for cut in self.cuts]).reshape(-1, 2)

    @property
    def restart_spans(self) -> Ints:
        """(n, 2) times from each restart command to the first packet applied after it."""
        return ints([(span.start_ns, span.end_ns) for span in self.restarts]).reshape(-1, 2)

    @property
    def deaf_spans(self) -> Ints:
        """(n, 2) sampling times of packets that a deaf receiver may have thrown away, by what was ordered."""
        spans = spans_of(self.orders, "deaf")
        return spans + ints([-self.plan.link.lost_after_ns - self.slack_ns, self.slack_ns])

    @property
    def muted_spans(self) -> Ints:
        """(n, 2) sampling times of packets whose acknowledgement may have been kept back as ordered."""
        spans = spans_of(self.orders, "muted")
        return spans + ints([-self.plan.link.lost_after_ns - self.slack_ns, self.slack_ns])

    @property
    def excused(self) -> Ints:
        """(n, 2) times in which no packet can be expected: cuts and restarts."""
        return np.concatenate((self.cut_spans, self.restart_spans))

    def gaps(self, role: Role) -> Ints:
        """(n, 3) times between which messages of a port are missing: from, to, how many at most."""
        return missing_spans(self.heard[role])


def gather(plan: Plan, recording: Recording) -> Evidence:
    """Decode and line up a recording. Pure; odd or missing data give empty tables, never an exception."""
    recording = until_asleep(recording)
    baud = recording.header.baud
    roles = [role for role in Role if role in DEVICES or role in baud]
    told = {role: read_stream(recording.ports.get(role), Direction.TO_DEVICE) for role in roles}
    said = {role: read_stream(recording.ports.get(role), Direction.TO_PC) for role in roles}
    switched = read_switched(recording.marks)
    heard = {role: with_commands(said[role], told[role], power_losses(switched, role)) for role in roles}
    tells = read_tellings(recording.header.facts, roles)
    data_end_ns = _data_end_ns(recording)
    gone = read_outages(recording, heard, data_end_ns)
    heard = {role: with_outages(heard[role], role, gone) for role in roles}
    mapped = {role: _map_clock(role, heard[role], told[role], baud, tells) for role in roles}
    clocks = {role: without_hidden_lives(mapped[role], heard[role], role, gone) for role in roles}
    slack_ns = sum(clocks[role].bound_ns for role in DEVICES) + 2 * RESOLUTION_NS
    sticks = read_sticks(told[Role.TRANSMITTER], plan.link.channels)
    sent = read_sent(heard[Role.TRANSMITTER], clocks[Role.TRANSMITTER], sticks)
    orders = read_orders(told, heard, clocks)
    matched = read_applied(
        heard[Role.RECEIVER], clocks[Role.RECEIVER], sent, heard[Role.TRANSMITTER],
        slack_ns=slack_ns, lost_after_ns=plan.link.lost_after_ns, numbered=are_numbered(tells),
    )  # fmt: skip
    applied = mark_strangers(matched, sent, sticks, heard[Role.TRANSMITTER], orders, plan.link, slack_ns)
    steps = read_steps(recording, data_end_ns)
    air = Air(sent, np.argsort(sent.at_ns, kind="stable"), applied, data_end_ns, slack_ns, tells_sent(tells))
    cuts = with_switched_cuts(read_cuts(orders, plan, steps, air), switched, air, plan)
    watched_ns = plan.link.failsafe.recover_within_ns + slack_ns
    return Evidence(
        plan=plan,
        recording=recording,
        heard=heard,
        told=told,
        clocks=clocks,
        slack_ns=slack_ns,
        report_delay_ns=_report_delay_ns(applied),
        sent=sent,
        applied=applied,
        changes=read_changes(heard[Role.RECEIVER], clocks[Role.RECEIVER], applied),
        telemetry=read_telemetry(heard[Role.TRANSMITTER], clocks[Role.TRANSMITTER], sent),
        sticks=sticks,
        steps=steps,
        run=whole_run(steps),
        orders=orders,
        cuts=without_hidden_cuts(cuts, gone, watched_ns),
        restarts=tuple(
            span
            for role in DEVICES
            for span in (
                *read_restarts(plan, role, told[role], heard[role], sent, applied),
                *power_restarts(plan, role, switched, heard[role], sent, applied),
            )
        )
        + widened(gone, cuts, watched_ns, plan.link.lost_after_ns + slack_ns),
        end=read_end(recording, data_end_ns),
        data_end_ns=data_end_ns,
        quiet=tuple(
            role
            for role in roles
            if (role is not Role.TRANSMITTER or tells_sent(tells))
            and _fell_quiet(heard[role], told[role], data_end_ns)
        ),
        tells=tells,
        silences=tuple(
            (role, silence) for role in DEVICES for silence in read_silences(recording.ports.get(role))
        ),
        stalls=tuple(
            (role, stall)
            for role in DEVICES
            for stall in read_stalls(role, heard[role], told[role], sent, applied)
        ),
    )


def _map_clock(
    role: Role, heard: Stream, told: Stream, baud: Mapping[Role, int], tells: Mapping[Role, Telling]
) -> ClockMap:
    if role in tells:
        return map_clock(heard, told, 0, coarse_of(role, tells[role], baud.get(role, 0)))
    return map_clock(heard, told, baud.get(role, 0))


def _data_end_ns(recording: Recording) -> int:
    """Return the time of the last thing recorded."""
    last = [port.at_ns[-1] for port in recording.ports.values() if port.at_ns]
    last += [mark.at_ns for mark in recording.marks]
    return max(last, default=0)


def _report_delay_ns(applied: AppliedPackets) -> int:
    """Return the longest time from a packet's effect to the report of it, within reason."""
    longest = int((applied.heard_ns - applied.at_ns).max()) if len(applied) else 0
    return min(max(longest, REPORT_DELAY_LEAST_NS), REPORT_DELAY_MOST_NS)


def _fell_quiet(heard: Stream, told: Stream, data_end_ns: int) -> bool:
    """Return whether a device that was being asked said nothing more long before the end."""
    last = int(heard.at_ns[-1]) if len(heard.at_ns) else -FAR_NS
    asked = told.table(wire.Ping.TYPE).at_ns
    return data_end_ns - last > SILENT_NS and int((asked > last).sum()) >= PINGS_UNANSWERED


__all__ = ["SILENT_NS", "Evidence", "gather"]
