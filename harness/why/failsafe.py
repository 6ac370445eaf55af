"""Why does failsafe come late, or never, or with wrong outputs? Suspects about the receiver in a cut."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, cast

import numpy as np

from harness.clock import MS
from harness.judge.words import ms, times_ms
from harness.likely import Likely
from harness.measure.arrays import Flags, Ints, ints
from harness.measure.evidence import Evidence
from harness.measure.failsafe import NONE, CutEntry, Entry, FailsafeOutput, failsafe_entries, failsafe_outputs
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult
from harness.why.conditions import TOLD, Condition, find_condition
from harness.why.devices import (
    CAUTION,
    CHANCE,
    CLEAR,
    STRONG,
    SURE,
    engaged_rows,
    failed,
    names_of,
    of,
    within_ns,
)

FEWEST: Final = 3
"""Cuts that show the same before it is called the rule."""
NEVER_NS: Final = 1 << 60
ALIKE_NS: Final = 30 * MS
"""Times that a timer with a usual tick gives do not lie further apart (common practice, no source)."""
MOST: Final = 0.9
OLD_OUTPUTS: Final = 2
FOUND: Final = 0.9
LIKELY: Final = 0.75
"""A condition that fits without exception, in few cuts only."""


@dataclass(frozen=True, slots=True)
class Cuts:
    """The cuts that failsafe entry is judged by: those in time, the late ones, those without failsafe."""

    good: tuple[CutEntry, ...]
    late: tuple[CutEntry, ...]
    never: tuple[CutEntry, ...]

    @property
    def every(self) -> tuple[CutEntry, ...]:
        """All of them, by number."""
        return tuple(sorted(self.good + self.late + self.never, key=lambda one: one.cut.number))

    @property
    def bad(self) -> int:
        """How many are late or without failsafe."""
        return len(self.late) + len(self.never)


def judged_cuts(evidence: Evidence) -> Cuts:
    """Return the cuts at the link's own packet rate, by what became of failsafe in them."""
    limit = within_ns(evidence)
    entries = [one for one in failsafe_entries(evidence, limit) if not one.other_rate]
    engaged = [one for one in entries if one.entry is Entry.ENGAGED]
    return Cuts(
        tuple(one for one in engaged if one.entry_ns + one.bound_ns <= limit),
        tuple(one for one in engaged if one.entry_ns - one.bound_ns > limit and not one.may_be_shorter),
        tuple(one for one in entries if one.entry is Entry.NEVER),
    )


def failsafe_missing(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """No cut brought failsafe, and the receiver never reported it at all."""
    names, cuts = failed(results, "failsafe_entry"), judged_cuts(evidence)
    if not names or len(cuts.never) < FEWEST or cuts.good or cuts.late or len(engaged_rows(evidence)):
        return None
    longest = max(one.cut.duration_ns for one in cuts.never)
    return Likely(
        key="failsafe-missing",
        title=f"The receiver has no failsafe: it engaged in none of {len(cuts.never)} cuts",
        explains=names,
        strength=SURE,
        speaks_for=(
            f"In {many(len(cuts.never), 'cut')} of up to {ms(longest)} the receiver reported no failsafe, "
            f"though {ms(within_ns(evidence))} are allowed.",
            "It reported failsafe nowhere else in the run.",
        ),
        next_step=(
            "Look whether the main loop still calls the check for link loss, and print the age of the last "
            f"packet while the transmitter is off. {CAUTION}"
        ),
    )


def failsafe_timer_long(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Failsafe comes the same time too late in nearly every cut."""
    names, cuts = failed(results, "failsafe_entry"), judged_cuts(evidence)
    if not names or len(cuts.late) < FEWEST or len(cuts.late) < MOST * len(cuts.every):
        return None
    times = [one.entry_ns for one in cuts.late]
    middle, limit = int(np.median(times)), within_ns(evidence)
    if max(times) - min(times) > max(ALIKE_NS, middle // 10):
        return None
    return Likely(
        key="failsafe-timer-long",
        title=(
            f"Failsafe engages {ms(middle - limit)} later than declared, every time: the receiver's time "
            "constant is too long"
        ),
        explains=names,
        strength=SURE if not cuts.never else STRONG,
        speaks_for=(
            f"It came {times_ms(times)} after the last packet in {of(len(times), len(cuts.every), 'cut')}; "
            f"{ms(limit)} were declared.",
            f"The times differ by {ms(max(times) - min(times))} only: a fixed time and no condition.",
        ),
        next_step=(
            f"Set the failsafe time {ms(middle - limit)} shorter, with some room for the loop, and cut the "
            f"link 60 times again; check the timer's prescaler for rounding. {CAUTION}"
        ),
    )


def conditional(evidence: Evidence) -> tuple[Cuts, Condition] | None:
    """Return the condition under which failsafe fails, searched for once; None if there is none."""
    key = (__name__, "conditional", ())
    if key not in evidence.memo:
        cuts = judged_cuts(evidence)
        every = tuple(one for one in cuts.every if one.last_applied != NONE)
        bad = _bad(cuts, len(every))
        found = find_condition(evidence, every, bad) if every else None
        evidence.memo[key] = None if found is None else (Cuts(cuts.good, cuts.late, cuts.never), found)
    return cast("tuple[Cuts, Condition] | None", evidence.memo[key])


def failsafe_conditional(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Failsafe fails under one condition, and only then."""
    names = failed(results, "failsafe_entry")
    found = conditional(evidence) if names else None
    if found is None:
        return None
    cuts, condition = found
    met, count = int(condition.met.sum()), len(condition.met)
    what = "never engages" if len(cuts.never) >= len(cuts.late) else "comes too late"
    wrong = _bad(cuts, count)
    bad, p_value = int(wrong.sum()), condition.p_value(wrong)
    both = int((condition.met & wrong).sum())
    perfect = both == met == bad
    against = () if met > 1 else ("Only one such cut was made: something else may have met it.",)
    if not perfect:
        against = (f"It came in time in {many(met - both, 'such cut')}, and failed in {bad - both} others.",)
    return Likely(
        key=condition.key,
        title=f"Failsafe {what} {condition.words}: {TOLD[condition.key].because}",
        explains=names,
        strength=(FOUND if p_value < CHANCE else LIKELY) if perfect else CLEAR,
        speaks_for=(
            f"It failed in {of(both, met, 'such cut')}: {condition.words}.",
            f"It was in time, within {ms(within_ns(evidence))}, in {many(len(cuts.good), 'other cut')}; "
            f"that is so by chance in {_one_in(p_value)}.",
            *_late_words(cuts, evidence),
        ),
        speaks_against=against,
        next_step=f"{TOLD[condition.key].next_step}; then cut the link just so, 20 times. {CAUTION}",
    )


def _one_in(p_value: float) -> str:
    """Return how seldom chance does it."""
    return "fewer than one run in a million" if p_value < 1e-6 else f"one run in {1 / p_value:.0f}"


def _bad(cuts: Cuts, count: int) -> Flags:
    good = {one.cut.number for one in cuts.good}
    every = [one for one in cuts.every if one.last_applied != NONE]
    return np.array([one.cut.number not in good for one in every][:count], dtype=np.bool_)


def _late_words(cuts: Cuts, evidence: Evidence) -> tuple[str, ...]:
    if not cuts.late:
        return ()
    times = [one.entry_ns for one in cuts.late]
    return (f"Where it came late it came {times_ms(times)} after the last packet; "
            f"{ms(within_ns(evidence))} were declared.",)  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Wrong:
    """One channel's outputs in failsafe: wrong ones, right ones, and what each output was before the cut."""

    channel: int
    wrong: tuple[FailsafeOutput, ...]
    right: tuple[FailsafeOutput, ...]
    before: dict[int, int]

    @property
    def holds(self) -> bool:
        """Whether every wrong output is the one of before the cut."""
        return all(one.shown_us == self.before.get(one.cut.number) for one in self.wrong)

    @property
    def constant(self) -> bool:
        """Whether every wrong output is the same, in several cuts."""
        shown = {one.shown_us for one in self.wrong}
        return len(shown) == 1 and None not in shown and len(self.wrong) >= FEWEST


def wrong_outputs(evidence: Evidence) -> tuple[_Wrong, ...]:
    """Return the channels with outputs in failsafe that are off by more than the plan tolerates."""
    key = (__name__, "wrong_outputs", ())
    if key not in evidence.memo:
        evidence.memo[key] = _wrong_outputs(evidence)
    return cast("tuple[_Wrong, ...]", evidence.memo[key])


def _wrong_outputs(evidence: Evidence) -> tuple[_Wrong, ...]:
    rules = (check.rule for check in evidence.plan.checks)
    near = max((one.tolerance_us for one in rules if isinstance(one, p.FailsafeOutputs)), default=0)
    every, found = failsafe_outputs(evidence), []
    applied = evidence.applied
    last = {one.cut.number: one.last_applied for one in failsafe_entries(evidence, 0)}
    for channel in sorted({one.channel for one in every}):
        mine = [one for one in every if one.channel == channel]
        off = [one.shown_us is None or abs(one.shown_us - one.wanted_us) > near for one in mine]
        if any(off) and channel < applied.outputs_us.shape[1]:
            before = {n: int(applied.outputs_us[row, channel]) for n, row in last.items() if row != NONE}
            wrong = tuple(one for one, bad in zip(mine, off, strict=True) if bad)
            right = tuple(one for one, bad in zip(mine, off, strict=True) if not bad)
            found.append(_Wrong(channel, wrong, right, before))
    return tuple(found)


OUTPUT_CHECKS: Final = ("failsafe_outputs", "failsafe_margin", "start_up")


def failsafe_holds(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """In failsafe outputs stay where the last packet had them."""
    names = failed(results, *OUTPUT_CHECKS)
    held = [one for one in wrong_outputs(evidence) if one.holds and _moved(one)] if names else []
    if not held:
        return None
    told = names_of(evidence, [one.channel for one in held])
    cuts = len({one.cut.number for each in held for one in each.wrong})
    good = min(len({one.cut.number for one in each.right}) for each in held)
    after = _after_many(evidence, held) if good else ""
    shown = [one.shown_us for each in held for one in each.wrong if one.shown_us is not None]
    return Likely(
        key="failsafe-gives-up" if after else "failsafe-holds",
        title=(f"Failsafe holds the last value of {told}{after or ', where the plan declares a pulse'}"),
        explains=names,
        strength=SURE if after or not good else STRONG,
        speaks_for=(
            f"In {many(cuts, 'cut')} {told} showed just what the last packet before had brought, "
            f"{min(shown)} us to {max(shown)} us.",
            *((f"In {many(good, 'other cut')} failsafe was right.",) if good else ()),
        ),
        next_step=(
            f"Look in the table of failsafe pulses for {told}, and cut the link with the sticks at both "
            f"ends. {CAUTION}"
        ),
    )


def _moved(one: _Wrong) -> bool:
    return len({shown.shown_us for shown in one.wrong}) >= OLD_OUTPUTS


def _after_many(evidence: Evidence, held: Sequence[_Wrong]) -> str:
    """Return in words that it holds from the n-th of several losses within a short time on; "" if not so."""
    rows = engaged_rows(evidence)
    times, life = evidence.changes.at_ns[rows], evidence.changes.segment[rows]
    wrong = {one.cut.number: one.cut for each in held for one in each.wrong}
    right = {one.cut.number: one.cut for each in held for one in each.right if one.cut.number not in wrong}
    if not right:
        return ""
    for back in range(1, 8):
        bad, good = (
            ints(
                [
                    span
                    for cut in some.values()
                    if (span := _span_ns(times, life, cut.start_ns, back)) is not None
                ]
            )
            for some in (wrong, right)
        )
        if len(bad) == len(wrong) >= FEWEST and len(good) and bad.max() < good.min():
            return f" from the {_nth(back + 1)} link loss within {ms(int(bad.max()))} on"
    return ""


def _span_ns(times: Ints, life: Ints, cut_ns: int, back: int) -> int | None:
    """Return how long before this cut's failsafe the failsafe `back` places earlier came, in one life."""
    place = int(np.searchsorted(times, cut_ns))
    if place >= len(times):
        return None
    same = place >= back and life[place] == life[place - back]
    return int(times[place] - times[place - back]) if same else NEVER_NS


def _nth(number: int) -> str:
    return {2: "second", 3: "third"}.get(number, f"{number}th")


def failsafe_value_wrong(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """In failsafe outputs go to a pulse of their own that was not declared, maybe only on a condition."""
    names = failed(results, *OUTPUT_CHECKS)
    other = [one for one in wrong_outputs(evidence) if one.constant and not _is_held(one)] if names else []
    if not other:
        return None
    told = "; ".join(
        f"{names_of(evidence, [one.channel])} {one.wrong[0].shown_us} us instead of "
        f"{'its last value' if one.wrong[0].held else f'{one.wrong[0].wanted_us} us'}"
        for one in other
    )
    at_end = _at_end(other)
    return Likely(
        key="failsafe-value-at-end" if at_end else "failsafe-value-wrong",
        title=f"Failsafe drives pulses that were not declared: {told}{at_end}",
        explains=names,
        strength=SURE if at_end or not any(one.right for one in other) else STRONG,
        speaks_for=tuple(
            f"{names_of(evidence, [one.channel])} showed {one.wrong[0].shown_us} us in "
            f"{of(len(one.wrong), len(one.wrong) + len(one.right), 'report')} of failsafe{at_end}."
            for one in other
        ),
        next_step=(
            f"Learn the failsafe pulses anew with every trim at its middle, and read them back. {CAUTION}"
        ),
    )


def _is_held(one: _Wrong) -> bool:
    return one.holds and _moved(one)


def _at_end(other: Sequence[_Wrong]) -> str:
    """Return in words that it is so only where the outputs stood at one end before, "" if not so."""
    for one in other:
        bad = [one.before.get(wrong.cut.number) for wrong in one.wrong]
        good = [one.before.get(right.cut.number) for right in one.right]
        if None in bad or not good or None in good:
            return ""
        ends = set(bad)
        if len(ends) != 1 or ends & set(good):
            return ""
    return ", only where it stood at its very end before"


SUSPECTS: Final = (
    failsafe_missing,
    failsafe_timer_long,
    failsafe_conditional,
    failsafe_holds,
    failsafe_value_wrong,
)
