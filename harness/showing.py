"""What is the display told while a run goes on? Where it is, and how the link does, a few times a second."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol

from harness.conversation import Conversation
from harness.report.live import Quiet, Snapshot
from harness.segments import Segment


class Observer(Protocol):
    """Whoever shows the run while it goes on."""

    def update(self, snapshot: Snapshot) -> None:
        """Take the newest state; must cost next to nothing."""
        ...

    def say(self, line: str) -> None:
        """Tell one line."""
        ...


class Showing:
    """What the display is told, gathered a few times a second."""

    def __init__(
        self,
        talk: Conversation,
        observer: Observer,
        plan_name: str,
        note: Callable[[], str],
        segments: Sequence[Segment],
    ) -> None:
        self.talk = talk
        self.observer = observer
        self.plan_name = plan_name
        self.note = note
        self.left_ns = sum(segment.length_ns for segment in segments)
        self.lengths_ns = [segment.length_ns for segment in segments]
        self.entered = talk.bench.now_ns()
        self.stages = _stages(segments)
        self.title = ""
        self.path = ""
        self.index = 0
        self.begun = talk.bench.now_ns()
        self.recent: list[tuple[int, int]] = []

    def enter(self, segment: Segment, index: int) -> None:
        """Note that a segment begins, the one at `index`."""
        self.title, self.path, self.index = segment.title, segment.step.path, self.stages[index]
        self.left_ns, self.entered = sum(self.lengths_ns[index:]), self.talk.bench.now_ns()
        self.beat()

    def beat(self) -> None:
        """Tell the display how things stand."""
        if type(self.observer) is Quiet:  # nobody looks
            return
        talk = self.talk
        now_ns = self.talk.bench.now_ns()
        self.recent = [*self.recent[-20:], (talk.sent, talk.applied)]
        sent, applied = (now - then for now, then in zip(self.recent[-1], self.recent[0], strict=True))
        self.observer.update(
            Snapshot(
                plan=self.plan_name,
                step_path=self.path,
                step_title=self.title,
                step_index=self.index,
                steps_total=self.stages[-1] + 1,
                elapsed_ns=now_ns - self.begun,
                left_ns=max(0, self.left_ns - (now_ns - self.entered)),
                packets_sent=talk.sent,
                packets_applied=talk.applied,
                recent_delivery=(applied, sent),
                link_state=talk.link_state,
                note=self.note(),
            )
        )


def _stages(segments: Sequence[Segment]) -> list[int]:
    """Number the segments as a person counts them: sixty cuts in a row are one stage."""
    numbers: list[int] = []
    for before, segment in zip((None, *segments), segments, strict=False):
        same = before is not None and (before.step.path, before.title) == (segment.step.path, segment.title)
        numbers.append(numbers[-1] + (not same) if numbers else 0)
    return numbers
