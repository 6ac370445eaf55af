"""Why does control not come back as it should after a cut? Suspects about the first packets after it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, cast

import numpy as np

from harness.judge.words import ms, times_ms
from harness.likely import Likely
from harness.measure.arrays import Flags, Ints, ints
from harness.measure.evidence import Evidence
from harness.measure.failsafe import NONE, first_change
from harness.measure.fidelity import deviations
from harness.measure.recovery import CutExit, failsafe_exits
from harness.plan.wording import many
from harness.verdict import CheckResult
from harness.why.devices import CAUTION, CHANCE, CLEAR, STRONG, SURE, failed, fisher, names_of, of

FEWEST: Final = 3
FEW: Final = 2
BITS: Final = tuple(range(5, 16))
"""Widths in which a packet number may be compared."""
LOOKED_AT: Final = 50
"""Late cuts whose packets are looked at."""
SELDOM: Final = 0.02
FEW_CUTS: Final = 0.05
"""A run makes long silences once or twice only: no test of them can ask for more."""
HALF: Final = 1 << 15
FIRST: Final = 4
"""Packets after a cut that a buffer may spoil."""


@dataclass(frozen=True, slots=True)
class Returns:
    """Cuts after which control came back in time, and those after which it came late or not at all."""

    good: tuple[CutExit, ...]
    late: tuple[CutExit, ...]

    @property
    def every(self) -> tuple[CutExit, ...]:
        """All of them, by number."""
        return tuple(sorted(self.good + self.late, key=lambda one: one.cut.number))


def read_returns(evidence: Evidence) -> Returns:
    """Return how control came back after each cut that the recording tells of for certain."""
    limit = evidence.plan.link.failsafe.recover_within_ns
    good, late = [], []
    linked = _were_linked(evidence)
    for one in failsafe_exits(evidence, limit):
        if one.cut.number not in linked:
            continue
        waited = one.waited_ns if one.exit_ns is None else one.exit_ns
        if waited - one.bound_ns > limit and not one.may_be_shorter:
            late.append(one)
        elif one.exit_ns is not None:
            good.append(one)
    return Returns(tuple(good), tuple(late))


def _were_linked(evidence: Evidence) -> set[int]:
    """Return the cuts before which a packet was applied since the cut before: the others cut nothing."""
    commands = ints([cut.command_ns for cut in evidence.cuts])
    before = np.concatenate(([0], commands))[:-1]
    place = np.searchsorted(evidence.applied.so_far_ns, commands, side="right") - 1
    last = evidence.applied.so_far_ns[np.maximum(place, 0)] if len(evidence.applied) else before
    good = (place >= 0) & (last > before)
    return {cut.number for cut, was in zip(evidence.cuts, good.tolist(), strict=True) if was}


@dataclass(frozen=True, slots=True)
class _Refused:
    """Packets that were sent after a cut and acknowledged but not applied, with the newest applied before."""

    number: Ints
    newest: Ints
    taken: Ints
    taken_newest: Ints


def number_compared(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Packets are refused whose number seems old: with a sign, or in too few bits."""
    names = failed(results, "failsafe_exit", "control_gap", "delivery", "recovery", "loss_pattern")
    returns = read_returns(evidence) if names else Returns((), ())
    if not returns.late:
        return None
    refused = _refused(evidence, returns)
    if len(refused.number) < FEWEST:
        return None
    for bits in (16, *BITS):
        if bits == 16 and _signed_fits(refused):
            return _signed(names, refused)
        if bits < 16 and _narrow_fits(refused, bits):
            return _narrow(names, refused, bits, returns)
    return None


def _refused(evidence: Evidence, returns: Returns) -> _Refused:
    """Return the packets that were acknowledged and not applied after late cuts, and the first taken ones."""
    sent, applied = evidence.sent, evidence.applied
    done = np.unique(applied.sent_row[applied.sent_row >= 0])
    number, newest, taken, before = [], [], [], []
    for one in returns.every:
        first = one.cut.first_sent
        place = int(np.searchsorted(done, first))
        if first == NONE or not place:
            continue
        last = int(sent.number[done[place - 1]])
        end = int(done[place]) if place < len(done) else len(sent)
        missed = np.arange(first, end)
        missed = missed[sent.acked[missed] & (sent.at_ns[missed] <= sent.at_ns[first] + one.waited_ns)]
        number += sent.number[missed].tolist()
        newest += [last] * len(missed)
        if end < len(sent):
            taken.append(int(sent.number[end]))
            before.append(last)
    return _Refused(ints(number), ints(newest), ints(taken), ints(before))


def _narrow_fits(refused: _Refused, bits: int) -> bool:
    """Return whether all refused numbers seem old in so few bits, and all taken ones new."""
    half = 1 << bits - 1
    old = ((refused.number - refused.newest) & (2 * half - 1)) >= half
    new = ((refused.taken - refused.taken_newest) & (2 * half - 1)) < half
    ahead = ((refused.number - refused.newest) & 0xFFFF) < HALF
    return bool(old.all() and ahead.all() and len(new) and new.mean() > 0.9)


def _signed_fits(refused: _Refused) -> bool:
    """Return whether the number crossed 32 767 before all refused packets, and they go on to be refused."""
    return bool((refused.newest < HALF).all() and (refused.number >= HALF).all())


def _signed(names: tuple[str, ...], refused: _Refused) -> Likely:
    newest = int(refused.newest.max())
    return Likely(
        key="number-compared-wrong",
        title=(
            f"Packets are no longer applied once their number is beyond 32 767 (last taken: {newest}): it "
            "is kept in a signed 16-bit integer"
        ),
        explains=names,
        strength=SURE,
        speaks_for=(
            f"{many(len(refused.number), 'packet')} with numbers {int(refused.number.min())} to "
            f"{int(refused.number.max())} were acknowledged and not applied, the newest before being "
            f"{newest}.",
            f"{many(len(refused.taken), 'cut')} without that step came back.",
        ),
        next_step=(
            "Compare packet numbers by their unsigned 16-bit difference, less than 32 768 being newer; "
            f"start the transmitter's number at 32 700 and see it pass. {CAUTION}"
        ),
    )


def _narrow(names: tuple[str, ...], refused: _Refused, bits: int, returns: Returns) -> Likely:
    ahead = (refused.number - refused.newest) & 0xFFFF
    return Likely(
        key="number-compared-wrong",
        title=(
            f"After a loss, packets {int(ahead.min())} to {int(ahead.max())} numbers ahead are refused: "
            f"numbers are compared in {bits} bits"
        ),
        explains=names,
        strength=SURE,
        speaks_for=(
            f"{many(len(ahead), 'packet')} were acknowledged and not applied after "
            f"{many(len(returns.late), 'cut')}; in {bits} bits each seems older than the newest one before.",
            f"All {len(refused.taken)} first packets that were applied after cuts seem newer in {bits} bits.",
        ),
        next_step=(
            "Compare packet numbers by their unsigned 16-bit difference; then make the receiver deaf for 3 "
            f"s and look again. {CAUTION}"
        ),
    )


def receiver_sleeps(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Control comes back late, or never, only after long silences."""
    names = failed(results, "failsafe_exit", "delivery", "control_gap", "recovery")
    returns = read_returns(evidence) if names else Returns((), ())
    if not returns.late or not returns.good:
        return None
    bad, length = _silent(evidence, returns)
    least = int(length[bad].min())
    shorter = length[~bad]
    if int(shorter.max()) >= least or fisher(length >= least, bad) > FEW_CUTS:
        return None
    never = sum(one.exit_ns is None for one in returns.late)
    came = [one.exit_ns for one in returns.late if one.exit_ns is not None]
    what = "control never comes back" if never else f"control comes back {times_ms(came)} late"
    unheard = _unheard(evidence, returns)
    sure = SURE if fisher(length >= least, bad) <= (SELDOM if never else CHANCE) else STRONG
    heard = "Packets sent after it were acknowledged, so that something listened."
    return Likely(
        key="receiver-sleeps",
        title=f"After a silence of {ms(least)} or more {what}: the receiver, or its radio, goes to sleep",
        explains=names,
        strength=sure if unheard else CLEAR,
        speaks_for=(
            f"It was so after {of(int(bad.sum()), int((length >= least).sum()), 'silence')} of {ms(least)} "
            "or more.",
            f"After {many(len(shorter), 'shorter silence')}, the longest {ms(int(shorter.max()))}, it came "
            f"back within {ms(evidence.plan.link.failsafe.recover_within_ns)}.",
            *(("Packets sent after it were not acknowledged: nothing listened.",) if unheard else ()),
        ),
        speaks_against=() if unheard else (heard,),
        next_step=(
            "Leave out whatever saves current when the link is lost, and cut the link for 5 s; then for a "
            f"minute. {CAUTION}"
        ),
    )


def _silent(evidence: Evidence, returns: Returns) -> tuple[Flags, Ints]:
    """Return which cuts came back late, and for how long nothing was heard in each."""
    late = {one.cut.number for one in returns.late}
    every = [one for one in returns.every if one.cut.way in ("silence", "fade") or one.cut.is_outside]
    bad = np.array([one.cut.number in late for one in every], dtype=np.bool_)
    if not bad.any() or bad.all():
        every = list(returns.every)
        bad = np.array([one.cut.number in late for one in every], dtype=np.bool_)
    return bad, ints([_silence_ns(evidence, one) for one in every])


def _silence_ns(evidence: Evidence, one: CutExit) -> int:
    """Return how long the receiver had applied nothing when the first packet after a cut was sent."""
    sent_ns = int(evidence.sent.at_ns[one.cut.first_sent]) if one.cut.first_sent != NONE else one.cut.end_ns
    place = int(np.searchsorted(evidence.applied.so_far_ns, sent_ns, side="right")) - 1
    last = int(evidence.applied.so_far_ns[place]) if place >= 0 else one.cut.start_ns
    return sent_ns - last


def _unheard(evidence: Evidence, returns: Returns) -> bool:
    """Return whether most packets between the first one after a late cut and control were unacknowledged."""
    rows: list[int] = []
    for one in returns.late[:LOOKED_AT]:
        if one.cut.first_sent == NONE:
            continue
        first_ns = int(evidence.sent.at_ns[one.cut.first_sent])
        until = first_ns + (one.waited_ns if one.exit_ns is None else one.exit_ns)
        span = (evidence.sent.at_ns >= first_ns) & (evidence.sent.at_ns < until - evidence.slack_ns)
        rows += np.flatnonzero(span).tolist()
    return bool(rows) and float(evidence.sent.acked[rows].mean()) < 0.5


def entry_upsets(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Control comes back late only if packets come soon after failsafe has begun."""
    names = failed(results, "failsafe_exit", "control_gap", "delivery")
    returns = read_returns(evidence) if names else Returns((), ())
    if not returns.late or not returns.good:
        return None
    since, late = _since_entry(evidence, returns)
    if not late.any() or late.all():
        return None
    most = int(since[late].max())
    met = since <= most
    if (met & ~late).sum() > late.sum() // 10 or fisher(met, late) > FEW_CUTS:
        return None
    came = [one.exit_ns for one in returns.late if one.exit_ns is not None]
    how = f"comes back {times_ms(came)} later" if came else "never comes back"
    return Likely(
        key="failsafe-entry-upsets-radio",
        title=(
            f"Control {how} if the link returns within {ms(most)} of the beginning of failsafe: what is "
            "done on entering it spoils reception"
        ),
        explains=names,
        strength=0.9 if fisher(met, late) <= CHANCE else STRONG,
        speaks_for=(
            f"After {of(int(late.sum()), int(met.sum()), 'cut')} whose first packet came within {ms(most)} "
            "of failsafe control came back late.",
            f"{many(int((~late).sum()), 'other cut')} came back within "
            f"{ms(evidence.plan.link.failsafe.recover_within_ns)}.",
        ),
        next_step=(
            "Leave the radio alone when failsafe begins, or make its set-up bear a packet in the middle; "
            f"then cut the link for just longer than the failsafe time. {CAUTION}"
        ),
    )


def _since_entry(evidence: Evidence, returns: Returns) -> tuple[Ints, Flags]:
    """Return how long after failsafe began the first packet after each cut was sent, and which came late."""
    late = {one.cut.number for one in returns.late}
    since, bad = [], []
    for one in returns.every:
        change = first_change(evidence, one.cut)
        if NONE in (change, one.cut.first_sent):
            continue
        since.append(int(evidence.sent.at_ns[one.cut.first_sent]) - int(evidence.changes.at_ns[change]))
        bad.append(one.cut.number in late)
    return ints(since), np.array(bad, dtype=np.bool_)


@dataclass(frozen=True, slots=True)
class Replayed:
    """Packets right after cuts that showed pulses from before them: cuts, channels, most packets in a row."""

    cuts: int
    channels: tuple[int, ...]
    packets: int
    wrong: int
    shown_us: tuple[int, ...]
    rows: Ints


def read_replayed(evidence: Evidence) -> Replayed | None:
    """Return the first packets after failsafe that brought back what was there before; None if none did."""
    key = (__name__, "read_replayed", ())
    if key not in evidence.memo:
        evidence.memo[key] = _read_replayed(evidence)
    return cast("Replayed | None", evidence.memo[key])


def _read_replayed(evidence: Evidence) -> Replayed | None:
    found = deviations(evidence)
    place = {row: at for at, row in enumerate(found.row.tolist())}
    applied, changes = evidence.applied, evidence.changes
    cuts, channels, rows, shown, longest = 0, set(), [], [], 0
    for one in failsafe_exits(evidence, evidence.plan.link.failsafe.recover_within_ns):
        change = first_change(evidence, one.cut)
        before = int(changes.applied_row[change]) if change != NONE else NONE
        back = one.cut.first_applied
        if NONE in (before, back):
            continue
        hit = 0
        for row in range(back, min(back + FIRST, len(applied))):
            at = place.get(row)
            if at is None:
                break
            off = np.flatnonzero(np.abs(found.off_us[at, : applied.outputs_us.shape[1]]) > 1)
            old = applied.outputs_us[before, off] if len(off) else ints([])
            if not len(off) or not (np.abs(applied.outputs_us[row, off] - old) <= 1).all():
                break
            channels |= set(off.tolist())
            shown += old.tolist()
            rows.append(row)
            hit += 1
        cuts += hit > 0
        longest = max(longest, hit)
    if cuts < FEW:
        return None
    return Replayed(cuts, tuple(sorted(channels)), longest, len(rows), tuple(shown), ints(rows))


def old_values_replayed(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """The first packet after failsafe drives what was there before the cut."""
    names = failed(results, "failsafe_exit", "fidelity", "no_glitch")
    found = read_replayed(evidence) if names else None
    if found is None or not failed(results, "failsafe_exit"):
        return None
    deviating = _deviating(evidence)
    share = len(np.intersect1d(found.rows, deviating)) / max(1, len(deviating))
    told = names_of(evidence, found.channels)
    return Likely(
        key="old-values-replayed",
        title=(
            f"{_firsts(found.packets)} back, after a link loss, the old pulses of {told}: they were kept "
            "aside and are driven again"
        ),
        explains=names,
        strength=SURE if share > 0.9 else CLEAR if share > 0.5 else 0.4,
        speaks_for=(
            f"After {many(found.cuts, 'cut')} {told} showed just what the last packet before the cut had "
            f"brought, {min(found.shown_us)} us to {max(found.shown_us)} us, for up to "
            f"{many(found.packets, 'packet')}.",
            f"That is {100 * share:.0f} % of all packets with wrong outputs in the run.",
        ),
        speaks_against=() if share > 0.9 else
        (f"{100 * (1 - share):.0f} % of the packets with wrong outputs did not come right after a cut.",),
        next_step=(
            "Clear what is kept of the outputs, filters too, when failsafe begins; then cut the link with "
            f"the throttle open and close the stick before it returns. {CAUTION}"
        ),
    )  # fmt: skip


def _firsts(packets: int) -> str:
    return "The first packet brings" if packets == 1 else f"The first {packets} packets bring"


def _deviating(evidence: Evidence) -> Ints:
    """Return the rows of all packets that deviate by more than 1 us."""
    found = deviations(evidence)
    rows: Ints = found.row[(np.abs(found.off_us) > 1).any(axis=1)]
    return rows


SUSPECTS: Final = (number_compared, receiver_sleeps, entry_upsets, old_values_replayed)
