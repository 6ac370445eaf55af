"""What can the devices of this recording not tell? For those that do not speak the bench protocol."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS, US, S
from harness.devices.telling import PACKET_NUMBERS, SENT, TIME, Telling, from_facts
from harness.measure.clockmap import Coarse
from harness.measure.exchanges import BITS_A_BYTE

SENDING_NS: Final = 10 * MS
"""A few retransmissions take so long (common practice, no source)."""


def read_tellings(facts: Mapping[str, str], roles: Iterable[Role]) -> dict[Role, Telling]:
    """Return what each device that does not speak the bench protocol can tell, from a recording's facts."""
    found = {role: from_facts(facts, role) for role in roles}
    return {role: telling for role, telling in found.items() if telling is not None}


def lacks(tells: Mapping[Role, Telling], role: Role, thing: str) -> bool:
    """Return whether a device cannot tell a thing (a word of `harness.devices.telling`)."""
    return role in tells and thing in tells[role].lacks


def are_numbered(tells: Mapping[Role, Telling]) -> bool:
    """Return whether both devices tell packet numbers, so that packets can be matched."""
    return not any(lacks(tells, role, thing) for role in DEVICES for thing in (PACKET_NUMBERS, SENT))


def tells_sent(tells: Mapping[Role, Telling]) -> bool:
    """Return whether the transmitter tells what it sends."""
    return not lacks(tells, Role.TRANSMITTER, SENT)


def coarse_of(role: Role, telling: Telling, baud: int) -> Coarse:
    """Return how coarse a device's stamps are: the step, and the byte times of its longest report.

    A transmitter that tells no time reports a packet when it is done with it, maybe after retransmissions.
    """
    line_ns = telling.longest * BITS_A_BYTE * S // baud if baud > 0 else 0
    sending_ns = SENDING_NS if role is Role.TRANSMITTER and TIME in telling.lacks else 0
    return Coarse(telling.step_us * US, line_ns + sending_ns)


__all__ = ["are_numbered", "coarse_of", "lacks", "read_tellings", "tells_sent"]
