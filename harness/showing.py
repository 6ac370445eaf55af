"""What is the display told while a run goes on? Where it is, and how the link does, a few times a second.

Where nobody looks (`Quiet`) nothing is gathered at all. Otherwise each message costs `Gauges` the same few
steps, and what a display gets is put together only when it is due.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final, Protocol

from harness.alarms import Alarms, Looker
from harness.conversation import Conversation
from harness.gauges import Gauges
from harness.lateness import Lateness
from harness.looks import looks_of
from harness.plan import model as p
from harness.report.live import Quiet
from harness.report.snapshot import Snapshot
from harness.segments import Segment

CTRL_C: Final = "props off was said; Ctrl-C stops"
KEYS: Final = "props off was said; q or Esc stops"


class Observer(Protocol):
    """Whoever shows the run while it goes on.

    It may have `is_due() -> bool`, whether it would show a new state now, and `looks: bool`, whether it shows
    any; one that has not is told everything.
    """

    def update(self, snapshot: Snapshot) -> None:
        """Take the newest state; must cost next to nothing."""
        ...

    def say(self, line: str) -> None:
        """Tell one line."""
        ...


class Showing:
    """What the display is told of one run. `safety` is its last line on real ports."""

    def __init__(
        self, talk: Conversation, observer: Observer, plan: p.Plan, late: Callable[[], Lateness]
    ) -> None:
        self.talk = talk
        self.observer = observer
        self.plan = plan
        self.safety = CTRL_C if talk.bench.is_hardware else ""
        self.is_watched = type(observer) is not Quiet and getattr(observer, "looks", True)
        self._is_due: Callable[[], bool] = getattr(observer, "is_due", _always)
        self._late = late
        self._gauges: Gauges | None = None
        self._alarms = Alarms(0)
        self._note: Callable[[], str] = str
        self._begun_ns: int | None = None
        self._rounds = 0
        self._state, self._since_ns = "searching", 0
        self._late_seen: tuple[Lateness | None, int] = (None, 0)

    def begin(self, segments: Sequence[Segment], note: Callable[[], str]) -> None:
        """Begin a round of steps."""
        if not self.is_watched:
            return
        now_ns = self.talk.bench.now_ns()
        if self._gauges is None:
            self._gauges = Gauges(self.talk, self.plan)
            self._gauges.begin()
            self._looker = Looker(self._gauges)
            self._alarms = Alarms(now_ns)
            self._begun_ns = self._since_ns = now_ns
        self._note = note
        self._rounds += 1
        self._row = _Row(segments)
        self._index, self._entered_ns = 0, now_ns
        self.talk.on_beat = self.beat

    def enter(self, segment: Segment, index: int) -> None:
        """Note that a segment begins, the one at `index`."""
        if self._gauges is None:
            return
        self._index, self._entered_ns = index, self.talk.bench.now_ns()
        self._gauges.enter(segment.step.action)
        self._look()
        self.observer.update(self._snapshot())

    def beat(self) -> None:
        """Look how things stand, and tell the display if it is due or there is an alarm."""
        self._look()
        if self._alarms.changed or self._is_due():
            self.observer.update(self._snapshot())

    def _look(self) -> None:
        assert self._gauges is not None
        now_ns, state = self.talk.bench.now_ns(), self.talk.link_state
        if state != self._state:
            self._state, self._since_ns = state, now_ns
        self._gauges.settle(now_ns)
        self._alarms.look(now_ns, self._looker.look(now_ns, state, self._late()))

    def _snapshot(self) -> Snapshot:
        gauges, row, index = self._gauges, self._row, self._index
        assert gauges is not None
        assert self._begun_ns is not None
        now_ns, segment = self.talk.bench.now_ns(), row.segments[index]
        left_ns, left_word = self._left(now_ns)
        return Snapshot(
            plan=self.plan.name,
            title=self.plan.title,
            step_path=segment.step.path,
            step_title=segment.title,
            step_index=row.stages[index],
            steps_total=row.stages[-1] + 1,
            part=row.part(index),
            next_title=row.next_title(index),
            elapsed_ns=now_ns - self._begun_ns,
            left_ns=left_ns,
            left_word=left_word,
            packets_sent=self.talk.sent,
            packets_applied=self.talk.applied,
            recent_delivery=gauges.recent(now_ns),
            link_state=self._state,
            link_for_ns=now_ns - self._since_ns,
            is_cut=gauges.is_excused(now_ns),
            note=self._note(),
            readings=gauges.readings(now_ns),
            alarms=self._alarms.shown(),
            alarms_total=self._alarms.total,
            safety=self.safety,
        )

    def _left(self, now_ns: int) -> tuple[int, str]:
        """Return how long the run still takes, and whether that is at most, or about, so long.

        Of a plan with `extend` every further round counts: nobody knows before whether it is needed.
        """
        row, index = self._row, self._index
        left_ns = max(0, row.left_ns[index] - (now_ns - self._entered_ns))
        word = row.words[index]
        if self.plan.soak is not None:
            assert self._begun_ns is not None
            return max(left_ns, self.plan.soak.for_ns - (now_ns - self._begun_ns)), "about"
        if self.plan.extend is not None:
            more = max(0, looks_of(self.plan)[-1].rounds - self._rounds)
            return left_ns + more * row.left_ns[0], "at most" if more else word
        return left_ns, word


class _Row:
    """The segments of one round as a person counts them: sixty cuts in a row are one stage."""

    def __init__(self, segments: Sequence[Segment]) -> None:
        self.segments = segments
        self.stages = _stages(segments)
        self.left_ns = [0] * len(segments)
        self.words = [""] * len(segments)
        self._first = list(range(len(segments)))
        self._next = [len(segments)] * len(segments)
        left_ns, word = 0, ""
        for index in range(len(segments) - 1, -1, -1):
            left_ns += segments[index].length_ns
            word = _word(segments[index], word)
            self.left_ns[index], self.words[index] = left_ns, word
            if index + 1 < len(segments):
                same = self.stages[index] == self.stages[index + 1]
                self._next[index] = self._next[index + 1] if same else index + 1
        for index in range(1, len(segments)):
            if self.stages[index] == self.stages[index - 1]:
                self._first[index] = self._first[index - 1]

    def part(self, index: int) -> tuple[int, int]:
        """Return which segment of how many this is in its stage."""
        first = self._first[index]
        return index - first + 1, self._next[index] - first

    def next_title(self, index: int) -> str:
        """Return the title of the next stage, nothing after the last."""
        following = self._next[index]
        return self.segments[following].title if following < len(self.segments) else ""


def _word(segment: Segment, after: str) -> str:
    """Return how sure the time to the end is: a wait or a search may end sooner, a hand takes its time."""
    if after == "about" or p.is_outside(segment.step.action):
        return "about"
    sooner = segment.wait is not None or isinstance(segment.step.action, p.LOSING_STEPS)
    return "at most" if sooner else after


def _stages(segments: Sequence[Segment]) -> list[int]:
    """Number the segments as a person counts them: sixty cuts in a row are one stage."""
    numbers: list[int] = []
    for before, segment in zip((None, *segments), segments, strict=False):
        same = before is not None and (before.step.path, before.title) == (segment.step.path, segment.title)
        numbers.append(numbers[-1] + (not same) if numbers else 0)
    return numbers


def _always() -> bool:
    return True
