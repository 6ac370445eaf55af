"""Which bench is meant? A rig file (YAML) or a built-in name becomes one frozen `Rig`; nothing is opened.

    propsoff_rig: 1
    about: The bench in the workshop
    bench: serial
    transmitter: {port: /dev/ttyUSB0, baud: 115200}
    receiver: {port: socket://bench-pi:4000}

With `bench: mock`, a `mock:` section says how the simulated devices differ from ideal ones.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Any, ClassVar, Final, Literal

from harness.bench.ports import DEFAULT_BAUD, PortSpec, same_port_key
from harness.bench.protocol import Role
from harness.errors import Problem, RigError
from harness.plan.fields import read_mapping
from harness.plan.kinds import Choice, Nested, Text, Whole, key
from harness.plan.reading import Reading
from harness.plan.source import Document, Node, NodeKind, parse_document, read_document
from harness.plan.wording import nearest, quoted

SUFFIXES: Final = (".yaml", ".yml")


@dataclass(frozen=True, slots=True)
class Rig:
    """A bench to be opened. `mock` holds the mock's settings (`mocks.settings.MockSettings`), None if serial.

    `name` is the built-in name or the file's stem, `file` the path as given, `text` the file as read.
    """

    name: str
    kind: Literal["mock", "serial"]
    ports: Mapping[Role, PortSpec]
    mock: object | None = None
    about: str = ""
    file: str = ""
    text: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class PortKeys:
    """One device's port in a rig file; the port alone may stand for it."""

    SHORT: ClassVar[str] = "port"
    port: str = key(
        Text(256), "Device name or URL: /dev/ttyUSB0, COM5, socket://HOST:PORT, rfc2217://HOST:PORT."
    )
    baud: int = key(Whole(300, 12_000_000), "Bits per second, as the firmware has it.", DEFAULT_BAUD)


@cache
def rig_keys() -> type[Any]:
    """Return the dataclass of a rig file's keys; the mock's settings are looked up when first needed."""
    from harness.bench.mocked import mock_settings

    settings = mock_settings()

    @dataclass(frozen=True, slots=True)
    class RigKeys:
        format: int = key(Whole(1, 1), "Version of this rig format: 1.", yaml="propsoff_rig")
        about: str = key(Text(4000), "What stands on this bench.", "")
        bench: str = key(Choice("serial", "mock"), "Real ports, or simulated devices.")
        transmitter: PortKeys | None = key(Nested(PortKeys), "Where the transmitter is plugged in.", None)
        receiver: PortKeys | None = key(Nested(PortKeys), "Where the receiver is plugged in.", None)
        mock: Any = key(Nested(settings), "How simulated devices differ from ideal ones.", settings())

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
    if kind is not None and kind.text == "mock":
        _refuse_ports(document.root, reading)
    elif kind is not None and kind.text == "serial":
        _require_ports(document.root, reading)
    reading.finish(RigError)
    assert keys is not None
    mock = keys.mock if keys.bench == "mock" else None
    ports = _mock_ports(mock) if mock else {role: _spec(getattr(keys, role)) for role in Role}
    name = Path(document.file).stem
    return Rig(name, keys.bench, ports, mock, keys.about, document.file, document.text)


def _spec(keys: PortKeys) -> PortSpec:
    return PortSpec(keys.port, keys.baud)


def _refuse_ports(root: Node, reading: Reading) -> None:
    for role in Role:
        node = root.get(role)
        if node is not None:
            reading.problem(
                node,
                role,
                "a mock rig has no ports",
                "take this out, or write `bench: serial`; mock.baud sets the rate",
            )


def _require_ports(root: Node, reading: Reading) -> None:
    mock = root.get("mock")
    if mock is not None:
        reading.problem(
            mock, "mock", "a serial rig simulates nothing", "take this out, or write `bench: mock`"
        )
    for role in Role:
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
    """Note at the second of two ports that it is the first one again, maybe by another name."""
    found = [(node, role) for role in Role if (node := reading.places.get(f"{role}.port"))]
    found.sort(key=lambda port: (port[0].line, port[0].column))
    texts = [node.text for node, _ in found if node.text.strip()]
    if len(texts) == len(Role) and same_port_key(texts[0]) == same_port_key(texts[1]):
        node, role = found[1]
        what = f"{quoted(node.text)} is the {found[0][1]}'s port too"
        reading.problem(node, f"{role}.port", what, "each device needs a port of its own")


def _mock_ports(settings: Any) -> dict[Role, PortSpec]:
    return {role: PortSpec("", settings.baud) for role in Role}


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
"""


def _typical_mock() -> Rig:
    return replace(parse_rig(TYPICAL_MOCK, "the built-in rig mock"), name="mock", file="")


def _ideal_mock() -> Rig:
    from harness.bench.mocked import mock_settings

    settings = mock_settings()()
    return Rig("ideal-mock", "mock", _mock_ports(settings), settings, "The mock with every effect off.")


BUILT_IN: Final[Mapping[str, Callable[[], Rig]]] = {"mock": _typical_mock, "ideal-mock": _ideal_mock}


def serial_rig_text(ports: Mapping[Role, PortSpec], about: str) -> str:
    """Return the text of a rig file for these ports; `parse_rig` reads it back."""
    lines = ["propsoff_rig: 1", f"about: {json.dumps(about)}", "bench: serial"]  # JSON strings are YAML too
    lines += [f"{role}: {{port: {json.dumps(spec.url)}, baud: {spec.baud}}}" for role, spec in ports.items()]
    return "\n".join(lines) + "\n"


def rig_baud(rig: Rig) -> Mapping[Role, int]:
    """Return the bits per second of each port's line."""
    return {role: spec.baud for role, spec in rig.ports.items()}
