"""What is behind wrong outputs? The few mistakes that explain most of them, tried one after the other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.measure.arrays import Flags, Ints
from harness.measure.fidelity import MISSING_US, Deviations
from harness.plan.model import Channel

MOST: Final = 0.95
"""An explanation must fit this share of the deviating packets."""
FEW_VALUES: Final = 8
"""Fewer different outputs than this say nothing about the size of their steps."""


@dataclass(frozen=True, slots=True)
class _Case:
    """One channel's packets; `wrong` marks the deviating ones."""

    found: Deviations
    channel: int
    wrong: Flags
    channels: tuple[Channel, ...]

    def shown(self, channel: int) -> Ints:
        """Return a channel's outputs in the deviating packets."""
        shown: Ints = self.found.shown_us[self.wrong, channel]
        return shown

    def wanted(self, channel: int) -> Ints:
        """Return what a channel's outputs had to be in the deviating packets."""
        wanted: Ints = self.found.wanted_us[self.wrong, channel]
        return wanted


def explain(found: Deviations, channel: int, tolerance_us: int, channels: tuple[Channel, ...]) -> str:
    """Return in words what fits a channel's deviations, such as a swap or a reversal; "" if nothing does."""
    wrong = np.abs(found.off_us[:, channel]) > tolerance_us
    if not wrong.any():
        return ""
    case = _Case(found, channel, wrong, channels)
    reasons = (_not_reported, _swapped, _reversed, _stuck, _offset, _coarse, _clipped)
    return next((words for reason in reasons if (words := reason(case))), "")


def _fits(shown: Ints, wanted: Ints) -> bool:
    return bool((np.abs(shown - wanted) <= 1).mean() >= MOST)


def _not_reported(case: _Case) -> str:
    missing = case.found.off_us[case.wrong, case.channel] == MISSING_US
    return "the receiver does not report this output" if missing.mean() >= MOST else ""


def _swapped(case: _Case) -> str:
    for other, channel in enumerate(case.channels):
        if other != case.channel and _fits(case.shown(case.channel), case.wanted(other)):
            both = _fits(case.shown(other), case.wanted(case.channel))
            return f"it is swapped with {channel.name}" if both else f"it follows {channel.name}"
    return ""


def _reversed(case: _Case) -> str:
    ends = case.channels[case.channel].range
    mirrored = ends.low_us + ends.high_us - case.wanted(case.channel)
    return "it moves the wrong way round" if _fits(case.shown(case.channel), mirrored) else ""


def _stuck(case: _Case) -> str:
    values = np.unique(case.found.shown_us[:, case.channel])
    wanted = np.unique(case.found.wanted_us[:, case.channel])
    return f"it stays at {values[0]} us" if len(values) == 1 and len(wanted) > 1 else ""


def _offset(case: _Case) -> str:
    off = case.found.off_us[:, case.channel]
    usual = int(np.median(off))
    return f"it is off by {usual:+d} us throughout" if usual and (off == usual).mean() >= MOST else ""


def _coarse(case: _Case) -> str:
    values = np.unique(case.found.shown_us[:, case.channel])
    if len(values) < FEW_VALUES:
        return ""
    step = int(np.gcd.reduce(np.diff(values)))
    worst = int(np.abs(case.found.off_us[:, case.channel]).max())
    coarse = step > case.channels[case.channel].resolution_us and worst < 2 * step
    return f"it moves in steps of {step} us only" if coarse else ""


def _clipped(case: _Case) -> str:
    shown = case.found.shown_us[:, case.channel]
    low, high = int(shown.min()), int(shown.max())
    wanted = case.wanted(case.channel)
    beyond = ((wanted < low) | (wanted > high)).mean()
    return f"it is clipped to {low} us .. {high} us" if beyond >= MOST else ""
