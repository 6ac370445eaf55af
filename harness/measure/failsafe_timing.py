"""By what does the receiver know that the link is lost? A timer, its own frames, a count of packet periods.

Each way leaves its trace in when failsafe comes, and the traces are tested against the data:

- a timer comes a fixed time after the last packet, at any packet rate; one that a task looks at comes at
  multiples of the task's tick, and scatters over one tick;
- a receiver that counts its own frames comes at multiples of the packet period by its own clock, wherever
  packets came, so that the time since the last packet scatters or drifts while the instants keep step;
- one that counts the periods of its packets comes a whole number of periods after the last, at any rate.

What the data do not tell apart is left open. Nothing is taken from what the firmware says of itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, Literal, NamedTuple

import numpy as np

from harness.clock import US
from harness.measure.arrays import Flags, Floats, Ints, ints
from harness.measure.evidence import Evidence
from harness.measure.failsafe import NONE, CutEntry, Entry, packet_period_ns
from harness.stats.grids import GridFit, fit_grid

FEWEST: Final = 8
"""Fewest cuts with a failsafe of which its timing is judged, and half as many at each packet rate."""
STILL_US: Final = 3.0
"""Stamps in whole us differ by so much for one and the same time."""
SURE: Final = 1e-3
"""Chance of a wrong word, by the test that decides."""
OWN_CLOCK: Final = 0.005
"""A frame by the receiver's clock may differ so much from the packet period (common practice, no source)."""
WIDEST: Final = 2.0
"""A tick up to this many times the scatter seen is looked for."""
FITS: Final = 0.1
"""A grid fits if all instants lie within this share of its tick."""
ROUNDED_US: Final = 0.3
"""Standard deviation that whole us leave: 1 / sqrt(12)."""
QUARTILES: Final = 1.349
"""Standard deviations between the quartiles of a normal distribution: a scatter that outliers leave alone."""
FOLDS: Final = 8
"""A tick of up to so many packet periods is told from a frame of one."""
ON_GRID: Final = 0.98
OFF_GRID: Final = 0.5
"""Mean resultant lengths of phases that lie on a grid, and that do not (Fisher, Statistical Analysis of
Circular Data, 1993)."""
LEVER: Final = 3
"""Packet periods by which a count must differ from a timer between two rates, for a verdict."""


class Keeping(StrEnum):
    """What the receiver goes by."""

    TIMER = "a timer"
    TASK = "a timer that a task looks at"
    FRAMES = "a count of its own frames"
    PACKETS = "a count of packet periods"
    UNTOLD = "cannot be told"


@dataclass(frozen=True, slots=True)
class Timing:
    """When failsafe came in the cuts that tell it, one entry per cut; all in us of the receiver's clock.

    `entry_us` is the time since the last applied packet, `at_us` the instant, `life` the receiver's start it
    belongs to, `period_us` the packet period before the cut (by the transmitter's clock), `usual` whether
    that is the link's own. `silent_us` are the times without packets of cuts at another rate in which
    failsafe never came.
    """

    entry_us: Ints
    at_us: Ints
    life: Ints
    period_us: Floats
    usual: Flags
    silent_us: tuple[int, ...]

    def __len__(self) -> int:
        return len(self.entry_us)


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One way to time failsafe, what it asks of the data, what they show, and what follows.

    `word` is "fits", "refuted" or "open".
    """

    name: Keeping
    asks: str
    shows: str
    word: Literal["fits", "refuted", "open"]


@dataclass(frozen=True, slots=True)
class Timekeeping:
    """The way that is left, with its tick in us if it has one, why, and every hypothesis that was tested."""

    keeping: Keeping
    tick_us: float | None
    why: str
    tested: tuple[Hypothesis, ...]


def failsafe_timing(evidence: Evidence, entries: Sequence[CutEntry]) -> Timing:
    """Return the timing of every cut whose last packet and failsafe are both known for certain."""
    told = [entry for entry in entries if entry.change != NONE and not entry.may_be_shorter]
    told = [entry for entry in told if entry.entry in (Entry.ENGAGED, Entry.NOT_NEEDED)]
    never = [entry for entry in entries if entry.entry is Entry.NEVER and entry.other_rate]
    change, last = ints([one.change for one in told]), ints([one.last_applied for one in told])
    changes, applied = evidence.changes, evidence.applied
    return Timing(
        entry_us=changes.dev_us[change] - applied.dev_us[last],
        at_us=changes.dev_us[change],
        life=changes.segment[change],
        period_us=np.array([packet_period_ns(evidence, one.cut) / US for one in told]),
        usual=np.array([not one.other_rate for one in told], dtype=np.bool_),
        silent_us=tuple((one.cut.until_ns - int(applied.at_ns[one.last_applied])) // US for one in never),
    )


def tell_timekeeping(timing: Timing, link_period_us: float) -> Timekeeping:
    """Return what the receiver goes by, as far as the timing tells; `link_period_us` is the usual period.

    Two packet rates refute either a timer or a count of packets. A grid refutes an even time after the packet
    where it leaves less scatter: its own frames by a ratio of variances (F distribution), a task's tick by
    the chance that n points fall into so short an arc. With one rate and no scatter it is left open.
    """
    if len(timing) < FEWEST:
        why = f"failsafe was timed in {len(timing)} cuts, too few to tell by what it comes"
        return Timekeeping(Keeping.UNTOLD, None, why, ())
    rates = _by_rates(timing)
    frames, task = _frames(timing, link_period_us), _task(timing)
    tested = _tested(rates, frames, task)
    keeping, grid = Keeping.UNTOLD, _Grid(None, rates.shows)
    if rates.word == "scales":
        keeping = Keeping.PACKETS
    elif rates.word == "neither":
        keeping = Keeping.UNTOLD
    elif frames.fit is not None and (fold := _fold(timing, frames.fit.tick)) > 1:
        grid = _folded(frames, fold)
        return Timekeeping(Keeping.TASK, fold * frames.fit.tick, grid.shows, _tested(rates, REFUTED, grid))
    elif frames.fit is not None and np.ptp(timing.entry_us) > frames.fit.tick / 2:
        keeping, grid = Keeping.FRAMES, frames
    elif frames.fit is not None:
        grid = _Grid(None, f"{frames.shows}, too little to tell that tick from one that divides it")
    elif task.fit is not None:
        keeping, grid = Keeping.TASK, task
    elif rates.word == "stays":
        keeping = Keeping.TIMER
    return Timekeeping(keeping, grid.fit.tick if grid.fit else None, grid.shows, tested)


class _Rates(NamedTuple):
    """What two packet rates show: the entry time stays, scales, or does neither."""

    word: Literal["stays", "scales", "neither", "one rate"]
    shows: str


def _by_rates(timing: Timing) -> _Rates:
    usual, other = timing.entry_us[timing.usual], timing.entry_us[~timing.usual]
    if len(usual) < FEWEST // 2 or max(len(other), len(timing.silent_us)) < FEWEST // 2:
        return _Rates("one rate", "at one packet rate a timer and a count of packets look the same")
    period = float(np.median(timing.period_us[timing.usual]))
    time = float(np.median(usual))
    if len(other) < FEWEST // 2:
        least = min(timing.silent_us)
        shows = f"{_ms(time)} at {_hz(period)}, not within {_ms(least)} at the other packet rate"
        return _Rates("scales" if least > usual.max() + LEVER * period else "neither", shows)
    second, also = float(np.median(timing.period_us[~timing.usual])), float(np.median(other))
    shows = f"{_ms(time)} at {_hz(period)}, {_ms(also)} at {_hz(second)}"
    longer = max(period, second)
    if abs(time / period * (second - period)) < LEVER * longer:
        return _Rates("one rate", f"{shows}: the rates are too near to each other to tell")
    if abs(also - time) <= max(longer, float(np.ptp(usual))):
        return _Rates("stays", shows)
    scales = abs(also / second - time / period) <= 1
    return _Rates("scales" if scales else "neither", shows)


class _Grid(NamedTuple):
    """A grid that explains the failsafe instants, None if none does, what was seen, and if any was tried."""

    fit: GridFit | None
    shows: str
    looked: bool = True


def _frames(timing: Timing, period_us: float) -> _Grid:
    from scipy.special import fdtrc

    scatter = float(np.subtract(*np.quantile(timing.entry_us, (0.75, 0.25)))) / QUARTILES
    fit = fit_grid(timing.at_us, timing.life, period_us * (1 - OWN_CLOCK), period_us * (1 + OWN_CLOCK))
    if fit is None or np.ptp(timing.entry_us) <= STILL_US:
        return _Grid(None, "the time since the packet does not move")
    left = max(fit.deviation, ROUNDED_US)
    freedom = len(timing) - 1
    p_value = float(fdtrc(freedom, max(1, freedom - 1 - len(np.unique(timing.life))), (scatter / left) ** 2))
    shows = f"instants within {_ms(fit.width)} of a grid of {_ms(fit.tick)}, times scatter by {_ms(scatter)}"
    return _Grid(fit if p_value < SURE and fit.width <= FITS * fit.tick else None, shows)


REFUTED: Final = _Grid(None, "instants keep to every second frame or fewer")


def _folded(frames: _Grid, fold: int) -> _Grid:
    assert frames.fit is not None
    shows = f"instants within {_ms(frames.fit.width)} of a grid of {_ms(fold * frames.fit.tick)}"
    return _Grid(frames.fit, shows)


def _fold(timing: Timing, tick_us: float) -> int:
    """Return the largest multiple of the frame that all instants keep to, and the last packets do not; or 1.

    Instants on every frame would all fall on one in k by chance in k**-(n - 1) of all runs.
    """
    lives = len(np.unique(timing.life))
    for fold in range(FOLDS, 1, -1):
        chance = float(fold) ** (lives - len(timing)) * FOLDS
        together = _together(timing.at_us, timing.life, fold * tick_us)
        packets = _together(timing.at_us - timing.entry_us, timing.life, fold * tick_us)
        if chance < SURE and together > ON_GRID and packets < OFF_GRID:
            return fold
    return 1


def _together(at_us: Ints, life: Ints, tick_us: float) -> float:
    """Return the mean resultant length of the phases of all instants, each life about its own mean."""
    turn = np.exp(2j * np.pi * at_us / tick_us)
    sums = [abs(turn[life == one].sum()) for one in np.unique(life)]
    return float(sum(sums)) / max(1, len(at_us))


def _task(timing: Timing) -> _Grid:
    extent = float(np.ptp(timing.entry_us))
    if extent <= STILL_US:
        return _Grid(None, "the time since the packet does not move")
    fit = fit_grid(_since_start(timing), timing.life, extent - STILL_US, WIDEST * extent)
    if fit is None:
        return _Grid(None, f"times differ by {_ms(extent)}, too little to look for a tick", looked=False)
    good = fit.p_value < SURE and fit.width <= FITS * fit.tick
    shows = f"instants within {_ms(fit.width)} of a grid of {_ms(fit.tick)}"
    return _Grid(fit if good else None, shows if good else f"times differ by {_ms(extent)}, on no grid")


def _since_start(timing: Timing) -> Ints:
    """Return the instants since the first of each life: a clock set far ahead makes no long search."""
    lives, place = np.unique(timing.life, return_inverse=True)
    first = ints([timing.at_us[timing.life == one].min() for one in lives])
    since: Ints = timing.at_us - first[place]
    return since


def _tested(rates: _Rates, frames: _Grid, task: _Grid) -> tuple[Hypothesis, ...]:
    """Return every hypothesis with what speaks for and against it."""
    timed: Literal["refuted", "open"] = "refuted" if rates.word in ("scales", "neither") else "open"
    gridded = frames.fit is not None or task.fit is not None
    counted: Literal["fits", "refuted", "open"] = "open"
    if rates.word != "one rate" or gridded:
        counted = "fits" if rates.word == "scales" else "refuted"
    timer: Literal["fits", "refuted", "open"] = timed
    if timed == "open":
        timer = "refuted" if gridded else "fits" if rates.word == "stays" else "open"
    same, whole = "the same time after the last packet", "the same number of packet periods after it"
    return (
        Hypothesis(Keeping.TIMER, f"{same}, at any rate", rates.shows, timer),
        Hypothesis(Keeping.TASK, "instants at multiples of a tick", task.shows, _gridded(task, rates)),
        Hypothesis(
            Keeping.FRAMES, "instants at multiples of one packet period",
            frames.shows, _gridded(frames, rates),
        ),
        Hypothesis(Keeping.PACKETS, f"{whole}, at any rate", rates.shows, counted),
    )  # fmt: skip


def _gridded(grid: _Grid, rates: _Rates) -> Literal["fits", "refuted", "open"]:
    """A grid that is not there is refuted only if packets came at new phases: each rate sets them anew."""
    if rates.word in ("scales", "neither"):
        return "refuted"
    if grid.fit is not None:
        return "fits"
    return "refuted" if grid.looked and rates.word == "stays" else "open"


def _ms(time_us: float) -> str:
    return f"{time_us / 1000:.3f}".rstrip("0").rstrip(".") + " ms"


def _hz(period_us: float) -> str:
    return f"{1e6 / period_us:.1f}".rstrip("0").rstrip(".") + " Hz"
