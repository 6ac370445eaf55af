"""Is it the bench, and not the link? Serial lines that lost messages, devices that are not what they say."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness.bench.protocol import Role
from harness.clock import US, S
from harness.codec.messages import Identity
from harness.judge.bench import CLOCK_OFF_MOST, CLOCK_SEEN_NS, FEWEST_UNREADABLE, UNREADABLE_SHARE, WIRE_ROLE
from harness.judge.words import plain
from harness.likely import Likely
from harness.measure.clockmap import Segment
from harness.measure.evidence import Evidence
from harness.measure.line_errors import read_line_errors, trouble
from harness.measure.outages import lost_in_outages, outages
from harness.plan.wording import many
from harness.verdict import CheckResult, Verdict
from harness.why.words import CERTAIN, STRONG, failed, percent

NOISY: Final = 3
"""Damaged frames that are no accident any more."""


def unsettled(results: Sequence[CheckResult]) -> tuple[str, ...]:
    """Return the names of all checks that bench trouble can leave open or spoil."""
    open_ones = (Verdict.FAIL, Verdict.ERROR, Verdict.INCONCLUSIVE)
    return tuple(one.name for one in results if one.verdict in open_ones)


def lost_messages(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect a serial line: messages are missing by the sender's own counter, or frames are damaged."""
    names = failed(results, "bench")
    lost = {role: _lost(evidence, role) for role in evidence.heard}
    bad = {role: heard.bad_frames for role, heard in evidence.heard.items()}
    worst = max(evidence.heard, key=lambda role: (lost[role], bad[role]))
    if not names or (lost[worst] == 0 and bad[worst] < NOISY):
        return None
    heard = evidence.heard[worst]
    total = heard.messages + lost[worst]
    system = trouble(read_line_errors(evidence.recording.marks).get(worst.value, {}))
    return Likely(
        key="serial-line",
        title=f"Not your link: the {worst.value}'s serial line lost {lost[worst]} of "
        f"{many(total, 'message')}",
        explains=unsettled(results),
        strength=CERTAIN,
        speaks_for=(
            f"The {worst.value} counts its messages: {percent(lost[worst], total)} never reached the PC, and "
            f"{many(bad[worst], 'frame')} came damaged. The radio has no part in that.",
            *((f"The system itself counted {system} there.",) if system else ()),
        ),
        next_step="Lower the load (fewer reports) or raise the baud rate, shorten the cable, use another "
        "adapter; `propsoff rig` proves both lines in ten seconds. Then run again before looking "
        "at the link.",
    )


def _lost(evidence: Evidence, role: Role) -> int:
    heard = evidence.heard[role]
    return heard.messages_lost - lost_in_outages(heard, role, outages(evidence.restarts))


def port_gone(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect a plug, a hub or a hung device: a port fell silent, or was gone for a while."""
    away = [span for span in evidence.restarts if span.outage]
    quiet = [role.value for role in evidence.quiet]
    silent = [role.value for role, heard in evidence.heard.items() if not heard.messages]
    if not (away or quiet or silent or evidence.end.why == "port gone") or not unsettled(results):
        return None
    if evidence.end.why == "port gone":
        who = evidence.end.role or "device"
        told = f"the {who}'s port went away and did not come back"
    elif quiet or silent:
        told = f"the {(quiet or silent)[0]}'s port fell silent while it was asked"
    else:
        seconds = (away[0].end_ns - away[0].start_ns) / S
        told = f"the {away[0].role.value}'s port was gone for {plain(seconds, 1)} s"
    return Likely(
        key="port-gone",
        title=f"Not your link: {told}",
        explains=unsettled(results),
        strength=CERTAIN if evidence.end.why == "port gone" or silent else STRONG,
        speaks_for=(f"{told[0].upper()}{told[1:]}: what the radio did meanwhile, nobody heard.",),
        next_step="Look at plug, cable and hub, and feed the device from its own supply; a device whose "
        "port falls silent without a restart hangs: connect a pin that its loop toggles.",
    )


def other_layout(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect the firmware's own reports: messages come whole and have another layout than they say."""
    for role, heard in evidence.heard.items():
        few = heard.unreadable < FEWEST_UNREADABLE or heard.unreadable < UNREADABLE_SHARE * heard.messages
        if few or not unsettled(results):
            continue
        return Likely(
            key="report-layout",
            title=f"Not your link: the {role.value}'s reports have another layout than the protocol "
            "that it names",
            explains=unsettled(results),
            strength=CERTAIN,
            speaks_for=(
                f"{heard.unreadable} of {many(heard.messages, 'message')} from the {role.value} came with a "
                "good check, are of a known type, and cannot be read.",
            ),
            next_step="Build firmware and library anew from one version, and run the library's own frames "
            "(`shared/vectors.yaml`) against the firmware.",
        )
    return None


def clock_off(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect a device's clock: it runs too far from microseconds for any time to be trusted."""
    for role, clock in evidence.clocks.items():
        off = max((_fast(part) for part in clock.segments), key=abs, default=0.0)
        names = failed(results, "bench", "latency", "packet_rate", "failsafe_entry", "telemetry_age")
        if abs(off) <= CLOCK_OFF_MOST or not names:
            continue
        return Likely(
            key="clock-off",
            title=f"Not your link: the {role.value}'s clock is {plain(100 * abs(off), 1)} % "
            f"{'fast' if off > 0 else 'slow'}",
            explains=unsettled(results),
            strength=CERTAIN,
            speaks_for=(
                f"Over the run its stamps and the PC's clock differ by {plain(100 * off, 2)} %, where a "
                "crystal is within 0.01 % and a ceramic resonator within half a per cent (common practice).",
            ),
            next_step="Look whether the chip runs from its crystal or from an oscillator of its own "
            "(fuses, start-up code), and whether its timer's divider fits the clock.",
        )
    return None


def _fast(segment: Segment) -> float:
    """Return by how much a device's clock runs fast between the ends of its map; 0 if too short to tell."""
    if not segment.ticks or len(segment.nodes_us) < 2:
        return 0.0
    host_ns = int(segment.nodes_ns[-1] - segment.nodes_ns[0])
    device_ns = int(segment.nodes_us[-1] - segment.nodes_us[0]) * US
    return device_ns / host_ns - 1 if host_ns >= CLOCK_SEEN_NS else 0.0


def wrong_role(evidence: Evidence, results: Sequence[CheckResult]) -> Likely | None:
    """Suspect swapped cables or settings: a device says that it is another one."""
    for role, heard in evidence.heard.items():
        told = [note.message for note in heard.others if isinstance(note.message, Identity)]
        if not told or told[-1].role == WIRE_ROLE[role] or not unsettled(results):
            continue
        return Likely(
            key="wrong-role",
            title=f"Not your link: the device on the {role.value}'s port says that it is another one",
            explains=unsettled(results),
            strength=CERTAIN,
            speaks_for=(
                f"Its identity names role {told[-1].role} where {int(WIRE_ROLE[role])} was expected.",
            ),
            next_step="Swap the two ports in the rig file, or mend the role in the firmware's settings.",
        )
    return None


__all__ = ["clock_off", "lost_messages", "other_layout", "port_gone", "unsettled", "wrong_role"]
