"""How does the whole run stand? Each check of the plan by its rule, in the plan's order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from fractions import Fraction
from typing import Any, Final

import numpy as np

from harness.account import account_for
from harness.bench.protocol import Role
from harness.codec.messages import Identity, StartCause, Started
from harness.escape import clean
from harness.judge.age import judge_control_age
from harness.judge.bench import commands_damaged, identity, judge_bench, outage_words, port_words
from harness.judge.delivery import judge_delivery
from harness.judge.drift import judge_one_round
from harness.judge.extremes import judge_failsafe_margin, judge_output_range
from harness.judge.failsafe import (
    judge_failsafe_entry,
    judge_failsafe_outputs,
    judge_no_false_failsafe,
)
from harness.judge.guard import result
from harness.judge.latency import judge_latency
from harness.judge.limits import judge_back_to_back, judge_recovery, judge_throughput
from harness.judge.link import (
    judge_control_gap,
    judge_duplicates,
    judge_packet_rate,
)
from harness.judge.looks import look_note, look_taken, look_words, tightened
from harness.judge.losses import judge_losses
from harness.judge.margin import judge_link_margin
from harness.judge.noise import judge_noise
from harness.judge.order import judge_order
from harness.judge.outputs import judge_fidelity, judge_no_glitch
from harness.judge.pins import judge_pins
from harness.judge.recovery import judge_failsafe_exit
from harness.judge.starts import judge_start_up
from harness.judge.steady import steady_result, steady_section
from harness.judge.telemetry import judge_telemetry_age, judge_telemetry_value
from harness.judge.telling import doubt_by_absence, telling_notes, untold
from harness.judge.words import foreign, moment, ms, plain
from harness.looks import Look
from harness.measure.arrays import Ints, inside, ints
from harness.measure.evidence import Evidence, gather
from harness.measure.failsafe import why_not_held
from harness.plan import model as p
from harness.plan.model import Plan, PlanCheck
from harness.plan.units import QuantityError, format_share, parse_share
from harness.plan.wording import many
from harness.recording.model import Mark, Recording
from harness.verdict import CheckResult, Judgement, Verdict

RULES: Final[dict[type, Callable[[Any, Evidence], CheckResult]]] = {
    p.Delivery: judge_delivery,
    p.PacketRate: judge_packet_rate,
    p.Latency: judge_latency,
    p.ControlAge: judge_control_age,
    p.ControlGap: judge_control_gap,
    p.LossPattern: judge_losses,
    p.Duplicates: judge_duplicates,
    p.FailsafeEntry: judge_failsafe_entry,
    p.FailsafeOutputs: judge_failsafe_outputs,
    p.FailsafeExit: judge_failsafe_exit,
    p.NoFalseFailsafe: judge_no_false_failsafe,
    p.StartUp: judge_start_up,
    p.FailsafeMargin: judge_failsafe_margin,
    p.Fidelity: judge_fidelity,
    p.Order: judge_order,
    p.OutputRange: judge_output_range,
    p.NoGlitch: judge_no_glitch,
    p.Noise: judge_noise,
    p.TelemetryValue: judge_telemetry_value,
    p.TelemetryAge: judge_telemetry_age,
    p.Pins: judge_pins,
    p.Throughput: judge_throughput,
    p.BackToBack: judge_back_to_back,
    p.Recovery: judge_recovery,
    p.LinkMargin: judge_link_margin,
    p.Drift: judge_one_round,
    p.BenchHealth: judge_bench,
}
MOST_NOTES: Final = 30


def judge(plan: Plan, recording: Recording) -> Judgement:
    """Return every check's verdict and the run's totals.

    Pure and repeatable to the bit: the same plan and recording give the same judgement anywhere, any time.
    Odd, missing or hostile data never raise; they make checks inconclusive.
    """
    return judge_evidence(gather(plan, recording))


def verdicts(plan: Plan, recording: Recording) -> tuple[CheckResult, ...]:
    """Return each check's result and nothing else: the same as in `judge`, for whoever judges thousands."""
    evidence = gather(plan, recording)
    return check_results(evidence, look_taken(evidence))


def judge_evidence(evidence: Evidence) -> Judgement:
    """Return the judgement of a recording that was gathered already."""
    whole = ints([[evidence.run.start_ns, evidence.run.end_ns]])
    asked = np.flatnonzero(inside(evidence.sent.at_ns, whole))
    look = look_taken(evidence)
    results = check_results(evidence, look)
    return Judgement(
        results=results,
        link_seconds=evidence.run.seconds,
        packets_sent=len(asked),
        packets_applied=applied_of(evidence, asked, whole),
        devices={role.value: device_words(evidence, role) for role in evidence.heard},
        notes=(*look_note(evidence, look, results), *run_notes(evidence)),
        sections=tuple(map(steady_section, account_for(evidence))),
        units=identities(evidence),
    )


def applied_of(evidence: Evidence, asked: Ints, whole: Ints) -> int:
    """Return how many of these packets were applied; of packets without numbers, all that were applied."""
    if not evidence.applied.numbered:
        return int(inside(evidence.applied.at_ns, whole).sum())
    return int(np.isin(asked, evidence.applied.sent_row).sum())


def check_results(evidence: Evidence, look: Look | None) -> tuple[CheckResult, ...]:
    """Return each check's result in the plan's order, without anything told beside them."""
    judged = (_judge_check(check, evidence, look) for check in evidence.plan.checks)
    return tuple(map(steady_result, judged))


def judge_one(check: PlanCheck, evidence: Evidence) -> CheckResult:
    """Return one check's result for evidence that is looked at once, with all its digits."""
    return _judge_check(check, evidence, None)


def _judge_check(check: PlanCheck, evidence: Evidence, look: Look | None) -> CheckResult:
    rule = tightened(check.rule, look)
    if missing := untold(rule, evidence.tells):
        return replace(result(Verdict.INCONCLUSIVE, missing), name=check.name, kind=rule.WORD)
    found = replace(RULES[type(rule)](rule, evidence), name=check.name, kind=rule.WORD)
    found = replace(found, reason=found.reason + look_words(check.rule, rule, look))
    doubt = _doubt(check.rule, evidence) or doubt_by_absence(check.rule, found, evidence.tells)
    if found.verdict is not Verdict.FAIL or not doubt:
        return found
    reason = f"{found.reason}; but {doubt}, so this shows nothing"
    return replace(found, verdict=Verdict.INCONCLUSIVE, reason=reason)


def _doubt(rule: p.Check, evidence: Evidence) -> str:
    """Say why a failed check may be the bench's fault; empty if nothing speaks for that."""
    if evidence.recording.damaged:
        return "the recording is damaged"
    if isinstance(rule, p.TelemetryValue | p.TelemetryAge) and commands_damaged(evidence):
        return "the receiver got damaged commands from the PC, and may have lost what was injected"
    return ""


def identities(evidence: Evidence) -> dict[str, Identity]:
    """Return what devices said of themselves, by role; those that said nothing are not there."""
    found = {role.value: identity(evidence, role) for role in evidence.heard}
    return {role: told for role, told in found.items() if told is not None}


def device_words(evidence: Evidence, role: Role) -> str:
    """Return a device's identity in words; what the device wrote is escaped."""
    found = identity(evidence, role)
    if found is None:
        return "no identity"
    words = [clean(f"{found.firmware} {found.version}".strip()) or "nameless firmware"]
    if found.serial:
        words.append(f"serial {clean(found.serial)}")
    words.append(many(found.channels, "input" if role is Role.WITNESS else "channel"))
    if found.packet_rate_mhz:
        words.append(f"{plain(found.packet_rate_mhz / 1000)} Hz")
    return ", ".join(words)


def run_notes(evidence: Evidence) -> tuple[str, ...]:
    """Return what is worth knowing about the run as a whole."""
    notes: list[str] = []
    cap = _throttle_cap(evidence)
    if cap < 1:
        notes.append(f"throttle sticks were capped at {format_share(cap)} of their travel: not tested above")
    end = evidence.end
    if end.why != "complete":
        short = "the recording is damaged" if evidence.recording.damaged else "the recording was cut short"
        what = short if end.why == "cut short" else f"the run ended early: {end.why}"
        detail = f" ({end.detail})" if end.detail else ""
        notes.append(f"{what}{detail}; checks are judged as far as the data go")
    notes += [f"recording: {problem}" for problem in evidence.recording.problems[:3]]
    notes += telling_notes(evidence) + outage_words(evidence) + port_words(evidence)
    for role in evidence.heard:
        notes += _port_notes(evidence, role)
    notes += cuts_not_made(evidence)
    marks = [mark for mark in evidence.recording.marks if mark.kind == "skipped"]
    skipped = [str(mark.fields.get("name", "")) for mark in marks]
    if skipped:
        names, who = ", ".join(dict.fromkeys(skipped)), _unable(evidence.plan, marks)
        notes.append(f"{many(len(set(skipped)), 'step')} left out, for {who} cannot do them: {names}")
    return tuple(notes[:MOST_NOTES])


def _throttle_cap(evidence: Evidence) -> Fraction:
    """Return how far throttle sticks could go: as the header says, or by the plan where it does not."""
    header = evidence.recording.header
    with suppress(QuantityError):
        return parse_share(header.facts.get("throttle cap", ""))
    return evidence.plan.safety.throttle_up_to if header.hardware else Fraction(1)


def _unable(plan: Plan, marks: Sequence[Mark]) -> str:
    """Return who cannot do the steps that were left out."""
    outside = {step.path for step in p.every_step(plan.steps) if p.is_outside(step.action)}
    found = {mark.fields.get("path") in outside for mark in marks}
    return "the rig" if found == {True} else "firmware or rig" if len(found) > 1 else "the firmware"


def cuts_not_made(evidence: Evidence) -> list[str]:
    """Tell of link cuts that were ordered and did not happen, by what was seen in place of them."""
    why = Counter(str(why_not_held(cut)) for cut in evidence.cuts if not cut.held)
    return [f"{many(count, 'link cut')} did not happen: {reason}" for reason, count in why.items()]


def _port_notes(evidence: Evidence, role: Role) -> list[str]:
    notes = []
    heard, clock = evidence.heard[role], evidence.clocks[role]
    if not clock.ticks:
        notes.append(
            f"the {role.value} has no clock that counts microseconds: its times are those at which its "
            f"messages came, to {ms(clock.bound_ns)}"
        )
    elif clock.how == "arrivals":
        notes.append(
            f"the {role.value} did not answer pings throughout: its times rest on when messages came, "
            f"to {ms(clock.bound_ns)}"
        )
    expected = {span.frame for span in evidence.restarts if span.role == role}
    for note in heard.others:
        inside_run = evidence.run.start_ns <= note.at_ns <= evidence.run.end_ns
        if isinstance(note.message, Started) and inside_run and note.frame not in expected:
            when, cause = moment(evidence, note.at_ns), _cause(note.message.cause)
            notes.append(f"the {role.value} restarted by itself at {when} ({cause})")
    if heard.text and role in evidence.tells:
        notes.append(
            f"the {role.value} said what fits none of the rig's patterns; reports may be missing there: "
            f"{foreign(heard.text)}"
        )
    elif heard.text:
        notes.append(f"the {role.value} {_spoke(heard.text, heard.text_size)}: {foreign(heard.text)}")
    return notes


def _spoke(text: bytes, size: int) -> str:
    """Tell console text from noise: a device prints letters, and few of anything else."""
    plain = sum(32 <= byte < 127 or byte in b"\r\n\t" for byte in text)
    if plain >= 0.8 * len(text):
        return f"printed {many(size, 'byte')}"
    return f"sent {many(size, 'byte')} that are no message"


def _cause(cause: int) -> str:
    known = {int(each): each.name.lower().replace("_", "-") for each in StartCause}
    return known.get(cause, f"cause {cause}")


__all__ = ["judge", "judge_evidence", "verdicts"]
