"""Why do outputs move that nobody moved? Suspects about starts, stray packets, pulses and own sticks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from harness.clock import S
from harness.codec.messages import OutputReason
from harness.judge.words import ms, plain
from harness.likely import Likely
from harness.measure.arrays import Ints, inside, ints
from harness.measure.evidence import Evidence
from harness.measure.extremes import throttle_margins
from harness.measure.noise import MAINS_HZ, hum, noise, rest_samples
from harness.measure.orders import spans_of
from harness.measure.starts import StartOutput, read_starts
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult
from harness.why.devices import CAUTION, CLEAR, STRONG, SURE, failed, names_of, of
from harness.why.failsafe import wrong_outputs

FEWEST: Final = 3
STRAY: Final = ("corrupted", "foreign", "repeated", "beside")
MOST: Final = 0.9
EVEN: Final = 0.05
"""A rhythm whose times differ by no more than this share is one."""
BY_THE_WAY: Final = 0.5
HUM_US: Final = 2.0
FOUND: Final = 0.9
NEXT_START: Final = (
    "Set every output to its failsafe pulse before the timers are started, then restart the receiver with "
    "the "
    "transmitter off. " + CAUTION
)


def _moved(evidence: Evidence) -> Ints:
    """Return the rows of output changes that neither a packet nor failsafe nor a start explains."""
    changes = evidence.changes
    known = np.isin(changes.reason, (int(OutputReason.START), int(OutputReason.FAILSAFE)))
    return np.flatnonzero(~known & ~changes.idle & inside(changes.at_ns, evidence.spans()))


def start_outputs(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """From its start to its first packet the receiver drives other pulses than in failsafe."""
    names = failed(results, "start_up")
    if not names:
        return None
    starts = read_starts(evidence)
    near = max(
        [one.rule.tolerance_us for one in evidence.plan.checks if isinstance(one.rule, p.StartUp)], default=0
    )
    first = [one for start in starts for one in _first(start.outputs) if one.off_us > near]
    if not first:
        return None
    channels = sorted({one.channel for one in first})
    also = {one.channel for one in wrong_outputs(evidence)}
    told = "; ".join(_start_words(evidence, first, channel) for channel in channels)
    throttle = any(evidence.plan.link.channels[one].role == "throttle" for one in channels)
    count = sum(1 for start in starts if any(one.off_us > near for one in _first(start.outputs)))
    safe = f"{names_of(evidence, channels)} showed wrong pulses in failsafe as well, which would explain it."
    return Likely(
        key="start-outputs-wrong",
        title=(
            f"{'The throttle is not closed' if throttle else 'Outputs are not at rest'} from the receiver's "
            f"start to its first packet: {told}"
        ),
        explains=names,
        strength=BY_THE_WAY if set(channels) <= also else SURE,
        speaks_for=(f"It was so at {of(count, len(starts), 'start')}: {told}.",),
        speaks_against=(safe,) if set(channels) <= also else (),
        next_step=NEXT_START,
    )


def _first(outputs: Sequence[StartOutput]) -> list[StartOutput]:
    """Return each channel's output by the first report after a start."""
    times = [one.at_ns for one in outputs]
    return [one for one in outputs if one.at_ns == times[0]] if times else []


def _start_words(evidence: Evidence, first: Sequence[StartOutput], channel: int) -> str:
    mine = [one for one in first if one.channel == channel]
    shown = {"not reported" if one.shown_us is None else f"{one.shown_us} us" for one in mine}
    wanted = "" if mine[0].wanted_us is None else f" instead of {mine[0].wanted_us} us"
    return f"{names_of(evidence, [channel])} {' or '.join(sorted(shown)[:FEWEST])}{wanted}"


def moves_at_start(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Outputs move by themselves between a start and the first packet after it."""
    rows = _moved(evidence) if failed(results, "start_up", "no_glitch") else ints([])
    changes = evidence.changes
    waiting = rows[changes.applied_row[rows] < 0] if len(rows) else rows
    if not len(waiting) or len(waiting) < MOST * len(rows):
        return None
    lives = np.unique(changes.segment[waiting])
    after = [
        int(changes.dev_us[row] - changes.dev_us[changes.segment == changes.segment[row]][0])
        for row in waiting
    ]
    width = changes.outputs_us.shape[1]
    moved = _moved_channels(evidence, waiting)[:width]
    return Likely(
        key="moves-before-first-packet",
        title=(
            f"{names_of(evidence, moved) or 'An output'} moves by itself {ms(min(after) * 1000)} after the "
            "receiver's start, before any packet: a self-test, or a set-up that drives it"
        ),
        explains=failed(results, "start_up", "no_glitch", "failsafe_exit"),
        strength=SURE,
        speaks_for=(
            f"Outputs changed {many(len(waiting), 'time')} after {many(len(lives), 'start')}, with no "
            f"packet before; {ms(min(after) * 1000)} to {ms(max(after) * 1000)} after the start.",
            f"In flight they changed so {many(len(rows) - len(waiting), 'time')}.",
        ),
        next_step=f"Leave the self-test out, or run it on a key that only the bench presses. {CAUTION}",
    )


def _moved_channels(evidence: Evidence, rows: Ints) -> list[int]:
    """Return the channels whose outputs differ from one of these reports to the change before it."""
    outputs, segment = evidence.changes.outputs_us, evidence.changes.segment
    before = np.maximum(rows - 1, 0)
    same = segment[before] == segment[rows]
    moved = ((outputs[rows] != outputs[before]) & same[:, None]).any(axis=0)
    count = min(len(moved), len(evidence.plan.link.channels))
    return np.flatnonzero(moved[:count]).tolist()


def stray_ends_failsafe(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """In failsafe a packet that is not the link's own brings old outputs back."""
    rows = _moved(evidence) if failed(results, "no_glitch", "failsafe_outputs", "failsafe_exit") else ints([])
    changes, applied = evidence.changes, evidence.applied
    if not len(rows):
        return None
    spans = spans_of(evidence.orders, *STRAY)
    stray = rows[inside(changes.at_ns[rows], spans) & (changes.applied_row[rows] >= 0)]
    if len(stray) < FEWEST or len(stray) < MOST * len(rows):
        return None
    width = min(changes.outputs_us.shape[1], applied.outputs_us.shape[1])
    last = applied.outputs_us[changes.applied_row[stray], :width]
    old = (changes.outputs_us[stray, :width] == last).all(axis=1)
    if old.mean() < MOST:
        return None
    ways = sorted({order.what for order in evidence.orders if order.what in STRAY
                   and inside(changes.at_ns[stray], ints([order.span])).any()})  # fmt: skip
    return Likely(
        key="stray-ends-failsafe",
        title=(
            f"In failsafe {_strays(ways)} bring the outputs back to where they were: the link is taken for "
            "restored before anybody looked at the packet"
        ),
        explains=failed(results, "no_glitch", "failsafe_outputs", "failsafe_exit", "failsafe_margin"),
        strength=SURE,
        speaks_for=(
            f"{many(len(stray), 'time')} outputs went from failsafe to just what the last own packet had "
            f"brought, while only {_strays(ways)} were on the air.",
            f"It happened {many(len(rows) - len(stray), 'time')} otherwise.",
        ),
        next_step=(
            "Leave failsafe where a packet is applied, behind its check and its identity; then cut the "
            f"link with strange packets on the air. {CAUTION}"
        ),
    )


def _strays(ways: Sequence[str]) -> str:
    words = {"corrupted": "damaged packets", "foreign": "another transmitter's packets",
             "repeated": "repeats of the last packet", "beside": "another transmitter's packets"}  # fmt: skip
    return " and ".join(dict.fromkeys(words[one] for one in ways)) or "strange packets"


def pulses_disturbed(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Outputs jump and come back between packets, in a rhythm of their own or at random."""
    rows = _moved(evidence) if failed(results, "no_glitch") else ints([])
    changes = evidence.changes
    rows = rows[changes.applied_row[rows] >= 0]
    if len(rows) < FEWEST or len(rows) != len(_moved(evidence)):
        return None
    if inside(changes.at_ns[rows], spans_of(evidence.orders, *STRAY)).mean() > 1 - MOST:
        return None
    width = min(changes.outputs_us.shape[1], evidence.applied.outputs_us.shape[1])
    off = changes.outputs_us[rows, :width] - evidence.applied.outputs_us[changes.applied_row[rows], :width]
    jumps = rows[(off != 0).any(axis=1)]
    if len(jumps) < FEWEST:
        return None
    channels = np.flatnonzero((off != 0).any(axis=0)).tolist()
    sizes = off[off != 0]
    rhythm = _rhythm(changes.at_ns[jumps])
    return Likely(
        key="pulses-disturbed",
        title=(
            f"{names_of(evidence, channels)} jumps by {int(np.median(sizes)):+d} us between "
            f"packets{rhythm}: an interrupt delays the end of a pulse, or something else writes its timer"
        ),
        explains=failed(results, "no_glitch", "failsafe_exit"),
        strength=SURE if rhythm and len(channels) == 1 else STRONG,
        speaks_for=(
            f"{many(len(jumps), 'jump')} of {int(sizes.min())} us to {int(sizes.max())} us with no packet "
            f"that asked for them{rhythm}.",
            f"{names_of(evidence, channels)} only: no other output moved.",
        ),
        next_step=(
            "Switch off what else runs at that rhythm, one thing after the other, and look at the pin with "
            f"an oscilloscope. {CAUTION}"
        ),
    )


def _rhythm(at_ns: Ints) -> str:
    """Return the rhythm of some times in words, "" if they have none: most differences are alike."""
    between = np.diff(at_ns)
    if len(between) < FEWEST:
        return ""
    shortest = float(np.median(between))
    rounds = np.rint(between / shortest)
    even = np.abs(between / np.maximum(rounds, 1) - shortest) <= EVEN * shortest
    return f", every {plain(shortest / S, 3)} s" if even.mean() >= 0.7 else ""


def stick_below_stop(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """The transmitter's own throttle stick at its stop sends less than the low end."""
    names = failed(results, "failsafe_margin")
    if not names:
        return None
    low = [
        one for one in throttle_margins(evidence).found if one.off_stop_us is not None and one.off_stop_us < 0
    ]
    if not low:
        return None
    told = names_of(evidence, [one.channel for one in low])
    worst = min(one.off_stop_us or 0 for one in low)
    return Likely(
        key="stick-below-stop",
        title=(
            f"The throttle's own stick at its stop sends {-worst} us less than the low end of {told}: it "
            "was calibrated without being pressed against its stop"
        ),
        explains=names + failed(results, "output_range"),
        strength=SURE,
        speaks_for=tuple(
            f"{names_of(evidence, [one.channel])} went down to {one.own_us} us with the own stick, "
            f"{one.margin_us} us above its failsafe pulse of {one.failsafe_us} us."
            for one in low
        ),
        next_step=(
            f"Calibrate the stick pressed against both stops, and clamp what it sends to the range. {CAUTION}"
        ),
    )


def supply_noise(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """The transmitter's sticks tremble at rest, with hum of the mains or without."""
    names, samples = failed(results, "noise"), rest_samples(evidence)
    if not names or len(samples) < FEWEST:
        return None
    resolution = tuple(one.resolution_us for one in evidence.plan.link.channels)
    found = noise(samples, 0.95, resolution)
    if not found:
        return None
    rules = (check.rule for check in evidence.plan.checks)
    limit = min((float(one.at_most_us) for one in rules if isinstance(one, p.Noise)), default=1.0)
    loud = [place for place, one in enumerate(found) if one.rms_limits_us[0] > limit]
    hums = {mains: _hum_us(evidence, mains, resolution) for mains in MAINS_HZ}
    mains, size = max(hums.items(), key=lambda one: one[1])
    worst = max(one.rms_us for one in found)
    if not loud:
        return None
    humming = f" and hum by {plain(size, 1)} us at {plain(mains, 0)} Hz" if size >= HUM_US else ""
    coupled = f"Hum at {plain(mains, 0)} Hz is surely larger than 0: a mains supply is coupled in."
    return Likely(
        key="supply-noise",
        title=(
            f"The own sticks tremble by up to {plain(worst, 1)} us RMS at rest{humming}: sticks and "
            "converter share an unfiltered supply or reference"
        ),
        explains=names,
        strength=FOUND if humming or len(loud) > 1 else CLEAR,
        speaks_for=(
            f"{len(loud)} of {many(len(found), 'channel')} tremble by more than {plain(limit, 1)} us RMS, in "
            f"{many(len(samples), 'packet')}.",
            *((coupled,) if humming else ()),
        ),
        speaks_against=() if len(loud) > 1 else ("One channel only: its own potentiometer may be worn.",),
        next_step=(
            "Run the transmitter from a battery, then put 100 nF and 10 uF at the converter's reference, "
            "and repeat with the throttle's stick held at its low end."
        ),
    )


def _hum_us(evidence: Evidence, mains_hz: float, resolution: tuple[int, ...]) -> float:
    """Return the largest amplitude at a mains frequency that is surely above 0, 0 where none is."""
    found = hum(rest_samples(evidence), mains_hz, 0.95, resolution)
    if found is None or found.told == "no":
        return 0.0
    sizes = [size for size, (low, _) in zip(found.amplitude_us, found.limits_us, strict=True) if low > 0]
    return max(sizes, default=0.0)


SUSPECTS: Final = (
    start_outputs,
    moves_at_start,
    stray_ends_failsafe,
    pulses_disturbed,
    stick_below_stop,
    supply_noise,
)
