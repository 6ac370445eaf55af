"""When are outputs wrong? Circumstances that tell the wrong packets of a channel from the others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

from harness.measure.arrays import Flags, Floats, Ints
from harness.measure.evidence import Evidence
from harness.measure.injection import injections
from harness.why.devices import CHANCE, fisher
from harness.why.patterns import Case

FITS: Final = 0.9
"""Share that the wrong packets and those of a circumstance must have in common."""
LEAP_US: Final = 100
MODULI: Final = tuple(1 << bits for bits in range(3, 13))
NEXT: Final = 2
"""Packets that carry new telemetry away: the one that comes next, or the one after it."""
SHARE: Final = 0.005
RETRY: Final = 1.3
FIRST: Final = 64
PHASES_US: Final = (20_000, 22_500, 22_000, 18_000, 25_000)
"""Servo frames that firmware uses (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Occasion:
    """One circumstance: its key, its words, and which packets meet it."""

    key: str
    words: str
    met: Flags

    def share(self, wrong: Flags, eligible: Flags) -> float:
        """Return what wrong packets and those that meet it have in common, among those that could tell."""
        met, bad = self.met & eligible, wrong & eligible
        either = int((met | bad).sum())
        return int((met & bad).sum()) / either if either else 0.0


def find_occasion(case: Case, eligible: Flags) -> Occasion | None:
    """Return the circumstance that tells a channel's wrong packets best; None if none does well enough.

    `eligible` marks packets in which the mistake would have shown. Of packets that were sent again some had
    arrived before: there all wrong ones must have been, and not by chance.
    """
    best: Occasion | None = None
    most = FITS
    again = retried(case)
    if again.met[case.wrong].all() and fisher(again.met & eligible, case.wrong & eligible) < CHANCE:
        return again
    for one in _occasions(case, eligible):
        share = one.share(case.wrong, eligible)
        if share > most or (share == most and best is None):
            best, most = one, share
    return best


def _occasions(case: Case, eligible: Flags) -> Iterator[Occasion]:
    yield from _by_packet(case)
    yield from after_telemetry(case)
    yield from _by_move(case, eligible)
    yield from _by_others(case, eligible)


def _by_packet(case: Case) -> Iterator[Occasion]:
    """Yield retries, residues of the packet number, packets soon after a start."""
    evidence, rows = case.evidence, case.found.row
    yield retried(case)
    number = evidence.applied.number[rows]
    for modulus in MODULI:
        rest = np.unique(number[case.wrong] % modulus)
        if len(rest) == 1:
            words = f"in each packet whose number leaves {int(rest[0])} when divided by {modulus}"
            yield Occasion("numbered", words, number % modulus == rest[0])
    since = since_start(evidence, rows)
    most = int(since[case.wrong].max())
    if most < FIRST:
        words = f"in the first {most + 1} packets after a start of the receiver"
        yield Occasion("started", words, (since <= most) & (since >= 0))


def retried(case: Case) -> Occasion:
    """Return the packets that took clearly longer to be acknowledged than is usual."""
    evidence = case.evidence
    took = evidence.sent.took_ns[evidence.applied.sent_row[case.found.row]]
    return Occasion("retried", "in packets that were sent again", took > RETRY * int(np.median(took)))


def since_start(evidence: Evidence, rows: Ints) -> Ints:
    """Return how many packets came between the receiver's start and each row, after its first life."""
    life = evidence.applied.segment
    begins = np.flatnonzero(np.concatenate(([True], np.diff(life) != 0)))
    begin = begins[np.searchsorted(begins, rows, side="right") - 1]
    return rows - begin


def after_telemetry(case: Case) -> Iterator[Occasion]:
    """Yield the packets that come next after telemetry values were set."""
    at_ns, rows = case.evidence.applied.at_ns, case.found.row
    times = np.array([one.at_ns for one in injections(case.evidence)], dtype=np.int64)
    if not len(times):
        return
    place = np.searchsorted(at_ns[rows], times)
    for after in range(NEXT):
        met = np.zeros(len(rows), dtype=np.bool_)
        met[(place + after)[place + after < len(rows)]] = True
        yield Occasion("telemetry", _after_words(after), met)


def _after_words(after: int) -> str:
    return f"in the {'first' if not after else 'second'} packet after telemetry changed"


def _by_move(case: Case, eligible: Flags) -> Iterator[Occasion]:
    """Yield small moves, leaps of several channels at once, and values that equal a neighbour's."""
    move = np.abs(case.wanted - case.before)
    most = int(move[case.wrong].max())
    yield Occasion("small", f"on moves of {most} us or less", (move <= most) & (case.before >= 0))
    wanted = case.found.wanted_us
    leap = np.sort(np.abs(wanted - wanted[case.last]), axis=1)
    for many in range(2, wanted.shape[1] + 1):
        together = leap[:, -many]
        least = int(together[case.wrong & eligible].min()) if (case.wrong & eligible).any() else 0
        if least > LEAP_US:
            words = f"where {many} channels leap by {least} us or more at once"
            yield Occasion("leaps", words, (together >= least) & case.follows)
    if case.number:
        same = case.stick(case.number) == case.stick(case.number - 1)
        yield Occasion("equal", "where its stick equals that of the channel before it", same)


def _by_others(case: Case, eligible: Flags) -> Iterator[Occasion]:
    """Yield one or two other channels near an end."""
    channels = case.evidence.plan.link.channels
    bad = case.wrong & eligible
    shares: dict[int, Floats] = {}
    for number, channel in enumerate(channels):
        if number != case.number:
            low, high = channel.range.low_us, channel.range.high_us
            shares[number] = (case.found.wanted_us[:, number] - low) / (high - low)
    sets = [(one,) for one in shares] + list(combinations(shares, 2))
    for some in sets:
        names = " and ".join(channels[one].name for one in some)
        stand = "stands" if len(some) == 1 else "both stand"
        least = np.min([shares[one] for one in some], axis=0)
        yield Occasion(
            "others", _near_end(names, stand, "high", 1 - least[bad].min()), least >= least[bad].min()
        )
        most = np.max([shares[one] for one in some], axis=0)
        yield Occasion("others", _near_end(names, stand, "low", most[bad].max()), most <= most[bad].max())


def _near_end(names: str, stand: str, end: str, share: float) -> str:
    near = f"within {100 * share:.0f} % of the travel of" if share >= SHARE else "at"
    return f"while {names} {stand} {near} the {end} end"


def frame_phase(case: Case) -> tuple[int, float] | None:
    """Return the servo frame in one part of which wrong packets come, and that part's share; None if none.

    By the receiver's own clock, in us.
    """
    at_us = case.evidence.applied.dev_us[case.found.row[case.wrong]]
    best: tuple[int, float] | None = None
    for frame_us in PHASES_US:
        phase = np.sort(at_us % frame_us)
        gaps = np.diff(np.append(phase, phase[0] + frame_us))
        part = 1 - float(gaps.max()) / frame_us
        if best is None or part < best[1]:
            best = frame_us, part
    return best if best is not None and len(at_us) >= FITS * 10 and best[1] < 0.5 else None


__all__ = ["Occasion", "after_telemetry", "find_occasion", "frame_phase", "since_start"]
