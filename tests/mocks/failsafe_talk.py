"""What tests of failsafe defects share: a link with two motors, link cuts, and what came of them."""

from __future__ import annotations

from mock_talk import TX, Talk

from harness.clock import MS
from harness.codec import messages as m
from harness.plan.model import Channel, Failsafe, Link

WING = Link(
    packet_rate_mhz=50_000,
    channels=(
        Channel(name="left motor", role="throttle", failsafe=950),
        Channel(name="right motor", role="throttle", failsafe=950),
        Channel(name="elevon", failsafe="centre"),
        Channel(name="camera", failsafe="hold"),
    ),
    failsafe=Failsafe(within_ns=500 * MS, not_before_ns=200 * MS),
)
UP, DOWN = (1700, 1600, 1800, 1250), (1300, 1200, 1100, 1350)
SAFE = (950, 950, 1500, 1250)
"""Failsafe outputs with the camera where `UP` has it."""


def cut(talk: Talk, message: m.Message | None = None, *, role: object = TX, up: tuple[int, ...] = UP) -> None:
    """Cut the link for 700 ms, by silence if not told; the sticks are up before it and down during it."""
    talk.tell(TX, m.Sticks(1, up))
    talk.run(300 * MS)
    talk.tell(role, message or m.Silence(0, 700_000))  # type: ignore[arg-type]
    talk.run(100 * MS)
    talk.tell(TX, m.Sticks(2, DOWN))
    talk.run(1_000 * MS)


def changes(talk: Talk, reason: m.OutputReason = m.OutputReason.FAILSAFE) -> list[m.OutputChange]:
    """Return the output changes that had this reason."""
    return [change for change in talk.all(m.OutputChange) if change.reason == reason]


def ages_us(talk: Talk) -> list[int]:
    """Return for each failsafe how long after the last applied packet it began, on the receiver's clock."""
    found, last_us = [], 0
    for heard in talk.heard:
        if isinstance(heard.message, m.Applied):
            last_us = heard.message.at_us
        elif isinstance(heard.message, m.OutputChange) and heard.message.reason == m.OutputReason.FAILSAFE:
            found.append((heard.message.at_us - last_us) % 2**32)
    return found


def firsts(talk: Talk) -> list[tuple[int, ...]]:
    """Return what the first packet after each failsafe put out."""
    found, waiting = [], False
    for heard in talk.heard:
        if isinstance(heard.message, m.OutputChange):
            waiting = heard.message.reason == m.OutputReason.FAILSAFE
        elif isinstance(heard.message, m.Applied) and waiting:
            found.append(heard.message.outputs_us)
            waiting = False
    return found
