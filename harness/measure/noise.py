"""How noisy are the transmitter's own sticks at rest? RMS, peak to peak, slow drift and mains hum.

Looked at are packets that carried the transmitter's own inputs (set 0) in `own_sticks` steps, by the outputs
that they became and the instants at which their sticks were sampled. Outputs are whole microseconds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import stats

from harness.clock import S
from harness.codec.messages import NO_SET
from harness.measure.arrays import Floats, Ints, inside, ints
from harness.measure.evidence import Evidence
from harness.plan.model import OwnSticks, every_step
from harness.stats.linear import fit_each, onto, orthonormal, product, singular_values

FEWEST: Final = 250
"""Fewest packets behind an RMS: 5 s at 50 packets/s."""
PARTS: Final = 4
"""Parts of the time whose mean squares are compared to see how far the RMS may be off."""
MOST_EATEN: Final = 0.5
"""Largest share of the variance that the straight lines are taken to have eaten."""
MAINS_HZ: Final = (50.0, 60.0)
MAINS_WANDER_HZ: Final = 0.2
"""Mains is looked for this far to both sides: what interconnected networks hold in normal operation (from
memory, not held to a source; EN 50160 allows 1 %, from memory)."""
HUM_LOOKED_AT_NS: Final = 60 * S
HUM_FEWEST: Final = 50
CLEAR: Final = 30.0
"""Beyond so many standard errors the distribution of an amplitude is as good as Gaussian."""
HALVINGS: Final = 40
WEAK: Final = 0.5
"""A sinusoid that the mean and the drift could explain to more than three quarters cannot be told."""
ALIKE: Final = 0.9
"""Two frequencies whose samples correlate by more than this cannot be told apart."""


@dataclass(frozen=True, slots=True)
class RestSamples:
    """Outputs of packets with the transmitter's own sticks, in order of sampling.

    `at_ns` is when the sticks were sampled, `outputs_us` is (n, channels), `step` counts the visits to
    `own_sticks` steps from 0. `held` counts packets in those steps that still carried the harness's sticks.
    """

    at_ns: Ints
    outputs_us: Ints
    step: Ints
    held: int

    def __len__(self) -> int:
        return len(self.at_ns)


@dataclass(frozen=True, slots=True)
class Noise:
    """One channel at rest, in us; the drift, a straight line through each visit, is taken out first.

    `mean_us` is before that, `drift_us_s` the mean slope. Each end of `rms_limits_us` holds one-sided.
    """

    mean_us: float
    drift_us_s: float
    rms_us: float
    rms_limits_us: tuple[float, float]
    peak_to_peak_us: float


@dataclass(frozen=True, slots=True)
class Hum:
    """A sinusoid at a mains frequency, for every channel at once.

    `seen_at_hz` is where the frequency shows at this packet rate (its alias, or itself). `told` is "yes",
    "not from the other" (amplitudes hold for `seen_at_hz` just as well) or "no" (it cannot be told from the
    mean and the drift; no amplitudes). `amplitude_us` and `limits_us` have one entry per channel.
    """

    mains_hz: float
    seen_at_hz: float
    told: str
    amplitude_us: tuple[float, ...]
    limits_us: tuple[tuple[float, float], ...]


def rest_samples(evidence: Evidence, during: tuple[str, ...] = ()) -> RestSamples:
    """Return the outputs of the packets with the transmitter's own sticks, in `own_sticks` steps only."""
    applied, sent = evidence.applied, evidence.sent
    spans = _own_spans(evidence)
    rows = np.flatnonzero((applied.sent_row >= 0) & ~applied.repeat & ~applied.doubtful)
    at_ns = sent.at_ns[applied.sent_row[rows]]
    chosen = inside(at_ns, spans) & inside(at_ns, evidence.spans(during))
    rows, at_ns = rows[chosen], at_ns[chosen]
    own = sent.set_number[applied.sent_row[rows]] == NO_SET
    width = len(evidence.plan.link.channels)
    own &= applied.channels[rows] >= width
    held = int((~own).sum())
    rows, at_ns = rows[own], at_ns[own]
    order = np.argsort(at_ns, kind="stable")
    outputs = applied.outputs_us[rows[order]][:, :width]
    at_ns = at_ns[order]
    step = np.searchsorted(spans[:, 0], at_ns, side="right") - 1
    return RestSamples(at_ns, outputs, step, held)


def _own_spans(evidence: Evidence) -> Ints:
    """Return (n, 2) host times of every visit to an `own_sticks` step, in order."""
    paths = {step.path for step in every_step(evidence.plan.steps) if isinstance(step.action, OwnSticks)}
    spans = [(step.start_ns, step.end_ns) for step in evidence.steps if step.path in paths]
    return ints(sorted(spans)).reshape(-1, 2)


def noise(samples: RestSamples, confidence: float, resolution_us: tuple[int, ...]) -> tuple[Noise, ...]:
    """Return each channel's noise; empty with fewer than `FEWEST` packets.

    rms = sqrt(SSR / (n - 2 k)) with the sum of squared residuals SSR about a straight line through each of k
    visits. The limits are those of a chi-square variance with as many degrees of freedom as the residuals are
    worth (`_worth`): independent Gaussian noise would be worth n. The upper one makes up for what the lines
    took out of slow noise (`_eaten`), and holds what a step of the resolution r can hide, r / sqrt(12) (a
    rectangular distribution: JCGM 100:2008, 4.3.7).
    Simulated at 95 %, 2 000 series each: the upper limit is missed by 2 % to 6 % of autoregressive Gaussian
    series of first order, from independent ones (n = 250) up to 0.9 (n = 500) and 0.98 from packet to packet
    (n = 3 000). Slower wander counts as drift. Rare spikes say little about an RMS: of Student's t with 3
    degrees of freedom it is missed by about 15 % (n = 500). Judge spikes by peak to peak.
    """
    if len(samples) < FEWEST:
        return ()
    residual, slope, used = _without_drift(samples)
    freedom = len(samples) - used
    if freedom < FEWEST // 2:  # many visits of hardly a packet each
        return ()
    means = samples.outputs_us.mean(axis=0)
    found = []
    for channel, resolution in enumerate(resolution_us):
        off = residual[:, channel]
        low, high = _variance_limits(off, freedom, confidence)
        found.append(
            Noise(
                float(means[channel]),
                float(slope[channel]),
                float(np.sqrt(product(off, off) / freedom)),
                (float(np.sqrt(low)), float(np.sqrt(high + resolution**2 / 12))),
                float(np.ptp(off)),
            )
        )
    return tuple(found)


def _without_drift(samples: RestSamples) -> tuple[Floats, Floats, int]:
    """Return residuals about each visit's straight line, the mean slope in us/s, and how many parameters."""
    outputs = (samples.outputs_us - samples.outputs_us[:1]).astype(np.float64)
    residual = np.empty_like(outputs)
    slopes, weights, used = [], [], 0
    for step in np.unique(samples.step).tolist():
        rows = np.flatnonzero(samples.step == step)
        seconds = (samples.at_ns[rows] - samples.at_ns[rows[0]]) / S
        lines = _lines(seconds)
        fitted = onto(lines, outputs[rows])
        residual[rows] = outputs[rows] - fitted
        used += lines.shape[1]
        if seconds[-1] > 0:
            slopes.append((fitted[-1] - fitted[0]) / seconds[-1])
            weights.append(len(rows))
    slope = np.average(slopes, axis=0, weights=weights) if slopes else np.zeros(outputs.shape[1])
    residual[np.abs(residual) < 1e-9] = 0.0
    return residual, slope, used


def _lines(seconds: Floats) -> Floats:
    """Return an orthonormal basis of the constant and, if the times differ, the straight line."""
    away = seconds - seconds.mean()
    columns = [np.full(len(seconds), 1 / np.sqrt(len(seconds)))]
    if away.any():
        columns.append(away / np.sqrt(product(away, away)))
    return np.stack(columns, axis=1)


def _variance_limits(off: Floats, freedom: int, confidence: float) -> tuple[float, float]:
    """Return one-sided limits of the variance of correlated noise."""
    variance = product(off, off) / freedom
    if not variance:
        return 0.0, 0.0
    correlation = _correlation(off)
    eaten = _eaten(correlation, len(off), len(off) - freedom)
    correlation += (1 - correlation) * eaten
    parts = np.array([product(part, part) / len(part) for part in np.array_split(off, PARTS)])
    spread = float(parts.std(ddof=1)) / np.sqrt(PARTS) / float(parts.mean())
    worth = max(1.0, min(_worth(off, correlation), 2 / max(spread, 1e-9) ** 2, freedom))
    factor = float(np.exp(stats.t.ppf(confidence, PARTS - 1) * spread))
    low, high = (worth / float(stats.chi2.ppf(share, worth)) for share in (confidence, 1 - confidence))
    whole = product(off, off) / len(off) / (1 - eaten)
    return variance * min(low, 1 / factor), max(variance, whole) * max(high, factor)


def _correlation(off: Floats) -> Floats:
    """Return the correlations r_1, r_2, ... down to the first that is not positive: the rest is chance."""
    count = len(off)
    size = 1 << (2 * count - 1).bit_length()
    power = np.abs(np.fft.rfft(off, size)) ** 2
    covariance = np.fft.irfft(power, size)[: count // 4 + 1]
    correlation = covariance[1:] / covariance[0]
    ends = np.flatnonzero(correlation <= 0)
    return np.asarray(correlation[: int(ends[0])] if len(ends) else correlation)


def _eaten(correlation: Floats, count: int, used: int) -> float:
    """Return the share of the variance that fitting `used` parameters of slow lines took out.

    Each takes the power at low frequencies, 1 + 2 sum r_k times the variance, of n. The correlations are
    those of residuals, themselves too low by that share: hence twice.
    """
    eaten = 0.0
    for _ in range(2):
        whole = correlation + (1 - correlation) * eaten
        eaten = min(MOST_EATEN, used * float(1 + 2 * whole.sum()) / count)
    return eaten


def _worth(off: Floats, correlation: Floats) -> float:
    """Return the degrees of freedom of the variance of correlated noise, drawn down for what is guessed.

    The variance of a sample variance of a Gaussian series with correlations r_k is 2 s^4 / n times
    1 + 2 sum r_k^2 (Bartlett's formula at lag 0; cited from memory), and (kurtosis - 1) / 2 times that for
    other distributions. One standard deviation of that estimate is taken off: few samples look quieter, and
    less correlated, than they are.
    """
    square = off**2
    kurtosis = float((square**2).mean()) / float(square.mean()) ** 2
    worth = len(off) / float(1 + 2 * (correlation**2).sum()) * 2 / max(2.0, kurtosis - 1)
    return float(worth * (1 - np.sqrt(2 / max(worth, 4.0))))


def hum(
    samples: RestSamples,
    mains_hz: float,
    confidence: float,
    resolution_us: tuple[int, ...],
    *,
    questions: int = 1,
) -> Hum | None:
    """Return the hum at a mains frequency, by least squares at the packets' own sampling times.

    From the longest visit, its first 60 s: output = c + d t + a cos(2 pi f t) + b sin(2 pi f t), amplitude
    sqrt(a^2 + b^2), for the f within `MAINS_WANDER_HZ` that explains most. Standard error s sqrt(2 / n), with
    s the residuals' standard deviation: assumes noise that is even around f. The largest of many is too
    large: lower limits (`_least`) allow for all frequencies tried, and share their risk between all
    channels of `questions` such frequencies. The upper limit is at least half a step of the
    resolution, which can hide a sinusoid altogether. None with too few packets.
    """
    visit = _longest(samples)
    period_ns = float(np.median(np.diff(visit.at_ns))) if len(visit) >= HUM_FEWEST else 0.0
    if period_ns <= 0:
        return None
    seconds = (visit.at_ns - visit.at_ns[0]) / S
    lines = _lines(seconds)
    rate = S / period_ns
    alias = abs(mains_hz - rate * round(mains_hz / rate))
    told = _told(seconds, lines, mains_hz, alias)
    if told == "no":
        return Hum(mains_hz, alias, told, (), ())
    outputs = visit.outputs_us.astype(np.float64)
    outputs = outputs - onto(lines, outputs)
    step = 1 / (4 * max(1.0, float(seconds[-1])))
    tried = mains_hz + np.arange(-MAINS_WANDER_HZ, MAINS_WANDER_HZ + step / 2, step)
    sizes, errors = zip(*(_amplitudes(seconds, lines, outputs, f) for f in tried.tolist()), strict=True)
    best = np.argmax(sizes, axis=0)
    columns = np.arange(outputs.shape[1])
    size, error = np.array(sizes)[best, columns], np.array(errors)[best, columns]
    reach = float(stats.norm.ppf(confidence)) * error
    hidden = np.array(resolution_us) / 2
    told_apart = max(1.0, 2 * MAINS_WANDER_HZ * float(seconds[-1]))
    low = _least(size, error, (1 - confidence) / (told_apart * outputs.shape[1] * questions))
    high = np.maximum(size + reach, hidden)
    limits = tuple(zip(low.tolist(), high.tolist(), strict=True))
    return Hum(mains_hz, alias if told != "yes" else mains_hz, told, tuple(size.tolist()), limits)


def _least(size: Floats, error: Floats, risk: float) -> Floats:
    """Return the amplitude below which one as large as `size` is seen with a probability under `risk`.

    (size / error)^2 has the noncentral chi-square distribution with three degrees of freedom: two of the
    sinusoid (Rice 1944, from memory), one for the choice of the best frequency near it.
    """
    from scipy.special import chndtr

    seen = np.minimum(size / np.where(error > 0, error, 1.0), CLEAR)
    low, high = np.zeros_like(seen), seen.copy()
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        likely = chndtr(seen**2, 3.0, middle**2) > 1 - risk
        low, high = np.where(likely, middle, low), np.where(likely, high, middle)
    return np.asarray(np.where(error > 0, np.maximum(0.0, size - (seen - low) * error), size))


def _longest(samples: RestSamples) -> RestSamples:
    if not len(samples):
        return samples
    first = int(np.argmax(np.bincount(samples.step)))
    mine = samples.step == first
    mine &= samples.at_ns <= int(samples.at_ns[mine][0]) + HUM_LOOKED_AT_NS
    return RestSamples(samples.at_ns[mine], samples.outputs_us[mine], samples.step[mine], 0)


def _waves(seconds: Floats, lines: Floats, hertz: float) -> Floats:
    """Return cosine and sine at the sampling times, each of norm 1, less what constant and drift explain."""
    angle = 2 * np.pi * hertz * seconds
    waves = np.stack((np.cos(angle), np.sin(angle)), axis=1) * np.sqrt(2 / len(seconds))
    return np.asarray(waves - onto(lines, waves))


def _told(seconds: Floats, lines: Floats, hertz: float, alias: float) -> str:
    """Say whether the sampling pattern can tell a frequency: yes, no, or not from its alias.

    By the smallest singular value of its two columns beside constant and drift, and by the largest
    correlation between them and the alias's columns (principal angles; Björck and Golub 1973, from memory).
    """
    waves = _waves(seconds, lines, hertz)
    if singular_values(waves)[1] < WEAK:
        return "no"
    others = _waves(seconds, lines, alias)
    if abs(hertz - alias) < 2 * MAINS_WANDER_HZ or singular_values(others)[1] < WEAK:
        return "yes"
    alike = singular_values(onto(orthonormal(waves), orthonormal(others)))[0]
    return "not from the other" if alike > ALIKE else "yes"


def _amplitudes(seconds: Floats, lines: Floats, outputs: Floats, hertz: float) -> tuple[Floats, Floats]:
    """Return each channel's amplitude at a frequency and its standard error; `outputs` have no drift left."""
    waves = _waves(seconds, lines, hertz)
    if singular_values(waves)[1] < WEAK:
        return np.zeros(outputs.shape[1]), np.zeros(outputs.shape[1])
    found = fit_each([np.ascontiguousarray(wave) for wave in waves.T], outputs)
    size, rest = np.array([math.hypot(*one.parts) for one in found]), np.array([one.rest for one in found])
    freedom = max(1, len(seconds) - lines.shape[1] - 2)
    scale = np.sqrt(2 / len(seconds))
    return size * scale, np.sqrt(rest / freedom) * scale


__all__ = ["FEWEST", "MAINS_HZ", "Hum", "Noise", "RestSamples", "hum", "noise", "rest_samples"]
