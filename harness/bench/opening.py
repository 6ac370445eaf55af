"""How does a rig become an open bench: real ports, or the mock."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Final

from harness.bench import mocked
from harness.bench.ports import PortSpec
from harness.bench.protocol import Bench, Role
from harness.bench.rig import Rig, serial_rig_text
from harness.errors import UserError

if TYPE_CHECKING:
    from harness.clock import Clock
    from harness.plan.model import Link

MOCK_ABOUT: Final = "Written by `propsoff mock`: its devices on pseudo-terminals, while it runs."
NETWORK_ABOUT: Final = "Written by `propsoff mock --listen`: its devices on TCP ports, while it runs."
OWN: Final = (MOCK_ABOUT, NETWORK_ABOUT)


def open_bench(
    rig: Rig,
    link: Link,
    seed: int,
    *,
    defect: str | None = None,
    near_miss: bool = False,
    clock: Clock | None = None,
    real_time: bool = False,
) -> Bench:
    """Open the bench for a run over `link`; the caller closes it.

    `seed` and `defect` (a name from the catalogue, or with `near_miss` its harmless neighbour) concern mocks;
    `clock` and `real_time` (see `harness.bench.promptness`) are for real ports. Raises BenchError if a port
    does not open, UserError if the defect is unknown or the rig is hardware, which has only those it has.
    """
    if rig.is_hardware:
        if defect:
            raise UserError(
                f"--defect is for mocks and the rig {rig.name} is hardware; leave it out, or use --rig mock"
            )
        from harness.bench.serial import SerialBench

        bench: Bench = SerialBench(rig.ports, clock, real_time=real_time)
        if rig.switching is not None:
            from harness.bench.switches import SwitchedBench

            bench = SwitchedBench(bench, rig.switching)
        return translated(bench, rig, link)
    return mocked.open_mock(rig.kind, link, rig.simulated, seed, defect, near_miss=near_miss)


def translated(bench: Bench, rig: Rig, link: Link) -> Bench:
    """Return the bench, its devices that do not speak the bench protocol translated as the rig says.

    Raises UserError if an installed device kind does not start; the bench is closed then.
    """
    if not rig.devices:
        return bench
    from harness.bench.translated import TranslatedBench
    from harness.devices.making import make_device

    try:
        devices = {role: make_device(role, keys, link.rest_us) for role, keys in rig.devices.items()}
    except BaseException:
        bench.close()
        raise
    return TranslatedBench(bench, devices)


def serve_mock(
    rig: Rig,
    link: Link | None,
    seed: int,
    *,
    defect: str | None = None,
    near_miss: bool = False,
    link_dir: Path | None = None,
    listen: str | None = None,
) -> None:
    """Serve the rig's simulated devices on pseudo-terminals in real time until Ctrl-C; prints their names.

    Without a `link` the mock has its own. With `link_dir`, links with the roles' names are made
    there, and a rig file `rig.yaml` that names them. With `listen`, `[HOST:]PORT`, it is served on TCP ports
    instead, and a `link_dir` gets the rig file alone. Raises UserError if the rig is hardware, the defect
    unknown, or something of another's stands in the way.
    """
    if rig.is_hardware:
        raise UserError(
            f"the rig {rig.name} names real ports; `propsoff mock` needs a rig with `bench: mock` or `avr`"
        )
    mocked.require_defect(rig.kind, defect)
    baud = rig.ports[Role.TRANSMITTER].baud
    if listen is not None:

        def ready(urls: Mapping[Role, str]) -> None:
            if link_dir is not None:
                _write_rig(link_dir, urls, baud, NETWORK_ABOUT)

        way = mocked.on_tcp(listen, ready)
    else:
        way = mocked.on_ptys(link_dir)
        if link_dir is not None:
            roles = mocked.served_roles(rig.kind, rig.simulated, defect, near_miss=near_miss)
            _write_rig(link_dir, {role: str(link_dir.resolve() / role) for role in roles}, baud, MOCK_ABOUT)
    mocked.serve(rig.kind, link, rig.simulated, seed, defect, near_miss=near_miss, way=way)


def _write_rig(folder: Path, names: Mapping[Role, str], baud: int, about: str) -> None:
    """Write the rig file for a served mock, but not over a file that says something else."""
    ports = {role: PortSpec(name, baud) for role, name in names.items()}
    file, text = folder / "rig.yaml", serial_rig_text(ports, about)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if file.exists() and not any(own in file.read_text(errors="replace") for own in OWN):
            raise UserError(f"{file} is a file of yours and would be overwritten; name another directory")
        file.write_text(text)
    except OSError as error:
        raise UserError(f"{file} cannot be written: {error.strerror}; name another directory") from error
