"""When was a port of the bench away in the middle of a run? What it hides says nothing of the link.

The runner marks `port gone` and, if the plan allows to wait and the device came back, `port back`. An outage
lasts from the last thing heard on the port before the first to the second, or to the end of the data. It is
treated as a restart that was commanded, which it often is too: a device powered by its port starts anew. Its
port's messages in between are missing, nobody knows how many. A cut that was under way is no evidence.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from harness.bench.protocol import Role
from harness.codec import messages as wire
from harness.measure.arrays import Flags, Ints, ints, meeting
from harness.measure.clockmap import ClockMap
from harness.measure.cuts import Cut
from harness.measure.spans import RestartSpan
from harness.measure.tables import MANY, Stream
from harness.recording.model import Recording


def read_outages(
    recording: Recording, heard: Mapping[Role, Stream], data_end_ns: int
) -> tuple[RestartSpan, ...]:
    """Return every time in which a port was gone, in order, each as a restart of its device."""
    since: dict[Role, int] = {}
    spans: list[tuple[Role, int, int]] = []
    for mark in recording.marks:
        role = _role(mark.fields.get("role"), heard)
        if role is None:
            continue
        if mark.kind == "port gone":
            since.setdefault(role, _last_heard_ns(heard[role], mark.at_ns))
        elif mark.kind == "port back" and role in since:
            spans.append((role, since.pop(role), mark.at_ns))
    spans += [(role, start_ns, data_end_ns) for role, start_ns in since.items()]
    found = [
        RestartSpan(role, start, end, _started(heard[role], start, end), True) for role, start, end in spans
    ]
    return tuple(sorted(found, key=lambda span: span.start_ns))


def _role(word: object, heard: Mapping[Role, Stream]) -> Role | None:
    return next((role for role in heard if role == word), None)


def _last_heard_ns(stream: Stream, before_ns: int) -> int:
    place = int(np.searchsorted(stream.at_ns, before_ns, side="right"))
    return int(stream.at_ns[place - 1]) if place else before_ns


def _started(stream: Stream, start_ns: int, end_ns: int) -> int:
    """Return the place of the last `Started` in an outage, -1 if none was heard."""
    frames = [note.frame for note in stream.others if isinstance(note.message, wire.Started)]
    return next((one for one in reversed(frames) if start_ns < stream.at_ns[one] <= end_ns), -1)


def with_outages(stream: Stream, role: Role, outages: Iterable[RestartSpan]) -> Stream:
    """Return a port's stream in which any number of messages may be missing in its outages."""
    spans = _spans(span for span in outages if span.role == role)
    if not len(spans):
        return stream
    others = stream.gaps[~_within(stream.gaps, spans)]
    gaps = np.concatenate((others, np.column_stack((spans, np.full(len(spans), MANY)))))
    restarts = stream.restarts.copy()
    restarts[_within(restarts, spans), 2] = MANY
    return replace(stream, gaps=gaps[np.argsort(gaps[:, 0], kind="stable")], restarts=restarts)


def without_hidden_lives(
    clock: ClockMap, stream: Stream, role: Role, outages: Iterable[RestartSpan]
) -> ClockMap:
    """Return a device's clock map in which a life that lies wholly in an outage is no poorer than the next.

    A port that is opened again may carry the last words of one life and restart the device. Nothing of such
    a life is judged, so its few pings need not widen every bound.
    """
    segments = list(clock.segments)
    for start_ns, end_ns in _spans(span for span in outages if span.role == role).tolist():
        inside = (stream.at_ns > start_ns) & (stream.at_ns <= end_ns)
        for life in np.unique(stream.segment[inside]).tolist():
            if life + 1 < len(segments) and bool(inside[stream.segment == life].all()):
                segments[life] = segments[life + 1]
    return replace(clock, segments=tuple(segments))


def lost_in_outages(stream: Stream, role: Role, outages: Iterable[RestartSpan]) -> int:
    """Return how many of the messages that a port's counter shows as missing got lost in its outages."""
    lost = 0
    for start_ns, end_ns in _spans(span for span in outages if span.role == role).tolist():
        before, after = np.searchsorted(stream.at_ns, (start_ns, end_ns), side="right").tolist()
        if before and after:
            lost += int(stream.lost[after - 1] - stream.lost[before - 1])
    return lost


def without_hidden_cuts(
    cuts: Sequence[Cut], outages: Sequence[RestartSpan], watched_ns: int
) -> tuple[Cut, ...]:
    """Return the cuts that no outage met up to `watched_ns` after the return of packets.

    What became of the others was not seen whole.
    """
    if not outages or not cuts:
        return tuple(cuts)
    times = ints([(cut.command_ns, cut.until_ns) for cut in cuts])
    times[:, 1] += watched_ns
    hidden = meeting(times[:, 0], times[:, 1], _spans(outages)).tolist()
    return tuple(cut for cut, gone in zip(cuts, hidden, strict=True) if not gone)


def widened(
    outages: Sequence[RestartSpan], cuts: Sequence[Cut], watched_ns: int, lost_after_ns: int
) -> tuple[RestartSpan, ...]:
    """Return the outages, each from the begin of a packet or of a cut whose fate it hides."""
    found = []
    for span in outages:
        begins = [
            cut.command_ns
            for cut in cuts
            if cut.command_ns <= span.end_ns and cut.until_ns + watched_ns >= span.start_ns
        ]
        found.append(replace(span, start_ns=min([span.start_ns - lost_after_ns, *begins])))
    return tuple(found)


def outages(restarts: Iterable[RestartSpan]) -> tuple[RestartSpan, ...]:
    """Return those restarts that are outages."""
    return tuple(span for span in restarts if span.outage)


def _within(gaps: Ints, spans: Ints) -> Flags:
    return meeting(gaps[:, 0] + 1, gaps[:, 1] - 1, spans)


def _spans(outages: Iterable[RestartSpan]) -> Ints:
    return ints([(span.start_ns, span.end_ns) for span in outages]).reshape(-1, 2)
