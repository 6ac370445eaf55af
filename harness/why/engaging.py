"""Why does failsafe engage while packets come? Suspects about what the receiver counts its time from.

A failsafe that is right comes a fixed time after the last packet. One that comes at other times may still
come a fixed time after something else: the last packet that moved an output, that followed another one
closely, that was acknowledged, or one further back. Which it is shows in what leaves the least scatter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, cast

import numpy as np

from harness.bench.protocol import Role
from harness.clock import US
from harness.codec.messages import StartCause, Started
from harness.judge.words import ms
from harness.likely import Likely
from harness.measure.arrays import Flags, Ints, inside, ints
from harness.measure.evidence import Evidence
from harness.measure.exchanges import WRAP_US
from harness.measure.failsafe import false_failsafes
from harness.plan.wording import many
from harness.verdict import CheckResult
from harness.why.devices import (
    CAUTION,
    STRONG,
    SURE,
    engaged_rows,
    failed,
    of,
    since_packet_us,
    spread,
)

FEWEST: Final = 3
"""Failsafes that must come from the same thing before it is named."""
BACK: Final = 64
"""Packets that are looked back at most."""
TIGHT_US: Final = 2_000
"""A timer that a task looks at every 2 ms scatters so much."""
MOST: Final = 0.95
KNOWN: Final = 0.8
"""Of so many failsafes the origin must be known: of the first after a start it may not be."""
FEW: Final = 2
COUNT: Final = 2
"""A count of missed packets may be out by so many, for packets are counted by the receiver's own clock."""
CLOSE: Final = (1.5, 2.5, 3.5, 4.5, 6.5, 8.5)
"""Packet periods within which one packet may have to follow another to count."""


@dataclass(frozen=True, slots=True)
class Engagements:
    """Every change into failsafe with a packet before it: its row, its time, that packet, how early it came.

    All in us of the receiver's clock, within one life of it; `false` marks those that came too soon.
    """

    row: Ints
    dev_us: Ints
    life: Ints
    last: Ints
    since_us: Ints
    false: Flags


def engagements(evidence: Evidence) -> Engagements:
    """Return every change into failsafe, once measured."""
    key = (__name__, "engagements", ())
    if key not in evidence.memo:
        rows = engaged_rows(evidence)
        since = since_packet_us(evidence, rows)
        early = {one.at_ns for one in false_failsafes(evidence) if not one.restarted}
        false = np.array([at in early for at in evidence.changes.at_ns[rows].tolist()], dtype=np.bool_)
        evidence.memo[key] = Engagements(
            rows, evidence.changes.dev_us[rows], evidence.changes.segment[rows],
            evidence.changes.applied_row[rows], since, false,
        )  # fmt: skip
    return cast("Engagements", evidence.memo[key])


@dataclass(frozen=True, slots=True)
class Origin:
    """From what failsafe comes a fixed time: times since it for every failsafe, in us; -1 where unknown."""

    key: str
    words: str
    since_us: Ints

    def fits(self, found: Engagements) -> bool:
        """Return whether it leaves nearly no scatter where the last packet leaves a lot."""
        known = self.since_us >= 0
        if int((known & found.false).sum()) < FEWEST or known.mean() < KNOWN:
            return False
        middle = np.median(self.since_us[known])
        near = np.abs(self.since_us[known & found.false] - middle) <= TIGHT_US
        last = np.abs(found.since_us[found.false] - np.median(found.since_us)) <= TIGHT_US
        return _tight(self.since_us[known]) and bool(near.mean() >= MOST) and not _tight_too(last)


def _tight_too(near: Flags) -> bool:
    """Return whether the last packet explains the false failsafes as well."""
    return bool(near.mean() >= MOST)


def _tight(times_us: Ints) -> bool:
    """Return whether nearly all times are the same."""
    middle = np.median(times_us)
    return bool((np.abs(times_us - middle) <= TIGHT_US).mean() >= MOST)


def find_origin(evidence: Evidence) -> Origin | None:
    """Return what failsafe counts from in place of the last packet; None if that is right or none fits."""
    key = (__name__, "find_origin", ())
    if key not in evidence.memo:
        found = engagements(evidence)
        fits = (
            (one for one in _origins(evidence, found) if one.fits(found)) if found.false.any() else iter(())
        )
        evidence.memo[key] = next(fits, None)
    return cast("Origin | None", evidence.memo[key])


def _origins(evidence: Evidence, found: Engagements) -> Sequence[Origin]:
    applied = evidence.applied
    period_us = evidence.plan.link.packet_period_ns / US
    moved = np.concatenate(([True], (np.diff(applied.outputs_us, axis=0) != 0).any(axis=1)))
    acked = np.ones(len(applied), dtype=np.bool_)
    matched = applied.sent_row >= 0
    acked[matched] = evidence.sent.acked[applied.sent_row[matched]]
    gap = np.concatenate(([0], np.diff(applied.dev_us)))
    tried = [
        Origin("failsafe-needs-moves", "that moved an output", _since(evidence, found, moved)),
        Origin("failsafe-needs-acknowledgements", "that was acknowledged", _since(evidence, found, acked)),
    ]
    for share in CLOSE:
        close_us = int(share * period_us)
        words = f"that followed another one within {ms(close_us * US)}"
        tried.append(Origin("failsafe-needs-pairs", words, _since(evidence, found, gap <= close_us)))
    for back in range(1, BACK + 1):
        words = f"{back} before the last"
        tried.append(Origin("failsafe-from-old-packet", words, _since_back(evidence, found, back)))
    return tried


def _since(evidence: Evidence, found: Engagements, chosen: Flags) -> Ints:
    """Return the time from the last chosen packet, in the same life, to each failsafe; -1 without one.

    The packet that ends a failsafe is always one: with it the timer begins.
    """
    applied = evidence.applied
    first = np.zeros(len(applied), dtype=np.bool_)
    first[np.minimum(found.last + 1, len(applied) - 1)] = True
    rows = np.flatnonzero((chosen | first) & ~applied.strange)
    if not len(rows):
        return np.full(len(found.row), -1, dtype=np.int64)
    place = np.searchsorted(rows, found.last, side="right") - 1
    row = rows[np.maximum(place, 0)]
    good = (place >= 0) & (applied.segment[row] == found.life)
    since: Ints = np.where(good, found.dev_us - applied.dev_us[row], -1)
    return since


def _since_back(evidence: Evidence, found: Engagements, back: int) -> Ints:
    """Return the time from the packet `back` before the last one, unless failsafe lies between them."""
    applied = evidence.applied
    row = np.maximum(found.last - back, 0)
    before = np.concatenate(([-1], found.dev_us[:-1]))
    same = np.concatenate(([False], found.life[1:] == found.life[:-1]))
    good = (found.last >= back) & (applied.segment[row] == found.life)
    good &= ~same | (applied.dev_us[row] > before)
    since: Ints = np.where(good, found.dev_us - applied.dev_us[row], -1)
    return since


CAUSES: Final = {
    "failsafe-needs-moves": (
        "its timer is restarted by changed outputs rather than by packets",
        "Restart the timer with every packet, then hold the sticks still for ten seconds",
    ),
    "failsafe-needs-acknowledgements": (
        "its timer is restarted when an acknowledgement goes out, not when a packet comes",
        "Restart the timer where the packet is applied, then mute the acknowledgements for two seconds",
    ),
    "failsafe-needs-pairs": (
        "single packets do not hold it off",
        "Let every packet that is applied restart the timer, then fade the link out and in",
    ),
    "failsafe-from-old-packet": (
        "its timer looks back too far, and was made to fit at one packet rate",
        "Time failsafe from the last packet, then cut the link at half the packet rate and in a burst",
    ),
}


def other_origin(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Failsafe comes a fixed time after something else than the last packet."""
    names = failed(results, "no_false_failsafe", "failsafe_entry")
    origin = find_origin(evidence) if names else None
    if origin is None:
        return None
    found = engagements(evidence)
    known = origin.since_us >= 0
    times, because = origin.since_us[known], CAUSES[origin.key]
    false = int(found.false.sum())
    return Likely(
        key=origin.key,
        title=(
            f"Failsafe comes {ms(int(np.median(times)) * US)} after the last packet {origin.words}: "
            f"{because[0]}"
            if origin.key != "failsafe-from-old-packet"
            else f"Failsafe is timed from the packet {origin.words}: {because[0]}"
        ),
        explains=names,
        strength=SURE,
        speaks_for=(
            f"Counted from the packet {origin.words}, {of(_near(times), len(times), 'failsafe')} came "
            f"within {ms(TIGHT_US * US)} of {ms(int(np.median(times)) * US)}.",
            f"Counted from the last packet they came {ms(int(found.since_us.min()) * US)} to "
            f"{ms(int(found.since_us.max()) * US)} after it, {false} of them too soon.",
        ),
        next_step=f"{because[1]}. {CAUTION}",
    )


def _near(times: Ints) -> int:
    return int((np.abs(times - np.median(times)) <= TIGHT_US).sum())


def timer_short(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Failsafe comes the same time after the last packet everywhere, and that is too soon."""
    names, found = failed(results, "no_false_failsafe"), engagements(evidence)
    if not names or len(found.row) < FEWEST or found.false.mean() < MOST or not _tight(found.since_us):
        return None
    if bears_gaps(evidence, int(np.median(found.since_us)) + TIGHT_US):
        return None
    middle = int(np.median(found.since_us)) * US
    earliest = evidence.plan.link.failsafe.earliest_ns
    return Likely(
        key="failsafe-timer-short",
        title=(
            f"Failsafe engages {ms(middle)} after the last packet, every time: its time constant is "
            f"{ms(earliest - middle)} too short"
        ),
        explains=names,
        strength=SURE,
        speaks_for=(
            f"In {many(len(found.row), 'failsafe')} it came {ms(middle)} after the last packet, within "
            f"{ms(spread(found.since_us) * US)}; not before {ms(earliest)} is declared.",
        ),
        next_step=(
            f"Check the timer's prescaler against the processor's clock: a factor of two is usual. {CAUTION}"
        ),
    )


def bears_gaps(evidence: Evidence, time_us: int) -> bool:
    """Return whether packets further apart than this did not bring failsafe before the first burst did."""
    found, applied = engagements(evidence), evidence.applied
    first = int(found.last[found.false][0])
    gaps = np.diff(applied.dev_us[: first + 1])
    return int((gaps > time_us).sum()) >= FEWEST


def clock_wraps(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Failsafe engages too soon only in the time before the receiver's clock wraps."""
    names, found = failed(results, "no_false_failsafe"), engagements(evidence)
    if not names or not found.false.any():
        return None
    limit_us = evidence.plan.link.failsafe.within_ns // US
    left_us = WRAP_US - found.dev_us % WRAP_US
    near = left_us <= limit_us + TIGHT_US
    if not near[found.false].all():
        return None
    share = limit_us / max(1, spread(evidence.applied.dev_us))
    times = left_us[found.false]
    return Likely(
        key="time-compared-absolutely",
        title=(
            f"Failsafe engages between packets in the {ms(int(times.max()) * US)} before the receiver's "
            "32-bit clock wraps: due times are compared, which wrap, instead of differences"
        ),
        explains=names,
        strength=SURE if len(times) >= FEW else STRONG,
        speaks_for=(
            f"{of(len(times), len(times), 'false failsafe').capitalize()} came {ms(int(times.min()) * US)} "
            f"to {ms(int(times.max()) * US)} before the clock's wrap; by chance each would do so once in "
            f"{1 / max(share, 1e-9):.0f}.",
            f"Elsewhere failsafe came too soon not once, {many(int((~found.false).sum()), 'time')} in time.",
        ),
        next_step=(
            "Compare (now - last packet) with the limit, in unsigned numbers as wide as the clock; start "
            f"the clock 3 s before its wrap and look again. {CAUTION}"
        ),
    )


def number_wraps(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Failsafe engages with the packet at which packet numbers come round."""
    names, found = failed(results, "no_false_failsafe"), engagements(evidence)
    if not names or not found.false.any():
        return None
    number, rows = evidence.applied.number, found.last[found.false]
    before = number[np.maximum(rows - 1, 0)]
    wrapped = (rows > 0) & (number[rows] < before) & (((number[rows] - before) & 0xFFFF) < 1 << 15)
    if not wrapped.all():
        return None
    return Likely(
        key="number-wraps",
        title=(
            f"Failsafe engages when packet numbers wrap, at number {int(number[rows[0]])} after "
            f"{int(before[0])}: lost packets are counted in more bits than the number has"
        ),
        explains=names,
        strength=SURE,
        speaks_for=(
            f"{of(len(rows), len(rows), 'false failsafe').capitalize()} came "
            f"{ms(int(found.since_us[found.false].max()) * US)} or less after the first packet behind the "
            "wrap.",
            f"In {many(len(number), 'packet')} it came too soon nowhere else.",
        ),
        next_step=(
            "Reckon the difference of two packet numbers in unsigned 16 bits; start the transmitter's "
            f"number at 65 500 and watch the wrap. {CAUTION}"
        ),
    )


def gaps_added_up(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Failsafe comes when missed packets, or short silences, add up to a number since the last one."""
    names, found = failed(results, "no_false_failsafe"), engagements(evidence)
    if not names or not found.false.any():
        return None
    counted = _missed_counts(evidence, found)
    told = int(np.median(counted))
    if not _tight(found.since_us) and (np.abs(counted - told) <= COUNT).mean() >= MOST and told > COUNT:
        what = f"as soon as {told} packets were missed since it was in last, however spread"
        shown = (
            f"Each time failsafe came, {_span(counted)} packets had been missed "
            "since the last one, good packets between them or not."
        )
        return _added_up(names, found, what, shown, SURE)
    return _flickers(evidence, names, found)


def _span(counted: Ints) -> str:
    low, high = int(counted.min()), int(counted.max())
    return str(low) if low == high else f"{low} to {high}"


def _missed_counts(evidence: Evidence, found: Engagements) -> Ints:
    """Return how many packets had been missed since the last failsafe, or the start, when each came."""
    applied, period = evidence.applied, evidence.plan.link.packet_period_ns / US
    missed = np.maximum(0, np.rint(np.diff(applied.dev_us) / period).astype(np.int64) - 1)
    missed = np.where(np.diff(applied.segment) == 0, missed, 0)
    so_far = np.concatenate(([0], np.cumsum(missed)))
    counts = []
    for place, last in enumerate(found.last.tolist()):
        same = place > 0 and found.life[place - 1] == found.life[place]
        begin = (
            int(found.last[place - 1]) + 1 if same else int(np.argmax(applied.segment == found.life[place]))
        )
        within = int(so_far[last] - so_far[min(begin, last)])
        counts.append(within + round(int(found.since_us[place]) / period))
    return ints(counts)


def _flickers(evidence: Evidence, names: tuple[str, ...], found: Engagements) -> Likely | None:
    """Return the same with silences counted instead: the false ones come after the most of them."""
    applied = evidence.applied
    early_us = int(found.since_us[found.false].min())
    usual = int(np.median(found.since_us[~found.false])) if (~found.false).any() else 0
    if found.since_us[found.false].max() - early_us > TIGHT_US or usual <= early_us:
        return None
    gap = np.concatenate(([0], np.diff(applied.dev_us)))
    silent = np.flatnonzero((gap > early_us) & np.concatenate(([False], np.diff(applied.segment) == 0)))
    counts = _silences(applied.segment, silent, found)
    bad, good = counts[found.false], counts[~found.false]
    if not len(silent) or bad.min() <= FEW or (len(good) and good.max() >= bad.min()):
        return None
    what = f"with the {int(bad.min()) + 1}th silence of more than {ms(early_us * US)} since it was in last"
    return _added_up(
        names, found, what,
        f"The false ones came {ms(early_us * US)} after a packet, behind {int(bad.min())} silences that "
        f"were as long and brought none; behind fewer, {int(good.max()) if len(good) else 0} at most, it "
        "took "
        f"{ms(usual * US)}.", STRONG,
    )  # fmt: skip


def _silences(segment: Ints, silent: Ints, found: Engagements) -> Ints:
    """Return how many silences ended between the last failsafe (or start) and each one."""
    counts = []
    for place, last in enumerate(found.last.tolist()):
        life = found.life[place]
        same = place > 0 and found.life[place - 1] == life
        start = int(found.last[place - 1]) + 1 if same else -1
        counts.append(int(((silent > start) & (silent <= last) & (segment[silent] == life)).sum()))
    return ints(counts)


def _added_up(names: tuple[str, ...], found: Engagements, what: str, shown: str, strength: float) -> Likely:
    false = int(found.false.sum())
    return Likely(
        key="gaps-added-up",
        title=f"Failsafe engages {what}: its count is not cleared by good packets",
        explains=names,
        strength=strength,
        speaks_for=(shown, f"It came too soon {many(false, 'time')} in {many(len(found.row), 'failsafe')}."),
        next_step=(
            "Clear the count with each good packet; then let the link flicker, thirty losses shorter than "
            f"the failsafe time, and see it stay out. {CAUTION}"
        ),
    )


def watchdog(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """There is no failsafe: a watchdog starts the receiver again a fixed time after the last packet."""
    names = failed(results, "no_false_failsafe", "failsafe_entry", "start_up", "duplicates", "recovery")
    if not names or len(engaged_rows(evidence)):
        return None
    heard = evidence.heard[Role.RECEIVER]
    causes = [note.message.cause for note in heard.others if isinstance(note.message, Started)]
    bitten = sum(cause == StartCause.WATCHDOG for cause in causes)
    times = _restarts_in_cuts(evidence)
    if len(times) < FEWEST or len(times) < MOST * sum(cut.held for cut in evidence.cuts) / FEW:
        return None
    said = (
        f"It says {bitten} times that its watchdog started it."
        if bitten
        else "It does not say why it started."
    )
    return Likely(
        key="watchdog-instead-of-failsafe",
        title=(
            f"The receiver has no failsafe: a watchdog starts it again {ms(int(np.median(times)))} after "
            "the last packet"
        ),
        explains=names,
        strength=SURE if bitten else STRONG,
        speaks_for=(
            f"In {many(len(times), 'cut')} it restarted by itself, {ms(int(times.min()))} to "
            f"{ms(int(times.max()))} after the last packet, and never reported failsafe.",
            said,
        ),
        next_step=(
            "Write a failsafe that closes the throttle without a restart, and feed the watchdog from the "
            f"main loop rather than from packets. {CAUTION}"
        ),
    )


def _restarts_in_cuts(evidence: Evidence) -> Ints:
    """Return how long after the last packet the receiver started by itself, for each cut in which it did."""
    applied_ns = evidence.applied.so_far_ns
    at_ns = ints([one.at_ns for one in false_failsafes(evidence) if one.restarted])
    at_ns = at_ns[inside(at_ns, evidence.cut_spans)]
    place = np.searchsorted(applied_ns, at_ns, side="right") - 1
    times: Ints = (at_ns - applied_ns[np.maximum(place, 0)])[place >= 0] if len(applied_ns) else at_ns[:0]
    return times


SUSPECTS: Final = (other_origin, timer_short, clock_wraps, number_wraps, gaps_added_up, watchdog)
