"""Was the bench in order? Serial losses, ports, identities, clocks, and how the run ended."""

from __future__ import annotations

from fractions import Fraction
from typing import Final

from harness.bench.protocol import Role
from harness.clock import US, S
from harness.codec.messages import Counters, Identity, WireRole
from harness.escape import clean
from harness.judge.advice import advise
from harness.judge.guard import result
from harness.judge.words import EXAMPLES, foreign, moment, ms, plain, share
from harness.measure.clockmap import Segment
from harness.measure.clockpoints import RATE_LIMIT
from harness.measure.evidence import Evidence
from harness.measure.line_errors import read_line_errors, trouble
from harness.measure.outages import lost_in_outages, outages
from harness.measure.spans import Span
from harness.measure.tables import MANY
from harness.measure.telling import tells_sent
from harness.plan import model as p
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict

WIRE_ROLE = {
    Role.TRANSMITTER: WireRole.TRANSMITTER,
    Role.RECEIVER: WireRole.RECEIVER,
    Role.WITNESS: WireRole.WITNESS,
}

FEWEST_UNREADABLE: Final = 3
UNREADABLE_SHARE: Final = Fraction(1, 1_000)
"""Damage that a 16-bit check misses, one in 65 536, stays far below."""
CLOCK_OFF_MOST: Final = 2 * RATE_LIMIT
"""Further off, `harness.measure.clockpoints.rate_between` takes no rate for known."""
CLOCK_SEEN_NS: Final = 3 * S
"""Over so long a time an exchange that waits 16 ms for a USB adapter is half a per cent out."""


def judge_bench(rule: p.BenchHealth, evidence: Evidence) -> CheckResult:
    """Judge the bench itself: an error if it was at fault, inconclusive if the run was cut short."""
    worst = max(_lost_share(evidence, role) for role in evidence.heard)
    faults = _faults(rule, evidence)
    early = _ended_early(evidence)
    verdict = Verdict.ERROR if faults else Verdict.INCONCLUSIVE if early else Verdict.PASS
    total = sum(heard.messages for heard in evidence.heard.values())
    bounds = [
        f"{role.value} to {plain(clock.bound_ns / US, 0)} us" for role, clock in evidence.clocks.items()
    ]
    fine = (
        f"{many(total, 'message')} came through, {share(worst)} lost at most on a port; "
        f"clocks known: {', '.join(bounds)}"
    )
    fine = "; ".join([fine, *outage_words(evidence)])
    return result(
        verdict,
        "; ".join([words for _, words in faults] + early) or fine,
        value=float(worst) * 100,
        unit="%",
        limit=float(rule.lost_at_most) * 100,
        side="at most",
        samples=total,
        sample_unit="messages",
        counts=_counts(evidence),
        examples=_gap_examples(evidence),
        advice=advise("bench", *[situation for situation, _ in faults], *(["early"] if early else [])),
    )


def _lost_share(evidence: Evidence, role: Role) -> Fraction:
    """Return missing / (missing + received) messages of a port, exactly; what an outage took is apart."""
    heard = evidence.heard[role]
    lost = _lost(evidence, role)
    total = heard.messages + lost
    return Fraction(lost, total) if total else Fraction(0)


def _lost(evidence: Evidence, role: Role) -> int:
    heard = evidence.heard[role]
    return heard.messages_lost - lost_in_outages(heard, role, outages(evidence.restarts))


def _faults(rule: p.BenchHealth, evidence: Evidence) -> list[tuple[str, str]]:
    """Return everything that makes the bench an error, as situation and words, the plainest first."""
    found = _gone(evidence) + [("flood", words) for words in flood_words(evidence)]
    for role, heard in evidence.heard.items():
        if not heard.messages:
            junk = _junk(evidence, role)
            found.append(("identity", f"the {role.value}'s port said nothing that can be read{junk}"))
            continue
        found += _identity_faults(evidence, role)
        if role in evidence.quiet:
            last = moment(evidence, int(heard.at_ns[-1]))
            found.append(("gone", f"the {role.value}'s port fell silent at {last}"))
        lost = _lost_share(evidence, role)
        if lost > rule.lost_at_most:
            found.append((
                "fail",
                f"the {role.value}'s serial line lost {_lost(evidence, role)} of "
                f"{many(heard.messages + _lost(evidence, role), 'message')} ({share(lost)}), "
                f"{share(rule.lost_at_most)} allowed{_system_saw(evidence, role)}",
            ))  # fmt: skip
        found += _layout_faults(evidence, role) + _clock_faults(evidence, role)
    return found


def _system_saw(evidence: Evidence, role: Role) -> str:
    """Say what the PC's own driver counted on the line: it tells a line's losses from a device's."""
    counts = read_line_errors(evidence.recording.marks).get(role.value, {})
    told = clean(trouble(counts))
    return f"; the system itself counted {told} there" if told else ""


def _layout_faults(evidence: Evidence, role: Role) -> list[tuple[str, str]]:
    """Say that messages came whole, of a type that is known, and yet cannot be read."""
    heard = evidence.heard[role]
    if heard.unreadable < FEWEST_UNREADABLE or heard.unreadable < UNREADABLE_SHARE * heard.messages:
        return []
    version = "" if (told := identity(evidence, role)) is None else f" {told.protocol}"
    return [(
        "layout",
        f"{heard.unreadable} of {many(heard.messages, 'message')} from the {role.value} came whole and have "
        f"another layout than bench protocol{version}, which it says it speaks",
    )]  # fmt: skip


def _clock_faults(evidence: Evidence, role: Role) -> list[tuple[str, str]]:
    """Say that a device has no clock, or one so far from microseconds that no time can be trusted."""
    clock = evidence.clocks[role]
    if clock.how == "nothing" and role is Role.TRANSMITTER and not tells_sent(evidence.tells):
        return []
    if clock.how == "nothing":
        return [("identity", f"the {role.value}'s clock cannot be mapped: it sent no time stamp")]
    fast = max((_fast(segment) for segment in clock.segments), key=abs, default=0.0)
    if abs(fast) <= CLOCK_OFF_MOST:
        return []
    words = f"{plain(100 * abs(fast), 1)} % {'fast' if fast > 0 else 'slow'}"
    most = f"{plain(100 * CLOCK_OFF_MOST, 0)} %"
    return [("clock", f"the {role.value}'s clock is {words}, more than {most}: its times tell nothing")]


def _fast(segment: Segment) -> float:
    """Return by how much a device's clock runs fast between the ends of its map; 0 if too short to tell."""
    if not segment.ticks or len(segment.nodes_us) < 2:
        return 0.0
    host_ns = int(segment.nodes_ns[-1] - segment.nodes_ns[0])
    device_ns = int(segment.nodes_us[-1] - segment.nodes_us[0]) * US
    return device_ns / host_ns - 1 if host_ns >= CLOCK_SEEN_NS else 0.0


def _gone(evidence: Evidence) -> list[tuple[str, str]]:
    end = evidence.end
    if end.why not in ("port gone", "error"):
        return []
    when = moment(evidence, end.at_ns)
    if end.why == "error":
        return [("gone", f"the run stopped with an error at {when}: {end.detail or 'no detail'}")]
    port = f" ({end.port})" if end.port else ""
    whose = f"the {end.role}'s port{port}" if end.role else f"a port{port}"
    detail = f": {end.detail}" if end.detail else ""
    return [("gone", f"{whose} was gone at {when}{detail}")]


def _junk(evidence: Evidence, role: Role) -> str:
    heard = evidence.heard[role]
    return f", only {many(heard.size, 'byte')} of junk: wrong baud rate?" if heard.size else ""


def _identity_faults(evidence: Evidence, role: Role) -> list[tuple[str, str]]:
    found = identity(evidence, role)
    if found is None:
        return [("identity", f"the {role.value} never said who it is")]
    if found.role != WIRE_ROLE[role]:
        other = {1: "a transmitter", 2: "a receiver", 3: "a witness"}.get(found.role, "something else")
        return [("identity", f"the {role.value}'s port leads to {other}")]
    return []


def identity(evidence: Evidence, role: Role) -> Identity | None:
    """Return the last identity that a port gave, None without one."""
    given = [note.message for note in evidence.heard[role].others if isinstance(note.message, Identity)]
    return given[-1] if given else None


def _ended_early(evidence: Evidence) -> list[str]:
    """Return in words what cut the run or the recording short."""
    found = []
    end = evidence.end
    if end.why not in ("complete", "port gone", "error", "cut short"):
        detail = f" ({end.detail})" if end.detail else ""
        found.append(f"the run ended early, at {moment(evidence, end.at_ns)}: {end.why}{detail}")
    if evidence.recording.damaged:
        found.append("the recording is damaged")
    elif end.why == "cut short" or not evidence.recording.complete:
        found.append("the recording was cut short")
    for role, silence in evidence.silences:
        if _away(evidence, role, silence):
            continue
        when = moment(evidence, silence.start_ns)
        length = ms(silence.end_ns - silence.start_ns)
        found.append(f"the PC fell silent for {length} at {when}: the {role.value} then lets go by itself")
    for role, stall in evidence.stalls:
        if _away(evidence, role, stall) or any(role is one for one, _ in evidence.silences):
            continue
        when, length = moment(evidence, stall.start_ns), ms(stall.end_ns - stall.start_ns)
        found.append(
            f"nothing got through to the {role.value} for {length} at {when}: it then lets go by itself"
        )
    return found


def _away(evidence: Evidence, role: Role, silence: Span) -> bool:
    """Return whether the PC was silent because the port was gone, which is told apart."""
    return any(
        one.role == role and one.start_ns <= silence.end_ns and silence.start_ns <= one.end_ns
        for one in outages(evidence.restarts)
    )


def outage_words(evidence: Evidence) -> list[str]:
    """Return in words which port was gone, when and for how long, and came back."""
    return [
        f"the {one.role.value}'s port was gone and came back: {plain((one.end_ns - one.start_ns) / S, 1)} s "
        f"from {moment(evidence, one.start_ns)} are not judged"
        for one in outages(evidence.restarts)
        if one.end_ns < evidence.data_end_ns
    ]


def flood_words(evidence: Evidence) -> list[str]:
    """Say which port sent more than was recorded, when, and how much of it was thrown away."""
    words = []
    for role in evidence.heard:
        own = [mark for mark in evidence.recording.marks if mark.fields.get("role") == role]
        starts = [mark.at_ns for mark in own if mark.kind == "flooded"]
        dropped = [mark.fields.get("dropped", 0) for mark in own if mark.kind == "flood over"]
        if starts:
            total = sum(count for count in dropped if isinstance(count, int))
            words.append(
                f"the {role.value}'s port was flooded from {moment(evidence, starts[0])}: "
                f"{many(total, 'byte')} were counted and not recorded"
            )
    return words


def port_words(evidence: Evidence) -> list[str]:
    """Say which ports others had open too, and which are reached through a network, as the header tells."""
    facts = evidence.recording.header.facts
    shared = [
        f"the {role.value}'s port was open in another program too ({foreign(who.encode())}): what that reads "
        "does not come here"
        for role in evidence.heard
        if (who := facts.get(f"{role.value} also open in"))
    ]
    return shared + [
        f"the {role.value}'s port is reached through a network ({told}): its delays are part of the clock's "
        "uncertainty, and the latency timer of the adapter behind it is not known"
        for role in evidence.heard
        if (told := facts.get(f"{role.value} network"))
    ]


def commands_damaged(evidence: Evidence) -> int:
    """Return how many frames from the PC the receiver counted as bad."""
    notes = evidence.heard[Role.RECEIVER].others
    told = [note.message.bad_frames for note in notes if isinstance(note.message, Counters)]
    return max(told, default=0)


def _counts(evidence: Evidence) -> dict[str, int]:
    counts: dict[str, int] = {}
    for role, heard in evidence.heard.items():
        counts[f"{role.value} messages"] = heard.messages
        counts[f"{role.value} messages lost"] = _lost(evidence, role)
        counts[f"{role.value} bad frames"] = heard.bad_frames
        counts[f"{role.value} unknown messages"] = sum(heard.unknown.values()) + heard.unreadable
    counts["bad frames at receiver"] = commands_damaged(evidence)
    return counts


def _messages(missing: int) -> str:
    return many(missing, "message") if missing < MANY else "messages"


def _gap_examples(evidence: Evidence) -> tuple[str, ...]:
    gaps = [
        (before, role.value, missing)
        for role, heard in evidence.heard.items()
        for before, _, missing in heard.gaps[:EXAMPLES].tolist()
    ]
    return tuple(
        f"the {name} lost {_messages(missing)} at {moment(evidence, before)}"
        for before, name, missing in sorted(gaps)[:EXAMPLES]
    )
