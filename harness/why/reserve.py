"""Where did the margin go? Weak at the transmitter, deaf at the receiver, or less than a minute ago."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.codec import messages as wire
from harness.judge.words import moment, plain
from harness.likely import Likely
from harness.measure.arrays import Ints, inside, ints
from harness.measure.evidence import Evidence
from harness.measure.margin import Margin, margin_steps, measure_margin
from harness.measure.propagation import LIGHT_M_S
from harness.plan import model as p
from harness.plan.wording import many
from harness.stats.runs import run_test
from harness.verdict import CheckResult, Verdict
from harness.why.blame import blamed
from harness.why.packets import FEWEST, packets_of
from harness.why.words import CERTAIN, CLEAR, LOSSES, POSSIBLE, STRONG, SURE, failed, in_order, percent

BAND_HZ: Final = 2.44e9
"""Middle of the 2.4 GHz band."""
FELL_DB: Final = 6.0
"""A signal that falls by less may be somebody walking past (common practice, no source)."""
EXPECTED_DB: Final = 8.0
"""A signal a metre away agrees with free space to so many dB (common practice, no source)."""
STEEP: Final = 1.5
FEW: Final = 50
RETRIED: Final = 0.15
"""Share of packets tried more than once at the end from which on a passing link loses its reserve."""
GROWN: Final = 4.0


def free_space_db(metres: float) -> float:
    """Return the loss between isotropic antennas in dB: 20 log10(4 pi d f / c). Source: ITU-R P.525."""
    return 20 * math.log10(4 * math.pi * max(metres, 0.01) * BAND_HZ / LIGHT_M_S)


def _signals(evidence: Evidence) -> tuple[Ints, Ints]:
    """Return when, and how strong, the receiver reported packets at the power of normal use."""
    table = evidence.heard[Role.RECEIVER].table(wire.Applied.TYPE)
    paths = margin_steps(evidence.plan)
    spans = ints([(one.start_ns, one.end_ns) for one in evidence.steps if one.path in paths]).reshape(-1, 2)
    signal = table.rows["signal_dbm"].astype(np.int64)
    known = (signal != wire.SIGNAL_UNKNOWN) & ~inside(table.at_ns, spans)
    return table.at_ns[known], signal[known]


def _found(evidence: Evidence) -> Margin | None:
    rules = [check.rule for check in evidence.plan.checks if isinstance(check.rule, p.LinkMargin)]
    if not rules:
        return None
    return measure_margin(evidence, rules[0].delivery, float(rules[0].confidence), rules[0].during)


def power_drops(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect the transmitter's amplifier: at one setting the signal gets weaker while the run goes on."""
    names = failed(results, "link_margin", "drift", *LOSSES)
    at_ns, signal = _signals(evidence)
    if not names or len(at_ns) < 2 * FEW:
        return None
    place = _drop(signal)
    before, after = float(np.median(signal[:place])), float(np.median(signal[place:]))
    fell = before - after
    if fell < FELL_DB or min(place, len(signal) - place) < FEW:
        return None
    names = _after_drop(evidence, results, int(at_ns[place - 1]))
    if not names:
        return None
    return Likely(
        key="power-drops",
        title=f"At one and the same setting the signal falls by {plain(fell, 0)} dB during the run",
        explains=names,
        strength=CERTAIN,
        speaks_for=(
            f"The receiver reports {plain(before, 0)} dBm up to {moment(evidence, int(at_ns[place - 1]))} "
            f"and {plain(after, 0)} dBm from {moment(evidence, int(at_ns[place]))} on, both at the power of "
            "normal use.",
        ),
        next_step="Run again with a cold transmitter and look whether it falls after the same time; feel "
        "or measure the module's heat and its supply under load, then swap the module. Transmit with an "
        "antenna or a load on it always.",
    )


def _after_drop(evidence: Evidence, results: Sequence[CheckResult], at_ns: int) -> tuple[str, ...]:
    """Return the failed checks that a weaker signal explains: of losses, those that came after it fell."""
    packets = packets_of(evidence)
    lost = blamed(evidence, results, packets, packets.at_ns >= at_ns)
    return in_order(results, (*failed(results, "link_margin", "drift"), *lost))


def _drop(signal: Ints) -> int:
    """Return the place that splits a series into the two most unlike parts, by the sum of squares between."""
    count = len(signal)
    sums = np.cumsum(signal.astype(np.float64))[:-1]
    first = np.arange(1, count, dtype=np.float64)
    between = (sums - first * sums[-1] / max(1, count - 1)) ** 2 / (first * (count - first))
    return int(np.argmax(between)) + 1


def deaf_or_weak(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect the receiver if the signal is as strong as it must be, else the transmitter or antennas."""
    names = failed(results, "link_margin")
    margin = _found(evidence) if names else None
    if margin is None or _enough(evidence, margin) or power_drops(evidence, results) is not None:
        return None
    if margin.signal_slope is not None and margin.signal_slope > STEEP:
        return _falls_by_itself(names, margin.signal_slope)
    step, at_loss = margin.step, _at_loss(margin)
    if step.by != "power" or step.distance_mm is None or at_loss is None:
        return _either(names, margin, at_loss)
    strongest = margin.levels[0]
    assert strongest.signal_dbm is not None
    expected = strongest.level_x10 / 10 - free_space_db(step.distance_mm / 1000) - step.in_line_x10 / 10
    short = expected - strongest.signal_dbm
    lost_at = f"packets get lost from {plain(at_loss, 0)} dBm on"
    as_expected = (
        f"At {plain(strongest.level_x10 / 10, 1)} dBm the receiver reports {plain(strongest.signal_dbm, 0)} "
        f"dBm; free space and the {plain(step.in_line_x10 / 10, 0)} dB in line leave {plain(expected, 0)} "
        "dBm."
    )
    if short > EXPECTED_DB:
        return Likely(
            key="weak-transmitter",
            title=f"The signal arrives {plain(short, 0)} dB weaker than it should",
            explains=names,
            strength=STRONG,
            speaks_for=(as_expected, f"The receiver hears well: {lost_at}."),
            next_step="Swap the transmitter's module and look whether the reported signal rises; then its "
            "antenna and the attenuator. Never transmit without an antenna or a load.",
        )
    return Likely(
        key="deaf-receiver",
        title=f"The receiver is deaf: {lost_at}, though the signal is as strong as it must be",
        explains=names,
        strength=STRONG,
        speaks_for=(as_expected, f"The reported signal follows the setting, and {lost_at}."),
        speaks_against=("A receiver that reports its signal too high would look the same.",),
        next_step="Swap the receiver's module: the margin must come back. If it does, look at the "
        "antenna's solder joint and plug, then at noise from the board (run the receiver from a battery, "
        "other parts off).",
    )


def _enough(evidence: Evidence, margin: Margin) -> bool:
    """Return whether the margin is what the plan asks for: then nothing is weak, whatever failed."""
    wanted = [one.rule.at_least_x10 for one in evidence.plan.checks if isinstance(one.rule, p.LinkMargin)]
    return margin.margin_db is not None and margin.margin_db >= max(wanted) / 10


def _falls_by_itself(names: tuple[str, ...], slope: float) -> Likely:
    return Likely(
        key="power-drops",
        title="The signal falls by more than the setting was lowered: it gets weaker by itself as well",
        explains=names,
        strength=STRONG,
        speaks_for=(
            f"For each dB that the level was lowered the reported signal fell by {plain(slope, 1)} dB, where "
            "one was due.",
        ),
        speaks_against=("A reported signal with a wrong scale would do the same, in every run alike.",),
        next_step="Hold one power for some minutes from a cold start and look when the signal falls; then "
        "look at the module's heat and supply. Transmit with an antenna or a load on it always.",
    )


def _at_loss(margin: Margin) -> float | None:
    """Return the reported signal at which the margin is used up, in dBm; None if nobody tells."""
    told = [one for one in margin.levels if one.signal_dbm is not None]
    if not told or margin.levels[0].signal_dbm is None or margin.margin_db is None:
        return None
    top = margin.levels[0]
    assert top.signal_dbm is not None
    return top.signal_dbm - (margin.margin_db + top.above_db)


def _either(names: tuple[str, ...], margin: Margin, at_loss: float | None) -> Likely | None:
    seen = "the receiver reports no signal" if at_loss is None else "the plan names no distance"
    found = (
        f"The margin is {plain(margin.margin_db, 1)} dB, less than the plan asks for"
        if margin.margin_db is not None
        else f"At {many(len(margin.levels), 'level')} no margin as wide as the plan asks for was found"
    )
    return Likely(
        key="weak-link",
        title="The margin is short: a deaf receiver, a weak transmitter, or antennas",
        explains=names,
        strength=POSSIBLE,
        speaks_for=(f"{found}; {seen}, so nobody can tell which.",),
        next_step="Swap one module at a time and run the margin plan again: the side that was weak is the "
        "one whose swap brings the margin back. Write `distance` into the plan's margin step.",
    )


def margin_going(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Say that retransmissions hold delivery up, and become more: odd, though nothing failed."""
    packets = packets_of(evidence)
    used = packets.acked & ~packets.ordered
    if used.sum() < 10 * FEWEST or any(one.verdict is Verdict.FAIL for one in results):
        return None
    again = packets.attempts[used] > 1
    parts = np.array_split(again, 4)
    first, last = float(parts[0].mean()), float(parts[-1].mean())
    test = run_test(again)
    rises = last > RETRIED and last > GROWN * max(first, 0.01)
    if not rises or test is None or test.p_clustered >= SURE:
        return None
    return Likely(
        key="margin-going",
        title=f"Repetitions hold delivery up: {percent(last, 1)} of the packets at the end needed more "
        "than one attempt",
        explains=(),
        strength=CLEAR,
        speaks_for=(
            f"In the first quarter of the run {percent(first, 1)} of the packets were repeated, in the last "
            f"{percent(last, 1)}; delivery does not show it yet.",
        ),
        next_step="Run the margin plan; look what changed during the run: heat, supply, a hand near an "
        "antenna.",
    )


__all__ = ["deaf_or_weak", "free_space_db", "margin_going", "power_drops"]
