"""What on this bench can take a device's power away, or open the antenna path? The rig's keys for it.

`line` of a device's port names a control line and what it switches, `relay` an adapter of its own for that,
`switch` a second serial device with the
texts that it takes, `by_hand` what somebody does when asked, `boots_within` how long a device takes to boot.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from harness.bench.protocol import BOOTS_NS, TARGETS, ControlLine, Means, Role, Target
from harness.clock import MS, S
from harness.plan.kinds import Choice, Duration, Nested, Text, Whole, key
from harness.plan.reading import Reading
from harness.plan.wording import quoted

BAUD: Final = 9_600
"""What instruments with a serial port are usually set to (common practice, no source)."""
RELAY_NS: Final = 20 * MS
"""Small relays act and stop bouncing in 5 ms to 15 ms (common practice, no source)."""
MOST_TEXT: Final = 256
SWITCHING_KEYS: Final = ("relay", "switch", "by_hand", "boots_within")
"""Keys of a rig file that only concern switches."""
_ACTS_ON = Choice(*TARGETS)
_ESCAPE = re.compile(r"\\(?:([nrt\\])|x([0-9A-Fa-f]{2})|)")
_PLAIN: Final = {"n": "\n", "r": "\r", "t": "\t", "\\": "\\"}
ESCAPES: Final = "write \\n, \\r, \\t, \\\\ or \\xHH with two hexadecimal digits"


@dataclass(frozen=True, slots=True)
class LineKeys:
    """What a control line of a device's port switches."""

    name: Literal["dtr", "rts"] = key(Choice("dtr", "rts"), "Which control line.")
    acts_on: Target = key(_ACTS_ON, "What it takes away: a device's power, or the antenna path.")
    cuts_when: Literal["asserted", "released"] = key(
        Choice("asserted", "released"),
        "State of the line that takes it away. While no program has the port open, lines are released.",
        "asserted",
    )
    takes_ns: int = key(
        Duration(0, 10 * S), "How long the relay or load switch takes at most, either way.", RELAY_NS,
        yaml="takes",
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class RelayKeys:
    """A serial adapter with nothing behind it but what its control line switches."""

    port: str = key(Text(256), "Device name or URL of its port.")
    line: LineKeys = key(Nested(LineKeys), "What its control line switches.")


@dataclass(frozen=True, slots=True)
class SwitchKeys:
    """A second serial device that switches: relay board, programmable supply, attenuator."""

    port: str = key(Text(256), "Device name or URL of its port.")
    baud: int = key(Whole(300, 12_000_000), "Bits per second.", BAUD)
    acts_on: Target = key(_ACTS_ON, "What it takes away: a device's power, or the antenna path.")
    cut: str = key(
        Text(MOST_TEXT, 1, raw=True),
        "What to send to take it away; \\n, \\r, \\t, \\\\ and \\xHH are escapes.",
    )
    restore: str = key(Text(MOST_TEXT, 1, raw=True), "What to send to give it back.")
    ask: str = key(
        Text(MOST_TEXT, raw=True),
        "What to ask after each, such as *OPC?\\n; nothing is asked if left out.",
        "",
    )
    answer: str = key(
        Text(MOST_TEXT), "The answer that says that it is done, without the end of its line.", "1"
    )
    errors: str = key(
        Text(MOST_TEXT, raw=True),
        "What to ask for its error queue after each, such as SYST:ERR?\\n; an answer must then begin with 0.",
        "",
    )
    within_ns: int = key(Duration(10 * MS, 60 * S), "How long it may take to answer.", 2 * S, yaml="within")
    takes_ns: int | None = key(
        Duration(0, 60 * S),
        "How long it takes at most, counted from the command; with `ask` what comes after the answer.",
        None,
        yaml="takes",
    )


@dataclass(frozen=True, slots=True)
class HeldLine:
    """A control line that switches something: `cuts` is its level that takes it away.

    It belongs to the port of a device, or to an adapter of its own at `url`.
    """

    role: Role | None
    line: ControlLine
    cuts: bool
    takes_ns: int
    url: str = ""

    @property
    def whose(self) -> str:
        """Whose port it is, in words."""
        return f"the {self.role}'s port" if self.role is not None else f"the relay's port {self.url}"


@dataclass(frozen=True, slots=True)
class TextDevice:
    """A second serial device: what to send, and what it answers. `takes_ns` as in the rig, 0 with `ask`."""

    url: str
    baud: int
    cut: bytes = field(repr=False)
    restore: bytes = field(repr=False)
    ask: bytes = b""
    answer: bytes = b""
    errors: bytes = b""
    within_ns: int = 2 * S
    takes_ns: int = 0

    def command(self, *, on: bool) -> bytes:
        """What to send."""
        return self.restore if on else self.cut


Switch = HeldLine | TextDevice | Literal["hand"]


@dataclass(frozen=True, slots=True)
class Switching:
    """What can be switched on a bench with real ports, and by what."""

    switches: Mapping[Target, Switch]
    boots_ns: int = BOOTS_NS

    @property
    def means(self) -> Mapping[Target, Means]:
        """Each in a word."""
        return {target: _word(switch) for target, switch in self.switches.items()}

    def held(self, role: Role) -> HeldLine | None:
        """Return the line of a device's port that switches something."""
        lines = (one for one in self.switches.values() if isinstance(one, HeldLine))
        return next((line for line in lines if line.role is role), None)


def _word(switch: Switch) -> Means:
    if isinstance(switch, HeldLine):
        return "line"
    return "device" if isinstance(switch, TextDevice) else "hand"


def unescaped(text: str) -> bytes:
    """Return a rig's text as the bytes to send. Raises ValueError, saying what is wrong."""

    def one(found: re.Match[str]) -> str:
        plain, code = found.groups()
        if plain is None and code is None:
            raise ValueError(f"a backslash before {quoted(text[found.end() : found.end() + 1] or 'the end')}")
        return _PLAIN[plain] if plain else chr(int(code, 16))

    try:
        return _ESCAPE.sub(one, text).encode("latin-1")
    except UnicodeEncodeError as error:
        raise ValueError(f"{quoted(error.object[error.start])} is no single byte") from error


def read_switching(keys: Any, reading: Reading) -> Switching | None:
    """Return what the keys of a rig with real ports say of switches, None if they say nothing.

    Noted as problems: two ways to switch one thing, texts that are none, a device that cannot tell when.
    """
    found: dict[Target, Switch] = {}
    for path, target, switch in _found(keys, reading):
        if target in found:
            what = f"something else on this rig switches the {target} already"
            reading.problem(reading.places[path], path, what, "leave one of the two out")
        elif switch is not None:
            found[target] = switch
    return Switching(found, keys.boots_ns) if found else None


def _found(keys: Any, reading: Reading) -> Iterator[tuple[str, Target, Switch | None]]:
    for role in Role:
        port = getattr(keys, role)
        line: LineKeys | None = port.line if port is not None else None
        if line is not None:
            yield f"{role}.line", line.acts_on, _held(role, line)
    relay: RelayKeys | None = keys.relay
    if relay is not None:
        yield "relay", relay.line.acts_on, _held(None, relay.line, relay.port)
    device: SwitchKeys | None = keys.switch
    if device is not None:
        yield "switch", device.acts_on, _device(device, reading)
    if keys.by_hand is not None:
        yield "by_hand", keys.by_hand, "hand"


def _held(role: Role | None, line: LineKeys, url: str = "") -> HeldLine:
    return HeldLine(role, line.name, line.cuts_when == "asserted", line.takes_ns, url)


def _device(keys: SwitchKeys, reading: Reading) -> TextDevice | None:
    texts: dict[str, bytes] = {}
    for word in ("cut", "restore", "ask", "answer", "errors"):
        try:
            texts[word] = unescaped(getattr(keys, word))
        except ValueError as error:
            path = f"switch.{word}"
            reading.problem(reading.places.get(path, reading.places["switch"]), path, str(error), ESCAPES)
    if len(texts) < 5:
        return None
    if not keys.ask and keys.takes_ns is None:
        told = "without `ask` only `takes` says when it has happened; write `takes: 100 ms`, or what is true"
        reading.problem(reading.places["switch"], "switch", "the key `takes` is missing", told)
    return TextDevice(keys.port, keys.baud, **texts, within_ns=keys.within_ns, takes_ns=keys.takes_ns or 0)


def told_of(switching: Switching) -> dict[str, str]:
    """Return what a recording's facts say of a bench's switches."""
    return {f"{target} is switched": _told(switch) for target, switch in switching.switches.items()}


def _told(switch: Switch) -> str:
    if isinstance(switch, HeldLine):
        state = "asserted" if switch.cuts else "released"
        takes = f"{switch.takes_ns / MS:g} ms"
        return f"off while {switch.line.upper()} of {switch.whose} is {state}, within {takes}"
    if isinstance(switch, TextDevice):
        asked = " and asked whether it is done" if switch.ask else f", within {switch.takes_ns / MS:g} ms"
        return f"by a device on {switch.url}, told by text{asked}"
    return "by hand, when asked to"
