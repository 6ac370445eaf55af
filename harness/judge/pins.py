"""Do the pins do what the receiver says? What a witness measured, and which side is suspect.

Only the widths of pulses are judged, not the rate at which they come.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from harness.bench.protocol import Role
from harness.judge.advice import BENCH, MORE, advise
from harness.judge.guard import ENOUGH, hidden, lost_messages, no_advice, no_data, result
from harness.judge.words import EXAMPLES, moment, ms, plain
from harness.measure.arrays import Ints
from harness.measure.evidence import Evidence
from harness.measure.pins import (
    PinsFound,
    compare_pins,
    does_as_another,
    does_by_own_clock,
    receiver_rate,
)
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict

NO_WITNESS: Final = "not judged: no witness on this bench"
MOSTLY: Final = 0.9
"""Share of the wrong pulses that must point one way before anything is called suspect."""
MOST_NAMED: Final = 2
"""Outputs told of one by one."""
INPUTS: Final = "use a witness with an input for every channel of the link, each wired to its own pin"
CRYSTAL: Final = "a crystal in place of the receiver's resonator mends its clock, or raise `within`"
WIDTHS_ONLY: Final = "widths only, the frame rate is not judged"


def judge_pins(rule: p.Pins, evidence: Evidence) -> CheckResult:
    """Judge that every pulse is what the receiver reported in width, and that no output is dead.

    How often the pulses come is not judged.
    """
    if Role.WITNESS not in evidence.heard:
        verdict = Verdict.NONE if rule.witness == "if present" else Verdict.INCONCLUSIVE
        return result(verdict, NO_WITNESS, sample_unit="pulses")
    if not evidence.heard[Role.WITNESS].messages:
        return no_data(evidence, "the witness's port said nothing", "pulses")
    found = compare_pins(evidence, rule)
    number, total = int(found.wrong.sum()) + len(found.dead), len(found.off_us)
    if not total and not number:
        return no_data(evidence, "no pulse could be compared with a report", "pulses")
    fewest = int(np.bincount(found.pulses.channel, minlength=found.pulses.inputs).min())
    verdict, reason, advice = _verdict(rule, evidence, found, fewest)
    return result(
        verdict,
        reason,
        value=float(number),
        unit="wrong pulses",
        limit=0.0,
        side="at most",
        samples=total,
        sample_unit="pulses",
        needed=ENOUGH - fewest if verdict is Verdict.INCONCLUSIVE and fewest < ENOUGH else None,
        counts={
            "pulses": total,
            "wrong": int(found.wrong.sum()),
            "doubtful": int(found.doubtful.sum()),
            "left out": found.left_out,
            "without pulses": len(found.dead),
        },
        examples=_examples(evidence, found),
        advice=advice,
    )


def _verdict(
    rule: p.Pins, evidence: Evidence, found: PinsFound, fewest: int
) -> tuple[Verdict, str, tuple[str, ...]]:
    """Return the verdict, why, and what to try next."""
    if found.wrong.any() or found.dead:
        return Verdict.FAIL, *_wrong_words(rule, evidence, found)
    total, doubtful = many(len(found.off_us), "pulse"), int(found.doubtful.sum())
    if doubtful:
        doubt = plain(float(found.pulses.doubt_us.max()), 1)
        reason = (
            f"{doubtful} of {total} may be more than {rule.within_us} us off: widths are known to {doubt} us"
        )
        return Verdict.INCONCLUSIVE, reason, advise("pins", "doubt")
    worst = plain(float(found.off_us.max()), 1)
    reason = f"{total} were as reported within {rule.within_us} us, the worst {worst} us off"
    unseen = _unseen(evidence, found)
    if unseen:
        return Verdict.INCONCLUSIVE, f"{reason}, but {unseen}", (INPUTS,)
    lost = hidden(evidence, "a wrong report") or _hidden_by_witness(evidence)
    if lost:
        return Verdict.INCONCLUSIVE, f"{reason}, but {lost}", BENCH
    if fewest < ENOUGH:
        few = f"{fewest} on one output are too few, {ENOUGH} would do"
        return Verdict.INCONCLUSIVE, f"{reason}; {few}", (MORE,)
    return Verdict.PASS, f"{reason} ({WIDTHS_ONLY})", no_advice()


def _unseen(evidence: Evidence, found: PinsFound) -> str:
    """Say which channels the witness has no input for; "" if it has one for each."""
    names = [channel.name for channel in evidence.plan.link.channels]
    missing = names[found.pulses.inputs :]
    if not missing:
        return ""
    which = " and ".join([", ".join(missing[:-1]), missing[-1]] if missing[1:] else missing)
    has = f"the witness has {many(found.pulses.inputs, 'input')}, the link {many(len(names), 'channel')}"
    return f"{has}: {which} {'were' if missing[1:] else 'was'} not seen"


def _hidden_by_witness(evidence: Evidence) -> str:
    missing = lost_messages(evidence, Role.WITNESS)
    if not missing:
        return ""
    if Role.WITNESS in evidence.quiet:
        return "the witness's port fell silent before the end"
    return f"{many(missing, 'message')} of the witness got lost on the serial line"


def _wrong_words(rule: p.Pins, evidence: Evidence, found: PinsFound) -> tuple[str, tuple[str, ...]]:
    """Tell of the outputs that are wrong, those with the most wrong pulses first, and what to try next."""
    names = [channel.name for channel in evidence.plan.link.channels]
    counts = np.bincount(found.pulses.channel[found.wrong], minlength=len(names))
    order = np.argsort(-counts, kind="stable")[: int((counts > 0).sum())].tolist()
    clocked = [one for one in order if does_by_own_clock(evidence, rule, found, one).mean() >= MOSTLY]
    parts = []
    for one in order[:MOST_NAMED]:
        hint = _by_clock(evidence) if one in clocked else _hint(rule, evidence, found, one)
        parts.append(f"{names[one]}: {_channel_words(found, one)}{hint}")
    if len(order) > MOST_NAMED:
        parts.append(f"{many(len(order) - MOST_NAMED, 'more output')} wrong")
    for channel in sorted({pin.channel for pin in found.dead})[:MOST_NAMED]:
        longest = max(pin.end_ns - pin.start_ns for pin in found.dead if pin.channel == channel)
        parts.append(f"{names[channel]}: no pulse for up to {ms(longest)}, though the report says one")
    situations = ["fail"] * (len(order) > len(clocked)) + ["dead"] * bool(found.dead)
    lines = (CRYSTAL,) * bool(clocked) + advise("pins", *situations)
    return "; ".join(parts), lines[:3]


def _channel_words(found: PinsFound, channel: int) -> str:
    """Tell the worst pulse of a channel, and how many are wrong."""
    mine = found.pulses.channel == channel
    wrong = np.flatnonzero(found.wrong & mine)
    worst = wrong[int(np.argmax(found.off_us[wrong]))]
    said, width = found.said_us[worst], plain(float(found.pulses.width_us[worst]), 1)
    return (
        f"the report says {said} us, the pin does {width} us in {len(wrong)} of "
        f"{many(int(mine.sum()), 'pulse')}"
    )


def _hint(rule: p.Pins, evidence: Evidence, found: PinsFound, channel: int) -> str:
    """Say what the wrong pulses of a channel point to, if anything."""
    wrong = np.flatnonzero(found.wrong & (found.pulses.channel == channel))
    return _swapped(rule, evidence, found, channel) or _suspect(found, wrong)


def _by_clock(evidence: Evidence) -> str:
    """Say how far the receiver's clock is off, and what that does to its pulses."""
    off = receiver_rate(evidence).rate - 1
    how = "long" if off > 0 else "short"
    return f" (the receiver's clock is {abs(off) * 100:.2f} % off: its pulses are that much too {how})"


def _swapped(rule: p.Pins, evidence: Evidence, found: PinsFound, channel: int) -> str:
    """Say which other channel's report the pin follows, if there is one."""
    for other in np.unique(found.pulses.channel[found.wrong]).tolist():
        if other == channel:
            continue
        if does_as_another(evidence, rule, found, channel, other).mean() >= MOSTLY:
            return f" (the pin does what {evidence.plan.link.channels[other].name} reports)"
    return ""


def _suspect(found: PinsFound, wrong: Ints) -> str:
    """Say which side does what sticks and failsafe ask for, where only one does."""
    pin = int((found.pin_right[wrong] & ~found.report_right[wrong]).sum())
    report = int((found.report_right[wrong] & ~found.pin_right[wrong]).sum())
    if 2 * (pin + report) < len(wrong):
        return ""
    if pin >= MOSTLY * (pin + report):
        return " (the pin does what was asked for: suspect the report)"
    if report >= MOSTLY * (pin + report):
        return " (the report is what was asked for: suspect the pin)"
    return ""


def _examples(evidence: Evidence, found: PinsFound) -> tuple[str, ...]:
    names = [channel.name for channel in evidence.plan.link.channels]
    pulses = found.pulses
    told = []
    for row in np.flatnonzero(found.wrong | found.doubtful)[:EXAMPLES].tolist():
        words = f"reported {found.said_us[row]} us, measured {plain(float(pulses.width_us[row]), 1)} us"
        told.append((int(pulses.rise_ns[row]), f"{names[pulses.channel[row]]} {words}"))
    told += [
        (pin.start_ns, f"{names[pin.channel]} had no pulse for {ms(pin.end_ns - pin.start_ns)}")
        for pin in found.dead[:EXAMPLES]
    ]
    return tuple(f"{moment(evidence, at_ns)}: {words}" for at_ns, words in sorted(told)[:EXAMPLES])
