"""Where are the simulated devices? The one place in the harness that knows of `mocks`, loaded when needed.

Two kinds: `mock` is a model of both devices in Python, `avr` is real firmware on emulated microcontrollers.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol, cast

from harness.bench.protocol import Bench, Role

if TYPE_CHECKING:
    from harness.plan.model import Link
    from mocks.avr.settings import AvrSettings
    from mocks.devices import Devices
    from mocks.settings import MockSettings
    from mocks.sockets import Listen

KINDS: Final = ("mock", "avr")
"""What a rig file may say after `bench:`, beside serial."""


def mock_settings() -> type[MockSettings]:
    """Return the dataclass of the mock's settings: the keys of a rig file's `mock:` section."""
    from mocks.settings import MockSettings

    return MockSettings


def avr_settings() -> type[AvrSettings]:
    """Return the dataclass of the emulated bench's settings: the keys of a rig file's `avr:` section."""
    from mocks.avr.settings import AvrSettings

    return AvrSettings


def macro_troubles(defines: tuple[str, ...]) -> list[tuple[int, str, str, str]]:
    """Return the macros that no firmware can be built with: place, what is wrong, what may stand, nearest."""
    from mocks.avr.macros import troubles

    return [(index, *trouble) for index, trouble in troubles(defines)]


class Listed(Protocol):
    """What the catalogue says of a defect, whatever bench it is for."""

    name: str
    felt: str
    severity: str
    wrong: str
    cause: str
    caught_by: str
    plan: str
    near_miss: str


def list_defects(kind: str) -> Sequence[Listed]:
    """Return every defect that a bench of this kind can have, by what the pilot would feel."""
    if kind == "avr":
        from mocks.avr.defects import CATALOGUE as FIRMWARE

        return cast("Sequence[Listed]", FIRMWARE)
    from mocks.defects import CATALOGUE

    return cast("Sequence[Listed]", CATALOGUE)


def require_defect(kind: str, name: str | None) -> None:
    """Raise UserError, with the nearest name, unless the defect exists or none is named."""
    from harness.errors import UserError
    from mocks.defects import nearest_defect

    names = [known.name for known in list_defects(kind)]
    if name is None or name in names:
        return
    for other in KINDS:
        if any(known.name == name for known in list_defects(other)):
            raise UserError(
                f"the defect {name} is one of the rig {other}, and the rig {kind} has none of this name; "
                f"use --rig {other}, or a defect that `propsoff defects --rig {kind}` lists"
            )
    raise UserError(nearest_defect(name, names, kind))


def open_mock(
    kind: str, link: Link | None, settings: object, seed: int, defect: str | None, *, near_miss: bool
) -> Bench:
    """Return the virtual bench for a simulated rig's settings.

    Raises UserError for an unknown defect; BenchError if the tools to emulate firmware are missing.
    """
    from mocks.bench import VirtualBench

    return VirtualBench(_devices(kind, link, settings, seed, defect, near_miss=near_miss))


def served_roles(kind: str, settings: Any, defect: str | None, *, near_miss: bool) -> tuple[Role, ...]:
    """Return the ports of a simulated bench; a defect of the mock may bring a witness along."""
    if kind == "mock" and defect:
        from mocks.defects import chosen, find_defect

        settings = chosen(find_defect(defect), near_miss=near_miss)[1].settings(settings)
    roles: tuple[Role, ...] = settings.roles()
    return roles


def serve(
    kind: str,
    link: Link | None,
    settings: object,
    seed: int,
    defect: str | None,
    *,
    near_miss: bool,
    way: Callable[[Devices], None],
) -> None:
    """Serve simulated devices in real time until Ctrl-C, on one of the ways below."""
    way(_devices(kind, link, settings, seed, defect, near_miss=near_miss))


def on_ptys(link_dir: Path | None) -> Callable[[Devices], None]:
    """Return the way by pseudo-terminals, with links in `link_dir`."""
    from mocks import ptys

    return lambda devices: ptys.serve(devices, link_dir=link_dir)


def on_tcp(listen: str, ready: Callable[[Mapping[Role, str]], None]) -> Callable[[Devices], None]:
    """Return the way by TCP ports at `[HOST:]PORT`; `ready` takes their URLs once they listen.

    Raises UserError if that is no place, and when called if nobody can listen there.
    """
    from mocks import sockets

    place = parse_listen(listen)
    return lambda devices: sockets.serve(devices, place, ready=ready)


def parse_listen(text: str) -> Listen:
    """Return where `[HOST:]PORT` is; raises UserError."""
    from harness.errors import UserError
    from mocks.sockets import parse_listen as parse

    try:
        return parse(text)
    except ValueError as error:
        raise UserError(f"--listen {error}") from error


def _devices(
    kind: str, link: Link | None, settings: object, seed: int, defect: str | None, *, near_miss: bool
) -> Devices:
    require_defect(kind, defect)
    if kind == "avr":
        from mocks.avr.boards import open_boards
        from mocks.avr.defects import find_firmware_defect

        assert isinstance(settings, avr_settings())
        fault = find_firmware_defect(defect) if defect else None
        return open_boards(settings, seed, fault, near_miss=near_miss)
    from mocks.defects import find_defect
    from mocks.pair import open_pair

    assert isinstance(settings, mock_settings())
    return open_pair(link, settings, seed, find_defect(defect) if defect else None, near_miss)
