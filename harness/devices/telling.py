"""What can a device not tell, and how coarse are its times? Stands in the recording, for whoever judges it.

Each word of `THINGS` goes behind "it does not tell".

A fact of the recording's header, `ROLE tells`, as JSON: untrusted when it is read back.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from harness.bench.protocol import Role

PACKET_NUMBERS: Final = "packet numbers"
SENT: Final = "what it sends"
SETS: Final = "which sticks a packet carried"
ACKS: Final = "which packets were acknowledged"
TOOK: Final = "when a packet was acknowledged"
TIME: Final = "its time"
COUNT: Final = "how many reports it made"
OUTPUTS: Final = "its outputs"
FAILSAFE: Final = "when failsafe begins"
FAILSAFE_OUTPUTS: Final = "its outputs in failsafe"
STARTS: Final = "when it starts"
START_OUTPUTS: Final = "its outputs after a start"
TELEMETRY: Final = "telemetry"
THINGS: Final = (
    PACKET_NUMBERS, SENT, SETS, ACKS, TOOK, TIME, COUNT, OUTPUTS, FAILSAFE, FAILSAFE_OUTPUTS, STARTS,
    START_OUTPUTS, TELEMETRY,
)  # fmt: skip
MOST_US: Final = 1_000_000
_NAME: Final = re.compile(r"[A-Za-z0-9 ._-]{1,40}", re.ASCII)
"""Names of kinds that are shown as they are: nothing that a terminal or a page could take for more."""
_MAX_BYTES: Final = 4096


@dataclass(frozen=True, slots=True)
class Telling:
    """`lacks` are words of `THINGS`; its stamps count in steps of `step_us`; a report is `longest` bytes.

    `lets_go` says whether a transmitter closes the throttle by itself when the harness dies. `speaks` is the
    name of its kind.
    """

    speaks: str
    lacks: frozenset[str] = frozenset()
    step_us: int = 1
    longest: int = 64
    lets_go: bool = False


def fact_key(role: str) -> str:
    """Return the key of the fact that says what the device of a role tells."""
    return f"{role} tells"


def to_fact(telling: Telling) -> str:
    """Return a telling as the text of a fact."""
    return json.dumps(
        {
            "speaks": telling.speaks,
            "lacks": [thing for thing in THINGS if thing in telling.lacks],
            "step_us": telling.step_us,
            "longest": telling.longest,
            "lets_go": telling.lets_go,
        }
    )


def from_facts(facts: Mapping[str, str], role: str) -> Telling | None:
    """Return what the facts say of a device; None for one that speaks the bench protocol.

    A fact that cannot be read says that the device can tell nothing at all: no verdict rests on doubt.
    """
    text = facts.get(fact_key(role))
    if text is None:
        return None
    unknown = Telling("something unknown", frozenset(THINGS), MOST_US, _MAX_BYTES, lets_go=False)
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return unknown
    if not isinstance(found, dict) or not isinstance(found.get("lacks"), list):
        return unknown
    lacks = frozenset(thing for thing in THINGS if thing in found["lacks"])
    speaks = found.get("speaks")
    return Telling(
        speaks if isinstance(speaks, str) and _NAME.fullmatch(speaks) else unknown.speaks,
        lacks,
        _whole(found.get("step_us"), 1, MOST_US),
        _whole(found.get("longest"), 0, _MAX_BYTES),
        lets_go=found.get("lets_go") is True,
    )


def _whole(value: object, low: int, high: int) -> int:
    return min(max(value, low), high) if isinstance(value, int) and not isinstance(value, bool) else high


def tellings(facts: Mapping[str, str]) -> dict[str, Telling]:
    """Return what each device that does not speak the bench protocol can tell, by its role's word."""
    found = {role.value: from_facts(facts, role) for role in Role}
    return {role: telling for role, telling in found.items() if telling is not None}


def cautions(facts: Mapping[str, str]) -> tuple[str, ...]:
    """Return what to say before a run about devices that nothing makes safe if the harness dies."""
    return tuple(
        f"the {role} hears no keep-alive: if this PC or propsoff stops, nothing closes the throttle. Keep a "
        "hand at the supply's switch, or give its firmware one and the rig `tell.keep_alive`"
        for role, telling in tellings(facts).items()
        if role == Role.TRANSMITTER and not telling.lets_go
    )
