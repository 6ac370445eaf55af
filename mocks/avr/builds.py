"""Which firmware runs on which board? The reference firmwares, compiled with the macros asked for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import Final

from harness.bench.protocol import Role
from harness.errors import UserError
from mocks.avr.defects import FirmwareDefect
from mocks.avr.macros import FIRMWARE, REFERENCE, Trouble, read_macro
from mocks.avr.settings import AvrSettings
from mocks.avr.toolchain import build_firmware, require_tools

LIBRARY: Final = FIRMWARE / "bench_port.c"
PARTS: Final[Mapping[Role, tuple[str, ...]]] = {
    Role.TRANSMITTER: ("transmitter.c", "bench_side.c", "board.c", "radio.c"),
    Role.RECEIVER: ("receiver.c", "bench_side.c", "board.c", "radio.c", "servo.c"),
    Role.WITNESS: ("witness.c", "bench_side.c", "board.c"),
}
ROLES: Final = {Role.TRANSMITTER: 1, Role.RECEIVER: 2, Role.WITNESS: 4}
"""The library is built for the board's own role alone, as a maker would."""


@dataclass(frozen=True, slots=True)
class Builds:
    """Flash images by role, and the defect that is compiled in, for the record."""

    images: Mapping[Role, bytes]
    defect: str

    def facts(self) -> dict[str, str]:
        """Return the SHA-256 of each image, shortened: says which build was tested."""
        return {f"{role} firmware": sha256(image).hexdigest()[:16] for role, image in self.images.items()}


def build_all(settings: AvrSettings, defect: FirmwareDefect | None, *, near_miss: bool) -> Builds:
    """Return the firmware of every board that `settings` ask for.

    Raises BenchError if tools are missing or a build fails, UserError if a macro is none.
    """
    require_tools()
    rate = {"BENCH_BAUD": settings.baud}  # as the PC's side has it, unless a macro says otherwise
    macros_of = {
        Role.TRANSMITTER: rate | _macros(settings.transmitter_defines),
        Role.RECEIVER: rate | _macros(settings.receiver_defines),
        Role.WITNESS: rate,
    }
    name = "none"
    if defect is not None:
        name = f"near-miss of {defect.name}" if near_miss else defect.name
        macros_of[Role.TRANSMITTER] |= defect.near_transmitter if near_miss else defect.transmitter
        macros_of[Role.RECEIVER] |= defect.near_receiver if near_miss else defect.receiver
    boards = [Role.TRANSMITTER, Role.RECEIVER]
    if settings.witness == "firmware":
        boards.append(Role.WITNESS)
    return Builds({role: build_role(role, macros_of[role]) for role in boards}, name)


def _macros(defines: tuple[str, ...]) -> dict[str, int]:
    found: dict[str, int] = {}
    for text in defines:
        macro = read_macro(text)
        if isinstance(macro, Trouble):
            raise UserError(f"{macro.found}; {macro.allowed}")
        found[macro[0]] = macro[1]
    return found


def build_role(role: Role, defines: Mapping[str, int]) -> bytes:
    """Return the flash image of one reference firmware."""
    sources = [LIBRARY, *(REFERENCE / name for name in PARTS[role])]
    return build_firmware(sources, {"BENCH_ROLES": ROLES[role], **defines}, (FIRMWARE, REFERENCE)).image
