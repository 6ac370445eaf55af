"""What does the transmitter do when nobody acknowledges? It must go on; some rest, some insist."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from harness.likely import Likely
from harness.measure.arrays import Flags, Ints, inside
from harness.measure.evidence import Evidence
from harness.measure.orders import spans_of
from harness.measure.pacing import control_gaps
from harness.plan import model as p
from harness.verdict import CheckResult
from harness.why.packets import attempts_of
from harness.why.words import CERTAIN, about, failed

LONG: Final = 3
"""Packet periods without a packet that are no hazard of timing any more."""
ENDLESS: Final = 16
"""More attempts than the registers of usual radios allow (15 repetitions; common practice, no source)."""


def unheard(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect a transmitter that stops, or sends one packet for ever, when no acknowledgement comes."""
    muted = spans_of(evidence.orders, "muted")
    names = _gaps_in(evidence, results, muted)
    if not names:
        return None
    sent = evidence.sent
    order = np.argsort(sent.at_ns, kind="stable")
    at_ns = sent.at_ns[order]
    reach = np.array([0, 2 * evidence.plan.link.lost_after_ns])
    apart = np.diff(at_ns)
    alone = inside(at_ns[:-1], muted + reach) & (np.diff(sent.segment[order]) == 0)
    holes = alone & (apart > LONG * evidence.plan.link.packet_period_ns)
    if not holes.any():
        return None
    before = order[:-1][holes]
    longest = int(apart[holes].max())
    number = evidence.sent.number[order]
    left_out = int(((np.diff(number) % 65536)[holes] > 1).sum())
    insists = _insists(evidence, before, apart[holes])
    return _likely(names, insists=insists, holes=int(holes.sum()), longest=longest, left_out=left_out)


def _insists(evidence: Evidence, before: Ints, apart: Ints) -> bool:
    """Return whether the packet before a hole filled it with its own attempts."""
    tried = attempts_of(evidence)[before]
    took = evidence.sent.took_ns[before]
    full: Flags = (tried > ENDLESS) | (took > apart // 2)
    return bool(full.mean() > 0.5)


def _gaps_in(evidence: Evidence, results: Sequence[CheckResult], muted: Ints) -> tuple[str, ...]:
    """Return failed checks of control gaps whose longest gaps lie where acknowledgements were kept back."""
    names = failed(results, "control_gap")
    if not names or not len(muted):
        return ()
    limits = [check.rule.at_most_ns for check in evidence.plan.checks if isinstance(check.rule, p.ControlGap)]
    gaps = control_gaps(evidence)
    long = (gaps.gap_ns > min(limits, default=0)) & ~gaps.doubtful
    near = np.array([0, evidence.plan.link.lost_after_ns])
    if not long.any() or inside(gaps.start_ns[long], muted + near).mean() < 0.8:
        return ()
    return names


def _likely(names: tuple[str, ...], *, insists: bool, holes: int, longest: int, left_out: int) -> Likely:
    if insists:
        return Likely(
            key="insists-unheard",
            title=f"Without an acknowledgement the transmitter sends one packet again for {about(longest)}: "
            "sticks freeze",
            explains=names,
            strength=CERTAIN,
            speaks_for=(
                f"Where the receiver was told to acknowledge nothing, {holes} packets were tried until the "
                f"next one was long overdue, up to {about(longest)}; all other times packets go on.",
                "The receiver got the packet at once: nothing was wrong with the way there.",
            ),
            next_step="Limit the repetitions so that they are over before the next packet is due, and send "
            "newer sticks instead of old ones.",
        )
    return Likely(
        key="rests-unheard",
        title=f"Without acknowledgements the transmitter stops sending for {about(longest)}",
        explains=names,
        strength=CERTAIN,
        speaks_for=(
            f"Where the receiver was told to acknowledge nothing, {holes} times no packet was sent for up to "
            f"{about(longest)} ({left_out} times numbers were left out); all other times packets go on.",
            "Packets before that had arrived: the way there was good.",
        ),
        next_step="Send whether acknowledgements come or not: the way back is often the weaker one. Look "
        "for a counter of failed packets, and what happens when it is full.",
    )


__all__ = ["unheard"]
