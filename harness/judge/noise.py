"""Are the transmitter's own sticks quiet at rest? RMS, peak to peak, and mains hum."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from harness.judge.advice import advise
from harness.judge.guard import at_most, no_data, result
from harness.judge.words import in_steps, plain
from harness.measure.evidence import Evidence
from harness.measure.noise import FEWEST, MAINS_HZ, Hum, Noise, RestSamples, hum, noise, rest_samples
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict

Part = tuple[Verdict, str, str]
"""A verdict on one quantity, the reason for it, and the situation for advice."""
OPEN: Final = Verdict.INCONCLUSIVE
MOST_NEEDED: Final = 10_000_000
ORDER: Final = (Verdict.PASS, Verdict.INCONCLUSIVE, Verdict.FAIL)


def judge_noise(rule: p.Noise, evidence: Evidence) -> CheckResult:
    """Judge the noisiest channel's RMS by its interval; peak to peak and hum where the plan limits them."""
    samples = rest_samples(evidence, rule.during)
    channels = evidence.plan.link.channels
    names = [channel.name for channel in channels]
    found = noise(samples, float(rule.confidence), tuple(channel.resolution_us for channel in channels))
    if not found:
        return _too_few(rule, evidence, samples)
    worst = max(range(len(found)), key=lambda channel: found[channel].rms_limits_us[1])
    parts = [_rms(rule, found, names), _peak_to_peak(rule, found, names)]
    parts += [_hum(rule, samples, mains_hz, evidence) for mains_hz in _mains(rule)]
    verdict = max((part[0] for part in parts), key=ORDER.index)
    shown = [part for part in parts if part[1] and (part[0] is verdict or part is parts[0])]
    return result(
        verdict,
        "; ".join(words for _, words, _ in shown) + f", in {many(len(samples), 'packet')}",
        value=found[worst].rms_us,
        unit="us",
        interval=found[worst].rms_limits_us,
        confidence=float(rule.confidence),
        limit=float(rule.at_most_us),
        side="at most",
        samples=len(samples),
        sample_unit="packets",
        needed=_needed(found[worst], rule.at_most_us, len(samples)) if parts[0][0] is OPEN else None,
        counts={"packets": len(samples), "with the harness's sticks": samples.held},
        advice=advise("noise", *(part[2] for part in parts if part[0] is verdict)),
    )


def _too_few(rule: p.Noise, evidence: Evidence, samples: RestSamples) -> CheckResult:
    if samples.held > len(samples):
        return result(
            Verdict.INCONCLUSIVE,
            "the transmitter went on with the harness's sticks after it was released",
            samples=len(samples),
            sample_unit="packets",
            advice=advise("noise", "held"),
        )
    if not len(samples):
        return no_data(
            evidence, f"no packet carried the transmitter's own sticks{in_steps(rule.during)}", "packets"
        )
    return result(
        Verdict.INCONCLUSIVE,
        f"{many(len(samples), 'packet')} with the transmitter's own sticks are too few: {FEWEST} would do",
        samples=len(samples),
        sample_unit="packets",
        needed=FEWEST - len(samples),
        advice=advise("noise", "few"),
    )


def _rms(rule: p.Noise, found: Sequence[Noise], names: Sequence[str]) -> Part:
    limit = float(rule.at_most_us)
    verdicts = [at_most(*one.rms_limits_us, limit) for one in found]
    verdict = max(verdicts, key=ORDER.index)
    worst = max(
        range(len(found)), key=lambda channel: (ORDER.index(verdicts[channel]), found[channel].rms_us)
    )
    one = found[worst]
    if not any(each.rms_us for each in found):
        return verdict, "no channel moved at all, as if none were read from an input", "still"
    low, high = one.rms_limits_us
    words = (
        f"{names[worst]} has {plain(one.rms_us, 2)} us RMS of noise "
        f"({plain(low, 2)} us to {plain(high, 2)} us), {plain(one.peak_to_peak_us, 1)} us peak to peak"
    )
    if verdict is Verdict.INCONCLUSIVE:
        words += f", too near the limit of {plain(limit)} us to tell"
    return verdict, words, {Verdict.FAIL: "fail", Verdict.INCONCLUSIVE: "few"}.get(verdict, "")


def _needed(one: Noise, limit_us: int, count: int) -> int:
    """Return how many more packets would settle an RMS, by an interval that narrows with their root."""
    low, high = one.rms_limits_us
    reach = high - one.rms_us if one.rms_us <= limit_us else one.rms_us - low
    away = abs(limit_us - one.rms_us)
    wanted = count * (reach / away) ** 2 if away else MOST_NEEDED
    return min(max(1, int(wanted) - count + 1), MOST_NEEDED)


def _peak_to_peak(rule: p.Noise, found: Sequence[Noise], names: Sequence[str]) -> Part:
    if rule.peak_to_peak_us is None:
        return Verdict.PASS, "", ""
    worst = max(range(len(found)), key=lambda channel: found[channel].peak_to_peak_us)
    size, limit = found[worst].peak_to_peak_us, rule.peak_to_peak_us
    words = f"{names[worst]} moves {plain(size, 1)} us peak to peak, {limit} us allowed"
    return (Verdict.FAIL, words, "fail") if size > limit else (Verdict.PASS, words, "")


def _mains(rule: p.Noise) -> tuple[float, ...]:
    if rule.hum_us is None:
        return ()
    return MAINS_HZ if rule.mains == "both" else (float(rule.mains.split()[0]),)


def _hum(rule: p.Noise, samples: RestSamples, mains_hz: float, evidence: Evidence) -> Part:
    """Judge hum; what could as well be another frequency can pass, and never fails."""
    assert rule.hum_us is not None
    channels = evidence.plan.link.channels
    names = [channel.name for channel in channels]
    resolution = tuple(channel.resolution_us for channel in channels)
    found = hum(samples, mains_hz, float(rule.confidence), resolution, questions=len(_mains(rule)))
    if found is None or found.told == "no":
        return Verdict.INCONCLUSIVE, hum_untold(mains_hz, found), "untold"
    verdicts = [at_most(*limits, float(rule.hum_us)) for limits in found.limits_us]
    verdict = max(verdicts, key=ORDER.index)
    worst = int(np.argmax(found.amplitude_us))
    words = (
        f"{names[worst]} has {plain(found.amplitude_us[worst], 2)} us at {plain(mains_hz)} Hz, "
        f"{rule.hum_us} us allowed"
    )
    if found.told != "yes" and verdict is Verdict.FAIL:
        return (
            Verdict.INCONCLUSIVE,
            f"{words}, or at {plain(found.seen_at_hz, 2)} Hz: this packet rate cannot tell",
            "untold",
        )
    return verdict, words, {Verdict.FAIL: "hum", Verdict.INCONCLUSIVE: "few"}.get(verdict, "")


def hum_untold(mains_hz: float, found: Hum | None) -> str:
    """Say why hum could not be measured."""
    if found is None:
        return f"too few packets in one visit to tell {plain(mains_hz)} Hz"
    return (
        f"{plain(mains_hz)} Hz cannot be told at this packet rate: it shows as "
        f"{plain(found.seen_at_hz, 2)} Hz, like a slow drift"
    )
