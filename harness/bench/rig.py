"""Which bench is meant? A rig file (YAML) or a built-in name becomes one frozen `Rig`; nothing is opened.

    propsoff_rig: 1
    about: The bench in the workshop
    bench: serial
    transmitter: {port: /dev/ttyUSB0, baud: 115200}
    receiver: {port: socket://bench-host:4000}
    witness: {port: /dev/ttyUSB2}

The witness, which measures the receiver's output pulses, may be left out. `unit: left wing` and
`module: bought in May` name what is tested, where somebody wants to know it later.
`speaks` and the keys of `harness.devices.keys` describe a device that does not speak the bench protocol.
With `bench: mock`, a `mock:` section says how the simulated devices differ from ideal ones; with
`bench: avr`, an `avr:` section does so for real firmware on emulated microcontrollers.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any, ClassVar, Final, Literal

from harness.bench.mocked import KINDS, macro_troubles
from harness.bench.ports import DEFAULT_BAUD, PortSpec, same_port_key
from harness.bench.protocol import BOOTS_NS, DEVICES, TARGETS, Role, Target
from harness.bench.switching import SWITCHING_KEYS, LineKeys, RelayKeys, Switching, SwitchKeys, read_switching
from harness.clock import MS, S
from harness.devices.checking import check_device
from harness.devices.keys import DeviceKeys
from harness.errors import Problem, RigError
from harness.plan.fields import read_mapping
from harness.plan.kinds import Choice, Duration, Nested, Text, Whole, key
from harness.plan.reading import Reading
from harness.plan.source import Document, Node, NodeKind, parse_document, read_document
from harness.plan.wording import nearest, quoted

SUFFIXES: Final = (".yaml", ".yml")
UNIT_MAX: Final = 80
"""Characters of a unit's name, and of a module's: they stand in one line of a report."""


@dataclass(frozen=True, slots=True)
class Rig:
    """A bench to be opened. `simulated` holds the settings of a mock or emulated bench, None if serial.

    `name` is the built-in name or the file's stem, `file` the path as given, `text` the file as read. `unit`
    names what is under test, `module` the transceiver module in it; both may be empty.
    """

    name: str
    kind: Literal["mock", "avr", "serial"]
    ports: Mapping[Role, PortSpec]
    simulated: object | None = None
    about: str = ""
    file: str = ""
    text: str = field(default="", repr=False)
    devices: Mapping[Role, DeviceKeys] = field(default_factory=dict)
    """Those that do not speak the bench protocol."""
    switching: Switching | None = None
    unit: str = ""
    module: str = ""

    @property
    def is_hardware(self) -> bool:
        """True when real motors could be attached."""
        return self.kind == "serial"


@dataclass(frozen=True, slots=True)
class PortKeys(DeviceKeys):
    """One device's port in a rig file; the port alone may stand for it."""

    SHORT: ClassVar[str] = "port"
    port: str = key(
        Text(256), "Device name or URL: /dev/ttyUSB0, COM5, socket://HOST:PORT, rfc2217://HOST:PORT."
    )
    baud: int = key(Whole(300, 12_000_000), "Bits per second, as the firmware has it.", DEFAULT_BAUD)
    line: LineKeys | None = key(Nested(LineKeys), "What a control line of this port switches, if any.", None)


@cache
def rig_keys() -> type[Any]:
    """Return the dataclass of a rig file's keys; the mock's settings are looked up when first needed."""
    from harness.bench.mocked import avr_settings, mock_settings

    mock_keys, avr_keys = mock_settings(), avr_settings()

    @dataclass(frozen=True, slots=True)
    class RigKeys:
        format: int = key(Whole(1, 1), "Version of this rig format: 1.", yaml="propsoff_rig")
        about: str = key(Text(4000), "What stands on this bench.", "")
        unit: str = key(Text(UNIT_MAX, bare=True), "Name of the unit under test; `--unit` rules.", "")
        module: str = key(Text(UNIT_MAX, bare=True), "Which transceiver module is fitted, in your words.", "")
        bench: str = key(Choice("serial", *KINDS), "Real ports, simulated devices, or emulated ones.")
        transmitter: PortKeys | None = key(Nested(PortKeys), "Where the transmitter is plugged in.", None)
        receiver: PortKeys | None = key(Nested(PortKeys), "Where the receiver is plugged in.", None)
        witness: PortKeys | None = key(
            Nested(PortKeys), "Where the witness of the receiver's pins is plugged in, if there is one.", None
        )
        relay: RelayKeys | None = key(
            Nested(RelayKeys), "A serial adapter of its own, whose control line switches something.", None
        )
        switch: SwitchKeys | None = key(
            Nested(SwitchKeys),
            "A second serial device that takes power away or opens the antenna path.",
            None,
        )
        by_hand: Target | None = key(
            Choice(*TARGETS), "What somebody at the bench takes away when asked to.", None
        )
        boots_ns: int = key(
            Duration(10 * MS, 60 * S), "How long a device may take to boot once it has power.", BOOTS_NS,
            yaml="boots_within",
        )  # fmt: skip
        mock: Any = key(Nested(mock_keys), "How simulated devices differ from ideal ones.", mock_keys())
        avr: Any = key(Nested(avr_keys), "Firmware on emulated microcontrollers, and its world.", avr_keys())

    return RigKeys


def find_rig(word: str) -> Rig:
    """Return the rig that `word` names: a built-in name, or a rig file with or without its suffix.

    Raises RigError with every problem in the file, or with the names that exist.
    """
    if word in BUILT_IN:
        return BUILT_IN[word]()
    files = [path for path in (word, *(word + suffix for suffix in SUFFIXES)) if os.path.exists(path)]
    if word and files:
        files.sort(key=os.path.isdir)  # benches.yaml is meant, not the folder benches beside it
        return _read(read_document(files[0], RigError))
    found = f"there is no rig called {quoted(word)} and no such file"
    allowed = f"built-in rigs: {', '.join(BUILT_IN)}; anything else is a path to a rig file"
    raise RigError((Problem("--rig", 0, 0, "", found, allowed, nearest(word, BUILT_IN)),))


def parse_rig(text: str, file: str) -> Rig:
    """Return the rig that stands in `text`; `file` is its name in messages. Raises RigError."""
    return _read(parse_document(text, file, RigError))


def _read(document: Document) -> Rig:
    reading = Reading(document)
    keys = read_mapping(document.root, rig_keys(), reading, ignored=("$schema",))
    kind = document.root.get("bench")
    if kind is not None and kind.text in KINDS:
        _refuse_ports(document.root, kind.text, reading)
    elif kind is not None and kind.text == "serial":
        _require_ports(document.root, reading)
    if keys is not None and keys.bench == "avr":
        _check_macros(document.root, keys.avr, reading)
    switching = read_switching(keys, reading) if keys is not None and keys.bench == "serial" else None
    _check_devices(reading)
    reading.finish(RigError)
    assert keys is not None
    simulated = getattr(keys, keys.bench) if keys.bench in KINDS else None
    given = {role: getattr(keys, role) for role in Role}
    plugged = {role: _spec(port, role, switching) for role, port in given.items() if port}
    ports = simulated_ports(simulated) if simulated else plugged
    name = Path(document.file).stem
    devices = {role: port for role, port in given.items() if port and port.is_translated}
    return Rig(
        name, keys.bench, ports, simulated, keys.about, document.file, document.text, devices, switching,
        keys.unit, keys.module,
    )  # fmt: skip


def _check_macros(root: Node, settings: Any, reading: Reading) -> None:
    """Note each macro that the firmware does not know: it would change nothing."""
    section = root.get("avr")
    for word in ("transmitter_defines", "receiver_defines"):
        node = section.get(word) if section is not None else None
        for index, *told in macro_troubles(getattr(settings, word)):
            assert node is not None
            place = node.items[index] if node.kind is NodeKind.SEQUENCE else node
            reading.problem(place, f"avr.{word}[{index}]", *told)


def _check_devices(reading: Reading) -> None:
    """Note what is wrong with devices that do not speak the bench protocol."""
    for role in Role:
        made = reading.made.get(role)
        if isinstance(made, PortKeys):
            check_device(role, made, reading)


def _spec(keys: PortKeys, role: Role, switching: Switching | None) -> PortSpec:
    held = switching.held(role) if switching is not None else None
    return PortSpec(keys.port, keys.baud, (held.line, not held.cuts) if held is not None else None)


_SETS: Final = {
    Role.TRANSMITTER: "baud sets the rate",
    Role.RECEIVER: "baud sets the rate",
    Role.WITNESS: "witness says whether there is one",
}


def _refuse_ports(root: Node, kind: str, reading: Reading) -> None:
    for role in Role:
        node = root.get(role)
        if node is not None:
            reading.problem(
                node,
                role,
                f"a rig with `bench: {kind}` has no ports",
                f"take this out, or write `bench: serial`; {kind}.{_SETS[role]}",
            )
    for word in SWITCHING_KEYS:
        node = root.get(word)
        if node is not None:
            has = "the mock has relays of its own (`switches`)" if kind == "mock" else "write `bench: serial`"
            reading.problem(node, word, f"`bench: {kind}` does not use this", f"take this out; {has}")
    _refuse_sections(root, kind, reading)


def _refuse_sections(root: Node, kind: str, reading: Reading) -> None:
    for other in KINDS:
        node = root.get(other)
        if node is not None and other != kind:
            reading.problem(
                node, other, f"`bench: {kind}` does not use this", f"take this out, or write `bench: {other}`"
            )


def _require_ports(root: Node, reading: Reading) -> None:
    _refuse_sections(root, "serial", reading)
    for role in DEVICES:
        if root.get(role) is None:
            reading.problem(root, "", f"the key `{role}` is missing", "it takes a port, such as /dev/ttyUSB0")
    for role in Role:
        _check_port_name(role, reading)
    _refuse_same_port(reading)


def _check_port_name(role: Role, reading: Reading) -> None:
    path = f"{role}.port"
    node = reading.places.get(path)
    if node is not None and node.kind is NodeKind.SCALAR and not node.text.strip():
        reading.problem(
            node, path, "no port stands here", "write a device name, such as /dev/ttyUSB0 or COM5"
        )


def _refuse_same_port(reading: Reading) -> None:
    """Note at the later of two ports that it is an earlier one again, maybe by another name."""
    whose = (*Role, "relay", "switch")
    found = [(node, role) for role in whose if (node := reading.places.get(f"{role}.port"))]
    found.sort(key=lambda port: (port[0].line, port[0].column))
    taken: dict[str, str] = {}
    for node, role in found:
        if not node.text.strip():
            continue
        first = taken.setdefault(same_port_key(node.text), role)
        if first is not role:
            what = f"{quoted(node.text)} is the {first}'s port too"
            reading.problem(node, f"{role}.port", what, "each device needs a port of its own")


def simulated_ports(settings: Any) -> dict[Role, PortSpec]:
    """Return the ports of a simulated bench: nameless, at the rate that its settings say."""
    return {role: PortSpec("", settings.baud) for role in settings.roles()}


TYPICAL_MOCK: Final = """\
propsoff_rig: 1
about: A healthy link on a desk, as boards and adapters of this kind usually are.
bench: mock
mock:
  loss: 2 %                   # of single transmissions; retransmissions mend nearly all
  receiver_loop: 500 us
  usb_latency: 1 ms
  start_phase: 7 ms
  transmitter_clock_us: 3000000
  receiver_clock_us: 47000000
  transmitter_skew_ppm: 25
  receiver_skew_ppm: -40
  distance: 1 m
  attenuation: 20 dB          # in the antenna line, so that a lower power can lose packets
"""


def _typical_mock() -> Rig:
    return replace(parse_rig(TYPICAL_MOCK, "the built-in rig mock"), name="mock", file="")


def _ideal_mock() -> Rig:
    from harness.bench.mocked import mock_settings

    settings = mock_settings()()
    return Rig("ideal-mock", "mock", simulated_ports(settings), settings, "The mock with every effect off.")


TYPICAL_AVR: Final = """\
propsoff_rig: 1
about: Dunlin's firmware, compiled and run on emulated 8-bit microcontrollers; radio and lines are simulated.
bench: avr
avr:
  loss: 2 %                   # of single transmissions; retransmissions mend nearly all
  usb_latency: 1 ms
  transmitter_skew_ppm: 25
  receiver_skew_ppm: -40
"""


def _typical_avr() -> Rig:
    return replace(parse_rig(TYPICAL_AVR, "the built-in rig avr"), name="avr", file="")


BUILT_IN: Final[Mapping[str, Callable[[], Rig]]] = {
    "mock": _typical_mock,
    "ideal-mock": _ideal_mock,
    "avr": _typical_avr,
}


def serial_rig_text(ports: Mapping[Role, PortSpec], about: str) -> str:
    """Return the text of a rig file for these ports; `parse_rig` reads it back."""
    lines = ["propsoff_rig: 1", f"about: {json.dumps(about)}", "bench: serial"]  # JSON strings are YAML too
    lines += [f"{role}: {{port: {json.dumps(spec.url)}, baud: {spec.baud}}}" for role, spec in ports.items()]
    return "\n".join(lines) + "\n"


def rig_baud(rig: Rig) -> Mapping[Role, int]:
    """Return the bits per second of each port's line."""
    return {role: spec.baud for role, spec in rig.ports.items()}
