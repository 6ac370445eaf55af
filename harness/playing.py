"""Which segments and messages belong together, and when is a wait over? Asked by the runner."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final, Protocol

from harness.clock import S
from harness.codec import messages as m
from harness.conversation import Conversation
from harness.plan import model as p
from harness.segments import Due, Segment

IN_A_ROW: Final = ("cut", "fade")
"""Steps whose segments, one after the other, are one pass through the step."""


def cut_word(action: p.StepAction) -> str:
    """Return how a step cuts the link: as in `by`, or by its own word."""
    return action.by if isinstance(action, p.Cut) else action.WORD


def begin_of_pass(segments: Sequence[Segment], at: int) -> int:
    """Return the first segment of the pass through a step that the one at `at` belongs to."""
    while at and segments[at].step.action.WORD in IN_A_ROW:
        if segments[at - 1].step.path != segments[at].step.path:
            break
        at -= 1
    return at


def with_next(dues: Iterator[Due]) -> Iterator[tuple[Due, Due | None]]:
    """Yield each due message with the one after it, None after the last."""
    before = next(dues, None)
    while before is not None:
        following = next(dues, None)
        yield before, following
        before = following


def superseded(due: Due, following: Due | None, elapsed_ns: int) -> bool:
    """Return whether a late stick position is no longer worth sending: the next one is due already."""
    sticks = type(due.message) is m.Sticks and following is not None and type(following.message) is m.Sticks
    return sticks and following is not None and following.at_ns <= elapsed_ns


class Condition(Protocol):
    """Tells whether something has happened."""

    def __call__(self) -> bool:
        """Return whether it has."""
        ...


def condition(talk: Conversation, wait: p.Wait | None) -> Condition:
    """Return what tells that a wait is over, counted from now."""
    if wait is None:
        return lambda: False
    if wait.until == "linked":
        return lambda: talk.link_state == "linked"
    if wait.until == "failsafe":
        return lambda: talk.in_failsafe
    start = talk.applied
    return lambda: talk.applied - start >= wait.packets


def missed(wait: p.Wait) -> str:
    """Say what a wait waited for in vain."""
    words = {
        "linked": "the link was not up",
        "failsafe": "no failsafe came",
        "packets": "too few packets came",
    }
    return f"{words[wait.until]} within {wait.deadline_ns / S:g} s"
