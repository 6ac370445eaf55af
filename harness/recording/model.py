"""What happened on the bench, as it stood on the wire: frames, marks and the header they were made under."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, Final

from harness.bench.protocol import Role

UNIT_FACT: Final = "unit"
"""Key of the fact that names the unit under test, where somebody named it."""
MODULE_FACT: Final = "module"
"""Key of the fact that says which transceiver module is fitted, where somebody said so."""


class Direction(IntEnum):
    """Which way a packet went, as pcapng's epb_flags counts it."""

    TO_PC = 1
    TO_DEVICE = 2


@dataclass(frozen=True, slots=True)
class Header:
    """Everything a run was made under; with the packets it is all that judging needs.

    `baud` and `facts` describe the ports; the keys of `baud` say which there are, `beside` names further ones
    whose bytes are kept and never judged. `clock` is `virtual` or
    `monotonic`; `wall_seconds` is the run's start in seconds since 1970, 0 in virtual time so that equal runs
    give equal bytes.
    """

    plan_name: str
    plan_text: str
    rig_name: str
    rig_text: str
    seed: int
    versions: tuple[tuple[str, str], ...]
    clock: str
    wall_seconds: int
    hardware: bool
    baud: Mapping[Role, int]
    facts: Mapping[str, str]
    beside: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Mark:
    """Something the harness did or saw: `kind` names it, `fields` holds JSON values."""

    at_ns: int
    kind: str
    fields: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class PortPackets:
    """One port's packets in time order, as three lists of one length.

    Put end to end, the data of one direction is that direction's byte stream.
    """

    at_ns: list[int]
    direction: list[int]
    data: list[bytes]


@dataclass(frozen=True, slots=True)
class Recording:
    """A recording as read back. `complete` is False if the file stops before its end mark.

    `problems` says in words what was cut short or skipped, each with its byte offset. `damaged` if more is
    wrong than a missing end: then something may be gone from the middle that other data seem to contradict.
    `beside` holds what crossed the ports that are only recorded, by name.
    """

    header: Header
    ports: Mapping[Role, PortPackets]
    marks: tuple[Mark, ...]
    complete: bool
    problems: tuple[str, ...]
    damaged: bool = False
    beside: Mapping[str, PortPackets] = field(default_factory=dict)
