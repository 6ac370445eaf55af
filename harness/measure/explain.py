"""What is behind wrong outputs? The few mistakes that explain most of them, tried one after the other."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from harness.measure.arrays import Flags, Ints
from harness.measure.channels import Steps, channel_figures, cross_talk
from harness.measure.fidelity import MISSING_US, Deviations
from harness.plan.model import Channel

MOST: Final = 0.95
"""An explanation must fit this share of the deviating packets."""
MOST_BITS: Final = 6
LEAST_SHARE: Final = 0.002
"""Cross-talk below 2 us over a whole travel of 1000 us explains no deviation of whole microseconds."""
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
    reasons = (
        _not_reported, _swapped, _reversed, _stuck, _offset, _low_bits, _coarse, _clipped, _scaled, _mixed,
        _steps_back,
    )  # fmt: skip
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


def _low_bits(case: _Case) -> str:
    """The lowest bits are cut off, of the pulse itself or of its distance from the low end."""
    low = case.channels[case.channel].range.low_us
    wanted, shown = case.found.wanted_us[:, case.channel], case.found.shown_us[:, case.channel]
    for bits in range(1, MOST_BITS + 1):
        for zero in (0, low):
            cut = (wanted - zero) // (1 << bits) * (1 << bits) + zero
            if (cut == shown).mean() >= MOST and len(np.unique(shown)) >= FEW_VALUES:
                what = "lowest bit is" if bits == 1 else f"{bits} lowest bits are"
                return f"its {what} lost: it moves in steps of {1 << bits} us only"
    return ""


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


def _scaled(case: _Case) -> str:
    """A straight line other than 1:1 explains the deviations."""
    about = case.channels[case.channel]
    line = channel_figures(case.found, case.channel, about).line
    if line is None or line.gain is None or len(np.unique(case.wanted(case.channel))) < FEW_VALUES:
        return ""
    centre = about.output_us(about.middle_us)
    fitted = line.gain * (case.wanted(case.channel) - centre) + centre + line.offset_us
    if not _fits(np.round(fitted).astype(np.int64), case.shown(case.channel)):
        return ""
    offset_us = round(line.offset_us, 1) + 0.0
    return f"its gain is {line.gain:.3f} instead of 1, and it is off by {offset_us:+.1f} us at the centre"


def _mixed(case: _Case) -> str:
    """What the other sticks bring in explains the deviations."""
    share = cross_talk(case.found).share[case.channel]
    if share[case.channel] is None:
        return ""
    parts = [
        (stick, part)
        for stick, part in enumerate(share)
        if part is not None and stick != case.channel and abs(part) >= LEAST_SHARE
    ]
    if not parts:
        return ""
    brought = np.zeros(len(case.found.row))
    for stick, part in parts:
        brought += part * case.found.wanted_us[:, stick]
    off = case.found.off_us[:, case.channel] - brought
    left = np.abs(off - np.median(off))[case.wrong]
    if (left <= 1.5).mean() < MOST:
        return ""
    told = [f"{part:+.3f} us for each us of {case.channels[stick].name}" for stick, part in parts]
    return f"other sticks come through: {', '.join(told)}"


def _steps_back(case: _Case) -> str:
    found = channel_figures(case.found, case.channel, case.channels[case.channel]).steps
    return back_words(found) if found.back is not None else ""


def back_words(found: Steps) -> str:
    """Say where an output first goes the wrong way, and how often it does."""
    assert found.back is not None
    (stick, next_stick), (output, next_output) = found.back.stick_us, found.back.output_us
    more = "" if found.backs == 1 else f", the first of {found.backs} such steps"
    sticks = f"where its stick goes from {stick} us to {next_stick} us"
    return f"it goes from {output} us to {next_output} us {sticks}{more}"
