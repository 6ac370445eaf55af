"""How does a rig's description become a device? Lines or records one way, templates the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Protocol

from harness.bench.protocol import Role
from harness.codec import messages as m
from harness.codec.layout import Message
from harness.devices import telling as t
from harness.devices.commands import Commands
from harness.devices.kind import Answer, Item
from harness.devices.telling import Telling


class Reader(Protocol):
    """What reads a device's bytes."""

    def heard(self, data: bytes, at_ns: int) -> list[Item]:
        """Return what the bytes say."""
        ...


class DescribedDevice:
    """A device as a rig describes it: a `harness.devices.kind.Device`."""

    def __init__(
        self, name: str, reader: Reader, commands: Commands, telling: Telling, channels: int, rate_mhz: int
    ) -> None:
        self.name = name
        self.channels = channels
        self.packet_rate_mhz = rate_mhz
        self.telling = telling
        self._reader = reader
        self._commands = commands

    @property
    def abilities(self) -> int:
        """What its templates can do; a restart counts only if the device says that it started."""
        found = self._commands.abilities
        return found & ~m.Ability.RESTART if t.STARTS in self.telling.lacks else found

    def told(self, message: Message, at_ns: int) -> Answer:
        """Return what to write for a message; what it does not know is refused as a device would."""
        if not self._commands.knows(message):
            return Answer(result=m.Result.UNKNOWN)
        answer = self._commands.told(message, at_ns)
        return replace(answer, result=m.Result.DONE) if isinstance(message, m.Setting) else answer

    def heard(self, data: bytes, at_ns: int) -> Sequence[Item]:
        """Return what the bytes say."""
        return self._reader.heard(data, at_ns)


def lacks_of(role: Role, fields: dict[str, tuple[str, ...]], *, sets_are_told: bool) -> frozenset[str]:
    """Return what a device cannot tell whose reports, by kind, carry these fields."""
    if role is Role.RECEIVER:
        return _receiver_lacks(fields)
    found = {t.TELEMETRY}
    sent = fields.get("sent")
    if sent is None:
        return frozenset(
            {*found, t.SENT, t.PACKET_NUMBERS, t.SETS, t.ACKS, t.TOOK, t.TIME, t.COUNT, t.STARTS}
        )
    wanted = {t.PACKET_NUMBERS: "packet", t.ACKS: "acked", t.TOOK: "took us"}
    found |= {thing for thing, field in wanted.items() if field not in sent}
    if "set" not in sent or not sets_are_told:
        found.add(t.SETS)
    if "packet" not in sent and "count" not in sent:
        found.add(t.COUNT)
    return frozenset(found | _common_lacks(fields, "sent"))


def _receiver_lacks(fields: dict[str, tuple[str, ...]]) -> frozenset[str]:
    found = {t.TELEMETRY, t.START_OUTPUTS}
    applied = fields.get("applied", ())
    if "packet" not in applied:
        found.add(t.PACKET_NUMBERS)
    if "channel 1" not in applied:
        found.add(t.OUTPUTS)
    if not all("count" in given for given in fields.values()):
        found.add(t.COUNT)
    if "failsafe" not in fields:
        found |= {t.FAILSAFE, t.FAILSAFE_OUTPUTS}
    elif "channel 1" not in fields["failsafe"]:
        found.add(t.FAILSAFE_OUTPUTS)
    return frozenset(found | _common_lacks(fields, "applied"))


def _common_lacks(fields: dict[str, tuple[str, ...]], main: str) -> set[str]:
    found = set()
    if not all({"us", "ms"} & set(given) for kind, given in fields.items() if kind != "started"):
        found.add(t.TIME)
    if "started" not in fields and not {"us", "ms"} & set(fields.get(main, ())):
        found.add(t.STARTS)
    return found
