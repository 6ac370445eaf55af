"""Why do the pins not do what the receiver reports? Suspects about the last stage, seen by a witness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, cast

import numpy as np

from harness.bench.protocol import Role
from harness.clock import MS
from harness.judge.words import plain
from harness.likely import Likely
from harness.measure.arrays import Flags, inside, ints
from harness.measure.evidence import Evidence
from harness.measure.failsafe import NONE, first_change
from harness.measure.pins import PinsFound, compare_pins, does_as_another, does_by_own_clock, receiver_rate
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult
from harness.why.devices import CAUTION, STRONG, SURE, failed, names_of

MOSTLY: Final = 0.9
FEWEST: Final = 10
"""Wrong pulses of a channel below which nothing is said of them."""
SETTLED_NS: Final = 100 * MS
STEADY_US: Final = 2.0
"""A pulse that is always late by the same differs by so little from one to the next."""
WHOLE: Final = 0.97


@dataclass(frozen=True, slots=True)
class Seen:
    """What the witness saw, by the plan's rule, and the channels with enough wrong pulses."""

    rule: p.Pins
    found: PinsFound
    channels: tuple[int, ...]

    def wrong(self, channel: int) -> Flags:
        """Return the wrong pulses of one channel."""
        wrong: Flags = self.found.wrong & (self.found.pulses.channel == channel)
        return wrong


def seen(evidence: Evidence) -> Seen | None:
    """Return the comparison, made once; None without a witness or a check of pins."""
    key = (__name__, "seen", ())
    if key not in evidence.memo:
        rules = [check.rule for check in evidence.plan.checks if isinstance(check.rule, p.Pins)]
        heard = evidence.heard.get(Role.WITNESS)
        evidence.memo[key] = (
            _seen(evidence, rules[0]) if rules and heard is not None and heard.messages else None
        )
    return cast("Seen | None", evidence.memo[key])


def _seen(evidence: Evidence, rule: p.Pins) -> Seen | None:
    found = compare_pins(evidence, rule)
    counts = np.bincount(found.pulses.channel[found.wrong], minlength=found.pulses.inputs)
    channels = tuple(np.flatnonzero(counts >= FEWEST).tolist())
    return Seen(rule, found, channels) if channels or found.dead else None


def pins_swapped(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Wrong pulses are what the receiver reports of another channel."""
    names = failed(results, "pins")
    this = seen(evidence) if names else None
    if this is None:
        return None
    pairs = _swaps(evidence, this)
    if not pairs:
        return None
    told = "; ".join(
        f"{names_of(evidence, [one])} does what is reported of {names_of(evidence, [other])}"
        for one, other in pairs
    )
    right = all(this.found.pin_right[this.wrong(one)].mean() >= MOSTLY for one, _ in pairs)
    report = right and not any(this.found.report_right[this.wrong(one)].mean() >= MOSTLY for one, _ in pairs)
    side = "the pins follow the sticks, and the report has them exchanged" if report else (
        "the table of pins is in another order than the channels"
    )  # fmt: skip
    both = failed(results, "fidelity", "failsafe_exit") if report else ()
    return Likely(
        key="pins-swapped",
        title=f"Pins are swapped: {told}; {side}",
        explains=names + both,
        strength=0.97 if report else SURE,
        speaks_for=tuple(
            f"{many(int(this.wrong(one).sum()), 'pulse')} of {names_of(evidence, [one])} were wrong, and "
            f"are as reported of {names_of(evidence, [other])} within {this.rule.within_us} us."
            for one, other in pairs
        ),
        next_step=(
            "Move one stick at a time and see which servo follows; then put the tables into one order. "
            f"{CAUTION}"
        ),
    )


def _swaps(evidence: Evidence, this: Seen) -> list[tuple[int, int]]:
    pairs = []
    for channel in this.channels:
        for other in range(this.found.pulses.inputs):
            if other == channel:
                continue
            same = does_as_another(evidence, this.rule, this.found, channel, other)
            if len(same) and same.mean() >= MOSTLY:
                pairs.append((channel, other))
                break
    return pairs


def pins_hold(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Wrong pulses come in failsafe only: the pins keep what the last packet brought."""
    names = failed(results, "pins")
    this = seen(evidence) if names else None
    if this is None or not this.channels:
        return None
    spans = _failsafe_spans(evidence)
    wrong = this.found.wrong
    within = inside(this.found.pulses.rise_ns[wrong], spans)
    if not len(spans) or within.mean() < MOSTLY:
        return None
    kept = _kept(evidence, this)
    if kept < MOSTLY:
        return None
    told = names_of(evidence, this.channels)
    return Likely(
        key="pins-hold",
        title=f"In failsafe the pins of {told} keep the last packet's pulses, while failsafe is reported",
        explains=names,
        strength=SURE,
        speaks_for=(
            f"{100 * float(within.mean()):.0f} % of {many(int(wrong.sum()), 'wrong pulse')} came in "
            "failsafe.",
            f"{100 * kept:.0f} % of those had the width of the last packet's output, within "
            f"{this.rule.within_us} us.",
        ),
        next_step=(
            "Load the timer registers when failsafe begins, not only the variables that are reported, and "
            f"look at a motor's pin with an oscilloscope. {CAUTION}"
        ),
    )


def _failsafe_spans(evidence: Evidence) -> np.ndarray:
    """Return (n, 2) times from each failsafe in a cut to the first packet after it."""
    spans = []
    for cut in evidence.cuts:
        change = first_change(evidence, cut)
        if change != NONE:
            spans.append((int(evidence.changes.at_ns[change]), cut.until_ns + SETTLED_NS))
    return ints(spans).reshape(-1, 2)


def _kept(evidence: Evidence, this: Seen) -> float:
    """Return the share of the wrong pulses that are as wide as the last packet before them made them."""
    applied, pulses = evidence.applied, this.found.pulses.those(this.found.wrong)
    place = np.searchsorted(applied.so_far_ns, pulses.rise_ns, side="right") - 1
    known = (place >= 0) & (pulses.channel < applied.outputs_us.shape[1])
    if not known.any():
        return 0.0
    last = applied.outputs_us[place[known], pulses.channel[known]]
    near = np.abs(pulses.width_us[known] - last) <= this.rule.within_us + pulses.doubt_us[known]
    return float(near.mean())


def report_not_of_outputs(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Pins do as sticks and failsafe ask; the report says something else."""
    names = failed(results, "pins")
    this = seen(evidence) if names else None
    if this is None or not this.channels or _swaps(evidence, this):
        return None
    wrong = this.found.wrong
    pin, report = float(this.found.pin_right[wrong].mean()), float(this.found.report_right[wrong].mean())
    if pin < MOSTLY or report > 1 - MOSTLY:
        return None
    told = names_of(evidence, this.channels)
    others = failed(results, "fidelity", "failsafe_outputs", "failsafe_exit", "failsafe_margin", "start_up")
    return Likely(
        key="report-not-of-outputs",
        title=(
            f"The receiver reports of {told} what its pins do not do: the pins are right and the report is "
            "wrong"
        ),
        explains=names + others,
        strength=WHOLE,
        speaks_for=(
            f"Of {many(int(wrong.sum()), 'pulse')} that differ from the report {100 * pin:.0f} % are what "
            f"sticks or failsafe asked for, and {100 * report:.0f} % of the reports are.",
        ),
        next_step=(
            f"Make the report from the timer's registers, not from the packet, and run this again. {CAUTION}"
        ),
    )


def pin_offset(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Pulses of a channel are all longer, or shorter, than reported by the same."""
    names = failed(results, "pins")
    this = seen(evidence) if names else None
    if this is None:
        return None
    told = {channel: off for channel in this.channels if (off := _offset(this, channel)) is not None}
    if not told or len(told) < len(this.channels):
        return None
    words = ", ".join(f"{names_of(evidence, [one])} by {plain(off, 1)} us" for one, off in told.items())
    return Likely(
        key="pin-offset",
        title=(
            f"Pulses differ from the report by the same at any width ({words}): another interrupt holds up "
            "their end"
        ),
        explains=names,
        strength=SURE,
        speaks_for=tuple(
            f"{many(int(this.wrong(one).sum()), 'pulse')} of {names_of(evidence, [one])} were "
            f"{plain(off, 1)} us {'longer' if off > 0 else 'shorter'} than reported, 80 % of them within "
            f"{plain(STEADY_US, 0)} us of that."
            for one, off in told.items()
        ),
        next_step=(
            "End the pulse by the timer's own output rather than in an interrupt, or take the difference "
            f"off once it is measured. {CAUTION}"
        ),
    )


def _offset(this: Seen, channel: int) -> float | None:
    """Return by how much all pulses of a channel are longer than reported, None if not by the same."""
    wrong = this.wrong(channel)
    off = this.found.pulses.width_us[wrong] - this.found.said_us[wrong]
    mine = this.found.pulses.channel == channel
    if len(off) < MOSTLY * int(mine.sum()):
        return None
    low, middle, high = np.quantile(off, (0.1, 0.5, 0.9))
    return float(middle) if high - low <= 2 * STEADY_US else None


def pins_by_own_clock(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Pulses are as reported in the receiver's own microseconds, and those are wrong."""
    names = failed(results, "pins")
    this = seen(evidence) if names else None
    if this is None or not this.channels:
        return None
    shares = [does_by_own_clock(evidence, this.rule, this.found, channel) for channel in this.channels]
    if any(not len(one) or one.mean() < MOSTLY for one in shares):
        return None
    off = 100 * (receiver_rate(evidence).rate - 1)
    return Likely(
        key="receiver-clock-off",
        title=f"All pulses are wrong by the receiver's clock, which is {plain(abs(off), 2)} % off",
        explains=names,
        strength=STRONG,
        speaks_for=(
            f"In the receiver's own microseconds {many(sum(map(len, shares)), 'wrong pulse')} are right.",
        ),
        next_step=f"Use a crystal in place of the resonator, or calibrate it. {CAUTION}",
    )


def pin_dead(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """A pin has no pulses at all for a while, though the receiver reports some."""
    names = failed(results, "pins")
    this = seen(evidence) if names else None
    if this is None or not this.found.dead:
        return None
    channels = sorted({one.channel for one in this.found.dead})
    longest = max(one.end_ns - one.start_ns for one in this.found.dead)
    return Likely(
        key="pin-dead",
        title=(
            f"{names_of(evidence, channels)} had no pulse for {plain(longest / MS, 0)} ms: its pin, or its "
            "wire, is dead"
        ),
        explains=names,
        strength=STRONG,
        speaks_for=(f"There was none in {many(len(this.found.dead), 'stretch')} of 100 ms or more.",),
        next_step=f"Look at the pin with an oscilloscope, then at the witness's wire. {CAUTION}",
    )


SUSPECTS: Final = (pins_swapped, pins_hold, report_not_of_outputs, pin_offset, pins_by_own_clock, pin_dead)
