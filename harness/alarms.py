"""What should somebody at the bench know at once? Conditions in words, looked at a few times a second.

An alarm is no verdict: it is told from what was heard live, and the recording decides. Cuts, restarts and
steps that lose packets on purpose excuse what they cause (`Gauges.is_excused`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from math import sqrt
from typing import Final

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.conversation import Conversation
from harness.devices.telling import FAILSAFE, OUTPUTS, from_facts
from harness.gauges import NO_TIME, Gauges
from harness.lateness import Lateness
from harness.load import PING_NS
from harness.report.snapshot import TREND_S, Alarm

KEEP_NS: Final = 30 * S
"""An alarm that is over stays visible for so long."""
AGAIN_NS: Final = 10 * S
"""One that comes back within this time is the same, and counted."""
KEPT_MAX: Final = 16
QUIET_NS: Final = 2 * PING_NS + 500 * MS
"""A device that answers pings was silent for two of them, and half a second more."""
BUSY: Final = 0.95
"""Share of a line's capacity above which its device soon drops messages (common practice, no source)."""
OPEN_SHARE: Final = Fraction(1, 20)
"""An output is open if it is off its stick's closed end by more than this share of its travel."""
CLOSED_FOR_NS: Final = 500 * MS
"""A stick that is at rest must have reached the outputs, and the report of that the PC, after so long."""
FAILSAFE_REPORT_NS: Final = 100 * MS
STALE_NS: Final = S
STALE_PACKETS: Final = 10
LATE_NS: Final = 5 * MS
"""What the system may do to a process that is not alone, without harm to a link of 50 packets a second."""
SIGMAS: Final = 3
"""Losses beyond what the limit allows are told once chance alone would hardly show them: three standard
deviations of a Poisson count, so that one lost packet in a short time is no alarm."""

Found = Iterator[tuple[str, str]]


class Alarms:
    """The alarms of a run that began at `begun_ns`; `changed` if one began or ended at the last look."""

    def __init__(self, begun_ns: int) -> None:
        self._begun_ns = begun_ns
        self.kept: list[Alarm] = []
        self.total = 0
        self.changed = False
        self._on: dict[str, Alarm] = {}
        self._over: dict[str, Alarm] = {}

    def look(self, now_ns: int, found: Found) -> None:
        """Take what holds now, as (kind, words), each kind once."""
        self.changed = False
        now_ns -= self._begun_ns
        kinds = set()
        for kind, words in found:
            kinds.add(kind)
            before = self._on.get(kind)
            if before is None:
                self._begin(kind, words, now_ns)
            elif before.words != words:
                self._on[kind] = replace(before, words=words)
        for kind in [kind for kind in self._on if kind not in kinds]:
            self._over[kind] = replace(self._on.pop(kind), ended_ns=now_ns)
            self.changed = True
        if self.changed or self._over or self.kept:
            self._tidy(now_ns)

    def shown(self) -> tuple[Alarm, ...]:
        """Return the alarms that go on, and those that ended lately, in the order in which they came."""
        every = sorted((*self._over.values(), *self._on.values(), *self.kept), key=lambda one: one.number)
        return tuple(every[-KEPT_MAX:])

    def _begin(self, kind: str, words: str, now_ns: int) -> None:
        self.changed = True
        before = self._over.pop(kind, None)
        if before is not None:
            self._on[kind] = replace(before, words=words, ended_ns=None, times=before.times + 1)
            return
        self.total += 1
        self._on[kind] = Alarm(self.total, words, now_ns)

    def _tidy(self, now_ns: int) -> None:
        for kind, one in list(self._over.items()):
            if one.ended_ns is not None and now_ns - one.ended_ns > AGAIN_NS:
                self.kept.append(self._over.pop(kind))
        self.kept = [
            one
            for one in self.kept[-KEPT_MAX:]
            if one.ended_ns is not None and now_ns - one.ended_ns <= KEEP_NS
        ]


class Looker:
    """Tells which conditions hold; remembers what it has to compare with."""

    def __init__(self, gauges: Gauges) -> None:
        self.gauges = gauges
        self.talk: Conversation = gauges.talk
        self.link = gauges.plan.link
        self._missing = dict.fromkeys(self.talk.ports, 0)
        self._damaged = 0
        self._slow_due_ns = 0
        self._slow: tuple[tuple[str, str], ...] = ()
        self._late: Lateness | None = None
        self._late_most_ns = self._left_out = 0
        self._linked_ns = NO_TIME
        limit = gauges.delivery_limit
        self._delivery_limit = None if limit is None else float(limit)
        self._spans = _throttle_spans(gauges)
        told = from_facts(self.talk.bench.facts, Role.RECEIVER)
        lacks = frozenset() if told is None else told.lacks
        self._tells_failsafe = FAILSAFE not in lacks
        self._tells_outputs = OUTPUTS not in lacks

    def look(self, now_ns: int, state: str, late: Lateness) -> Found:
        """Yield what holds now; `state` is the link's, `late` counts how late messages left."""
        excused = self.gauges.is_excused(now_ns)
        yield from self._link(now_ns, state, excused=excused)
        yield from self._throttle(state)
        if now_ns >= self._slow_due_ns:  # what is counted by the second need not be asked for more often
            self._slow_due_ns = now_ns + S
            self._slow = (*self._delivery(now_ns), *self._latency(now_ns))
        yield from self._slow
        yield from self._telemetry(now_ns, state, excused=excused)
        yield from self._lines(now_ns)
        yield from self._lateness(late)

    # -- the link ------------------------------------------------------------------------------------

    def _link(self, now_ns: int, state: str, *, excused: bool) -> Found:
        """A link counts as lost once the receiver said something else since: a dead port is no lost link."""
        gauges, gap_us = self.gauges, self.gauges.gap_us
        gauges.gap_us = 0
        heard_ns = gauges.lines[Role.RECEIVER].heard_ns - (self.talk.applied_at_ns or now_ns)
        if gap_us:
            yield "lost", f"link was lost for {gap_us / 1e6:.1f} s, and no cut was on"
        elif state == "lost" and not excused and heard_ns > self.talk.linked_for_ns:
            yield "lost", "link lost, and no cut is on"
        if (state == "failsafe" and not excused) or gauges.false_failsafe:
            yield "failsafe", "failsafe, and no cut is on"
        gauges.false_failsafe = False
        within_ns = self.link.failsafe.within_ns
        late = heard_ns > within_ns + FAILSAFE_REPORT_NS and not gauges.step_excused
        if state == "lost" and late and self._tells_failsafe:
            yield "no failsafe", f"no packet arrives, and no failsafe after {within_ns / MS:g} ms"
        for role in dict.fromkeys(gauges.unasked):
            yield f"restart {role}", f"{role} restarted, and nobody asked it to"
        gauges.unasked.clear()

    def _throttle(self, state: str) -> Found:
        gauges = self.gauges
        if not self._spans or not self._tells_outputs or state == "searching":
            return
        if state == "failsafe":
            yield from self._open_in_failsafe()
            return
        closed_ns = gauges.closed_ns
        if state != "linked" or closed_ns is None or gauges.outputs_ns - closed_ns < CLOSED_FOR_NS:
            return
        outputs = gauges.outputs_us()
        for index, name, low_us, high_us, _ in self._spans:
            if index < len(outputs) and not low_us <= outputs[index] <= high_us:
                yield "open", f"{name} is open, {outputs[index]} us, with its stick at rest"
                return

    def _open_in_failsafe(self) -> Found:
        outputs = self.gauges.outputs_us()
        for index, name, low_us, high_us, wanted_us in self._spans:
            if wanted_us is None or index >= len(outputs):
                continue
            slack_us = (high_us - low_us) // 2
            if abs(outputs[index] - wanted_us) > slack_us:
                yield "open in failsafe", f"{name} is {outputs[index]} us in failsafe, not {wanted_us} us"
                return

    def _delivery(self, now_ns: int) -> Found:
        limit = self._delivery_limit
        if limit is None:
            return
        for seconds in (5, TREND_S):
            lost, sent = self.gauges.fair(now_ns, seconds)
            allowed = sent * (1 - limit)
            if lost > allowed + SIGMAS * sqrt(allowed + 1):
                share = 100 * (sent - lost) / sent
                words = f"delivery {share:.1f} % in the last {seconds} s, below {100 * limit:g} %"
                yield "delivery", words
                return

    def _latency(self, now_ns: int) -> Found:
        limit_ns, took_ns = self.gauges.latency_limit_ns, self.gauges.latency_now_ns()
        if limit_ns is None or took_ns is None or self.gauges.step_excused:
            return
        if took_ns - self.gauges.latency_bound_ns(now_ns) > limit_ns:
            yield "latency", f"latency {took_ns / MS:.1f} ms, above {limit_ns / MS:g} ms"

    def _telemetry(self, now_ns: int, state: str, *, excused: bool) -> Found:
        heard_ns = self.gauges.telemetry_ns
        if heard_ns is None or excused or state != "linked":
            return
        stale_ns = max(STALE_NS, STALE_PACKETS * self.link.packet_period_ns)
        if now_ns - heard_ns > stale_ns:
            yield "telemetry", f"telemetry stale: none for over {stale_ns / S:g} s"

    # -- the bench -----------------------------------------------------------------------------------

    def _lines(self, now_ns: int) -> Found:
        for role, line in self.gauges.lines.items():
            if role not in self.talk.alive:
                yield f"gone {role}", f"{role}'s port is gone"
                continue
            if line.missing > self._missing[role]:
                self._missing[role] = line.missing
                yield f"missing {role}", f"{role}'s line: {line.missing} messages missing so far"
            if line.busy > BUSY:
                yield f"busy {role}", f"{role}'s line is full: {100 * line.busy:.0f} % of its capacity"
            if self.talk.ports[role].room.flooding:
                yield f"flood {role}", f"{role} floods its port: what it sends is thrown away"
            quiet = now_ns - line.heard_ns > QUIET_NS and now_ns > self.gauges.restarting[role]
            if quiet and line.clock.answers and not self.gauges.step_excused:
                yield f"quiet {role}", f"{role}'s port is quiet: pings are not answered"
            if line.damaged > self._damaged:
                self._damaged = line.damaged
                yield "damaged", f"receiver got {line.damaged} damaged messages from this PC so far"

    def _lateness(self, late: Lateness) -> Found:
        if self.talk.bench.is_virtual:
            return
        if late is not self._late:  # counted anew from step to step
            self._late, self._late_most_ns, self._left_out = late, 0, 0
        limit_ns = max(LATE_NS, self.link.packet_period_ns // 2)
        if late.left_out > self._left_out:
            self._left_out = late.left_out
            yield "late", f"this PC is late: {late.left_out} stick positions left out"
        elif late.most_ns > max(limit_ns, self._late_most_ns):
            yield "late", f"this PC sent a message {late.most_ns / MS:.0f} ms late"
        self._late_most_ns = late.most_ns


def _throttle_spans(gauges: Gauges) -> tuple[tuple[int, str, int, int, int | None], ...]:
    """Return (channel, name, lowest and highest closed output, failsafe output) of each throttle, in us."""
    spans = []
    for index, channel in enumerate(gauges.plan.link.channels):
        if channel.role == "throttle":
            closed_us = channel.output_us(channel.rest_us)
            slack_us = int((channel.range.high_us - channel.range.low_us) * OPEN_SHARE)
            low_us, high_us = closed_us - slack_us, closed_us + slack_us
            spans.append((index, channel.name, low_us, high_us, channel.failsafe_us))
    return tuple(spans)
