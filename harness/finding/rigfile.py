"""What is written down of what was found? A rig file with comments, complete or not at all."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from harness.bench.ports import scheme
from harness.bench.protocol import DEVICES, Role
from harness.errors import BenchError, UserError
from harness.finding.answers import Answer, device_name, particulars
from harness.finding.listing import Found
from harness.report.escape import clean
from harness.report.files import write_whole

HEAD: Final = """\
propsoff_rig: 1
# Written by `propsoff rig`, from the devices that answered. Edit it as you like; `propsoff rig --check FILE`
# proves it again. Before a run that moves something: propellers off, model tied down, current-limited supply.
about: A bench with real ports.           # your words, for the report
bench: serial                             # real ports; `mock` and `avr` are simulated and have none

# Each device has a port of its own.
#   port: a device name, COM5, rfc2217://HOST:PORT or socket://HOST:PORT
#   baud: bits per second, as the firmware has it; a port that stands alone (`receiver: COM5`) has 115200
"""
MORE: Final = """
# shared/bench.md tells of further keys: what cuts a device's power or the antenna path (`line`, `relay`,
# `switch`, `by_hand`), and devices that print lines or send records of their own (`speaks`).
"""
NO_WITNESS: Final = """
# A spare board that times the pulses on the receiver's output pins, if you have one:
# witness: {port: PORT, baud: 115200}
"""
LASTING: Final = "this name stays with the adapter"


@dataclass(frozen=True, slots=True)
class Placed:
    """A device with its port."""

    found: Found
    answer: Answer


def placed(found: list[Found], answers: list[Answer]) -> dict[Role, Placed]:
    """Return which port leads to which device. Raises BenchError unless both are there, each once."""
    places: dict[Role, list[Placed]] = {}
    for port, answer in zip(found, answers, strict=True):
        if answer.role is not None:
            places.setdefault(answer.role, []).append(Placed(port, answer))
    for role, several in places.items():
        if len(several) > 1:
            names = " and ".join(clean(one.found.name) for one in several)
            raise BenchError(
                f"{len(several)} ports answer as {role}: {names}; unplug one, or name the ports to take "
                "(propsoff rig FILE PORT PORT)",
                role=role,
            )
    missing = [role for role in DEVICES if role not in places]
    if missing:
        raise BenchError(_missing(missing, found, answers), role=missing[0])
    return {role: places[role][0] for role in Role if role in places}


def _missing(missing: list[Role], found: list[Found], answers: list[Answer]) -> str:
    who = " and no ".join(missing)
    lines = [f"no {who} answered, so no rig file is written"]
    for port, answer in zip(found, answers, strict=True):
        lines.append(f"  {clean(port.name)}: {answer.found}")
        if answer.mend and "\n" not in answer.mend:
            lines.append(f"    -> {answer.mend}")
    if not found:
        lines.append("  there is no serial port to ask; `propsoff ports` says what to look at")
    else:
        lines.append("  `propsoff ports --ask` tells more of each port")
    return "\n".join(lines)


def rig_text(places: Mapping[Role, Placed]) -> str:
    """Return the text of a rig file; `harness.bench.rig.parse_rig` reads it."""
    parts = [HEAD]
    for role, place in places.items():
        identity = place.answer.identity
        assert identity is not None
        parts.append(
            f"\n# {device_name(identity)}: {particulars(identity)}\n{_name_comment(place.found)}"
            f"{role}: {{port: {json.dumps(place.found.name)}, baud: {place.answer.baud}}}\n"
        )
    if Role.WITNESS not in places:
        parts.append(NO_WITNESS)
    parts.append(MORE)
    return "".join(parts)


def _name_comment(found: Found) -> str:
    if scheme(found.name):
        return "# a port over the network: its times are less certain\n"
    if found.may_change:
        return f"# this name may change: {clean(found.may_change)}\n"
    device = f" (now {clean(found.device)})" if found.device != found.name else ""
    return f"# {LASTING}{device}\n"


def require_free(file: Path, *, overwrite: bool) -> None:
    """Raise UserError if something stands where the file would go and may not be written over."""
    if file.is_dir():
        raise UserError(f"{file} is a folder; name a file, such as my-bench.yaml")
    if os.path.lexists(file) and not overwrite:
        raise UserError(
            f"{file} is there already and stays as it is; name another file, or add --overwrite. "
            f"To prove it as it stands: propsoff rig --check {file}"
        )


def write_rig(file: Path, text: str, *, overwrite: bool) -> None:
    """Write the file whole or not at all, and over another only if told. Raises UserError, StorageError."""
    require_free(file, overwrite=overwrite)
    write_whole(file, text.encode(), overwrite=overwrite)
