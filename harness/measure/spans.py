"""What was done when? Steps and restarts as spans of host time.

Steps come from the harness's marks. Restarts come from the commands that were sent, for these are what the
devices acted on; link cuts likewise, in `harness.measure.cuts`.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import zip_longest
from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.clock import S
from harness.codec import messages as wire
from harness.measure.arrays import Ints, ints
from harness.measure.packets import AppliedPackets, SentPackets
from harness.measure.tables import Stream
from harness.plan.model import (
    LIMIT_STEPS,
    LOSING_STEPS,
    Plan,
    PlanStep,
    Restart,
    StepAction,
    Wait,
    every_step,
)
from harness.recording.model import Mark, Recording

RESTARTS: Final = (wire.Restart, wire.RestartAt)
COME_BACK_NS: Final = 2 * S
NEVER_NS: Final = 1 << 61


@dataclass(frozen=True, slots=True)
class Span:
    """From `start_ns` to `end_ns` in host time."""

    start_ns: int
    end_ns: int

    @property
    def seconds(self) -> float:
        """Length in s."""
        return max(0, self.end_ns - self.start_ns) / S


@dataclass(frozen=True, slots=True)
class StepSpan:
    """One pass through a step: its key path, its name, and when."""

    path: str
    name: str
    start_ns: int
    end_ns: int


@dataclass(frozen=True, slots=True)
class End:
    """How the run ended: `why` as in the end mark, or "cut short" without one."""

    why: str
    detail: str
    role: str
    port: str
    at_ns: int


@dataclass(frozen=True, slots=True)
class RestartSpan:
    """A commanded restart: from the command to the first packet applied after it.

    Or with `outage` the time in which the device's port was gone (`harness.measure.outages`).
    """

    role: Role
    start_ns: int
    end_ns: int
    frame: int
    """Place of its `Started` in that port's stream; -1 if none came."""
    outage: bool = False
    powered_ns: int = 0
    """When it got its power back at the soonest, 0 for a restart by command."""


def read_steps(recording: Recording, data_end_ns: int) -> tuple[StepSpan, ...]:
    """Return every pass through a step in order of its start; one that never ended ends with the data."""
    spans: list[StepSpan] = []
    running: dict[str, tuple[str, int]] = {}
    for mark in recording.marks:
        path = _text(mark, "path")
        if mark.kind == "step":
            running[path] = (_text(mark, "name"), mark.at_ns)
        elif mark.kind == "step end" and path in running:
            name, start = running.pop(path)
            spans.append(StepSpan(path, name, start, mark.at_ns))
    spans.extend(StepSpan(path, name, start, data_end_ns) for path, (name, start) in running.items())
    return tuple(sorted(spans, key=lambda span: (span.start_ns, -span.end_ns)))


def read_end(recording: Recording, data_end_ns: int) -> End:
    """Return how the run ended."""
    for mark in reversed(recording.marks):
        if mark.kind == "end":
            why, detail, role, port = (_text(mark, key) for key in ("why", "detail", "role", "port"))
            return End(why, detail, role, port, mark.at_ns)
    return End("cut short", "", "", "", data_end_ns)


def step_paths(plan: Plan, names: Iterable[str]) -> tuple[str, ...]:
    """Return the key paths of the steps with these names."""
    wanted = set(names)
    return tuple(step.path for step in every_step(plan.steps) if step.name in wanted)


def come_back_ns(plan: Plan, role: Role) -> int:
    """Return the longest time that the plan gives a device to come back after a restart.

    Where a restart itself gives none, a wait for the link right behind it does.
    """
    actions = [step.action for step in every_step(plan.steps)]
    given = [
        action.silent_ns + (action.after_ns or _wait_ns(following))
        for action, following in zip_longest(actions, actions[1:])
        if isinstance(action, Restart) and action.device == role
    ]
    return max(given, default=COME_BACK_NS)


def _wait_ns(action: StepAction | None) -> int:
    """Return how long a step waits for the link at most, in ns; 0 if it does not."""
    return action.deadline_ns if isinstance(action, Wait) and action.until == "linked" else 0


def first_applied_after(applied: AppliedPackets, sent: SentPackets, sent_from_ns: int, slack_ns: int) -> int:
    """Return the first applied row whose packet was sampled at `sent_from_ns` or later, -1 if none.

    Of packets without numbers, the first that can be one of those.
    """
    start = int(np.searchsorted(applied.so_far_ns, sent_from_ns - slack_ns))
    if not applied.numbered:
        return start if start < len(applied) else -1
    for first in range(start, len(applied), 4096):
        rows = applied.sent_row[first : first + 4096]
        fits = np.flatnonzero((rows >= 0) & (sent.at_ns[rows] >= sent_from_ns))
        if len(fits):
            return first + int(fits[0])
    return -1


def read_restarts(
    plan: Plan, role: Role, told: Stream, heard: Stream, sent: SentPackets, applied: AppliedPackets
) -> tuple[RestartSpan, ...]:
    """Return the commanded restarts of one device, each up to the first packet applied after it.

    A device that does not come back within the time that the plan gives it is judged from then on.
    """
    patience = come_back_ns(plan, role)
    started = [(note.at_ns, note.frame) for note in heard.others if isinstance(note.message, wire.Started)]
    spans = []
    for command in told.others:
        if isinstance(command.message, RESTARTS):
            limit = command.at_ns + patience
            answer = next((frame for at, frame in started if command.at_ns < at <= limit), -1)
            end = min(limit, applied_again_ns(role, answer, sent, applied, limit))
            spans.append(RestartSpan(role, command.at_ns, end, answer))
    return tuple(spans)


def applied_again_ns(
    role: Role, started: int, sent: SentPackets, applied: AppliedPackets, otherwise_ns: int
) -> int:
    """Return when the first packet was applied after a device's `Started`, by the order of its reports."""
    if started < 0:
        return otherwise_ns
    if role == Role.RECEIVER:
        again = np.flatnonzero(applied.frame > started)
    else:
        again = np.flatnonzero((applied.sent_row >= 0) & (sent.frame[applied.sent_row] > started))
    return int(applied.at_ns[again[0]]) if len(again) else otherwise_ns


def looked_at(plan: Plan, run: Span, steps: tuple[StepSpan, ...], names: tuple[str, ...]) -> Ints:
    """Return (n, 2) host times of the steps called `names`, or of the whole run if there are none.

    The whole run is without the steps that push the link until it loses packets: what is lost there was
    meant to be. A check looks at them only if it names them.
    """
    if not names:
        return _without(run, _merged(losing_spans(plan, steps)))
    paths = step_paths(plan, names)
    inner = tuple(f"{path}." for path in paths)
    chosen = [
        (step.start_ns, step.end_ns)
        for step in steps
        if step.name in names or step.path in paths or (inner and step.path.startswith(inner))
    ]
    return _merged(ints(chosen).reshape(-1, 2))


def losing_spans(plan: Plan, steps: tuple[StepSpan, ...]) -> Ints:
    """Return (n, 2) host times of the steps that lose packets on purpose."""
    losing = {step.path for step in every_step(plan.steps) if isinstance(step.action, LOSING_STEPS)}
    return ints([(step.start_ns, step.end_ns) for step in steps if step.path in losing]).reshape(-1, 2)


def link_waits(plan: Plan, steps: tuple[StepSpan, ...]) -> Ints:
    """Return (n, 2) host times of the steps that wait for the link to be up."""
    waits = {
        step.path
        for step in every_step(plan.steps)
        if isinstance(step.action, Wait) and step.action.until == "linked"
    }
    return ints([(step.start_ns, step.end_ns) for step in steps if step.path in waits]).reshape(-1, 2)


def step_at(steps: tuple[StepSpan, ...], at_ns: int) -> str:
    """Return the key path of the step that was under way at a time, the innermost one; "" if none was."""
    place = bisect_right(steps, at_ns, key=lambda step: step.start_ns)
    return next((step.path for step in reversed(steps[:place]) if step.end_ns >= at_ns), "")


def whole_run(steps: tuple[StepSpan, ...]) -> Span:
    """Return the time from the first step's start to the last one's end; an empty span without steps."""
    if not steps:
        return Span(NEVER_NS, NEVER_NS)
    return Span(min(step.start_ns for step in steps), max(step.end_ns for step in steps))


def limit_steps(plan: Plan) -> dict[str, PlanStep]:
    """Return the steps that search a link's limits, by their key paths."""
    return {step.path: step for step in every_step(plan.steps) if isinstance(step.action, LIMIT_STEPS)}


def _without(run: Span, spans: Ints) -> Ints:
    """Return what is left of the run without `spans`, in order."""
    if not len(spans):
        return ints([[run.start_ns, run.end_ns]])
    starts = [run.start_ns, *(spans[:, 1] + 1).tolist()]
    ends = [*(spans[:, 0] - 1).tolist(), run.end_ns]
    return ints([pair for pair in zip(starts, ends, strict=True) if pair[0] <= pair[1]]).reshape(-1, 2)


def _merged(spans: Ints) -> Ints:
    """Return overlapping or touching spans as one, in order."""
    merged: list[list[int]] = []
    for start, end in sorted(spans.tolist()):
        if merged and start <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], end)
        else:
            merged.append([start, end])
    return ints(merged).reshape(-1, 2)


def _text(mark: Mark, key: str) -> str:
    value = mark.fields.get(key, "")
    return value if isinstance(value, str) else ""
