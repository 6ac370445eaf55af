"""Which checks can be judged from what the devices tell? For those that do not speak the bench protocol.

What a device does not tell is not guessed. A check that needs it is inconclusive and says what is missing;
and where lines lost on the way would look like packets that were, no check fails for missing packets.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from harness.bench.protocol import Role
from harness.devices import telling as t
from harness.measure.evidence import Evidence
from harness.measure.telling import lacks
from harness.plan import model as p
from harness.verdict import CheckResult, Verdict

TX: Final = Role.TRANSMITTER
RX: Final = Role.RECEIVER
Tells = Mapping[Role, t.Telling]
NOT_TOLD: Final = CheckResult("", "", Verdict.INCONCLUSIVE, "")
Needs = tuple[tuple[Role, str], ...]
MATCHING: Final[Needs] = ((TX, t.SENT), (TX, t.PACKET_NUMBERS), (RX, t.PACKET_NUMBERS))
STICKS: Final[Needs] = (*MATCHING, (TX, t.SETS), (RX, t.OUTPUTS))
TELEMETRY: Final[Needs] = ((TX, t.TELEMETRY), (RX, t.TELEMETRY))
NEEDS: Final[Mapping[type, Needs]] = MappingProxyType(
    {
        p.Delivery: MATCHING,
        p.PacketRate: ((TX, t.SENT),),
        p.Latency: MATCHING,
        p.ControlAge: STICKS,
        p.LossPattern: MATCHING,
        p.Duplicates: MATCHING,
        p.Order: MATCHING,
        p.Fidelity: STICKS,
        p.OutputRange: ((RX, t.OUTPUTS),),
        p.NoGlitch: STICKS,
        p.Noise: STICKS,
        p.FailsafeEntry: ((RX, t.FAILSAFE),),
        p.FailsafeOutputs: ((RX, t.FAILSAFE), (RX, t.FAILSAFE_OUTPUTS), (RX, t.OUTPUTS)),
        p.FailsafeExit: STICKS,
        p.NoFalseFailsafe: ((RX, t.FAILSAFE),),
        p.StartUp: ((RX, t.STARTS), (RX, t.START_OUTPUTS), *MATCHING),
        p.FailsafeMargin: ((RX, t.FAILSAFE_OUTPUTS), *STICKS),
        p.TelemetryValue: TELEMETRY,
        p.TelemetryAge: TELEMETRY,
        p.Throughput: MATCHING,
        p.BackToBack: MATCHING,
        p.Recovery: MATCHING,
        p.LinkMargin: MATCHING,
        p.Drift: MATCHING,
        p.Pins: STICKS,
    }
)
"""What each check needs to be told; the others need nothing that a device may leave out."""
OF_LATENCY: Final[Mapping[str, Needs]] = MappingProxyType(
    {"stick": STICKS, "acknowledgement": ((TX, t.SENT), (TX, t.ACKS), (TX, t.TOOK))}
)
BY_ABSENCE: Final = (
    p.Delivery, p.LossPattern, p.Latency, p.ControlAge, p.ControlGap, p.FailsafeExit, p.Throughput,
    p.BackToBack, p.Recovery, p.LinkMargin, p.Drift, p.PacketRate,
)  # fmt: skip
"""Checks that fail for reports that did not come."""
FEWEST_BAD_CUTS: Final = 2
"""One lost line can spoil what one cut shows; that the same happens in two is taken for no chance."""


def untold(rule: p.Check, tells: Tells) -> str:
    """Say what a check needs that a device does not tell; empty if nothing is missing."""
    needs = NEEDS.get(type(rule), ())
    if isinstance(rule, p.Latency):
        needs = OF_LATENCY.get(rule.of, MATCHING)
    missing = [(role, thing) for role, thing in needs if lacks(tells, role, thing)]
    if not missing:
        return ""
    role, thing = missing[0]
    speaks = tells[role].speaks
    return f"this cannot be judged here: the {role}, which speaks {speaks}, does not tell {thing}"


def doubt_by_absence(rule: p.Check, found: CheckResult, tells: Tells) -> str:
    """Say why a failed check may be the fault of reports lost on the way that nobody counts; else empty."""
    if found.verdict is not Verdict.FAIL:
        return ""
    role = TX if isinstance(rule, p.PacketRate) else RX
    if not lacks(tells, role, t.COUNT):
        return ""
    few = isinstance(rule, p.FailsafeEntry) and _bad_cuts(found) < FEWEST_BAD_CUTS
    if not (isinstance(rule, BY_ABSENCE) or few):
        return ""
    return (
        f"the {role} does not count its own reports (`count` in the rig's patterns), so that some of them "
        "may have got lost on the serial line"
    )


def as_told(rule: p.Check, found: CheckResult, tells: Tells) -> CheckResult:
    """Return what is left of a result by what the devices tell."""
    if missing := untold(rule, tells):
        return replace(NOT_TOLD, name=found.name, kind=found.kind, reason=missing)
    if doubt := doubt_by_absence(rule, found, tells):
        reason = f"{found.reason}; but {doubt}, so this shows nothing"
        return replace(found, verdict=Verdict.INCONCLUSIVE, reason=reason)
    return found


def _bad_cuts(found: CheckResult) -> int:
    return sum(found.counts.get(what, 0) for what in ("late", "never engaged"))


def telling_notes(evidence: Evidence) -> list[str]:
    """Return what is worth knowing of devices that do not speak the bench protocol."""
    notes = []
    for role, telling in evidence.tells.items():
        things = [thing for thing in t.THINGS if thing in telling.lacks]
        missing = f"; it does not tell {', '.join(things)}" if things else ""
        notes.append(f"the {role} does not speak the bench protocol but {telling.speaks}{missing}")
        if role is TX and not telling.lets_go:
            notes.append(unguarded(role))
    return notes


def unguarded(role: str) -> str:
    """Return the caution about a device that nothing closes if the harness dies."""
    return (
        f"the {role} hears no keep-alive: had this PC or propsoff stopped, nothing would have closed the "
        "throttle"
    )
