"""What can be set on the emulated bench? The world around the boards, and how their firmware is built."""

from __future__ import annotations

from dataclasses import dataclass

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS
from harness.plan.kinds import Choice, Duration, Items, Text, Whole, key
from mocks.settings import WorldSettings


@dataclass(frozen=True, slots=True)
class AvrSettings(WorldSettings):
    """Everything that can be set on the emulated bench."""

    witness: str = key(
        Choice("captured", "firmware", "none"),
        "Who measures the receiver's pins: the emulator to the cycle, the witness firmware on a third board, "
        "or nobody.",
        "captured",
    )
    transmitter_defines: tuple[str, ...] = key(
        Items(Text(51)), "Macros for the transmitter's firmware: NAME or NAME=NUMBER.", ()
    )
    receiver_defines: tuple[str, ...] = key(
        Items(Text(51)), "Macros for the receiver's firmware: NAME or NAME=NUMBER.", ()
    )
    power_on_within_ns: int = key(
        Duration(0, 10_000 * MS),
        "Each board is switched on at a random moment in this time.",
        20 * MS,
        yaml="power_on_within",
    )
    supply_mv: int = key(Whole(0, 20_000), "Supply voltage that the receiver measures, in mV.", 7_400)
    temperature_degc: int = key(Whole(-40, 125), "Temperature that the receiver measures.", 21)

    def roles(self) -> tuple[Role, ...]:
        """Return the ports of this bench."""
        return DEVICES if self.witness == "none" else (*DEVICES, Role.WITNESS)
