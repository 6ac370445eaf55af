"""What every bench can do, so that real ports, pseudo-terminals and the mock are interchangeable.

A bench moves bytes and knows the time; it knows nothing of frames, plans or verdicts.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from enum import StrEnum
from typing import Final, Literal, NamedTuple, Protocol, TypeVar, cast


class Role(StrEnum):
    """Which device a port leads to."""

    TRANSMITTER = "transmitter"
    RECEIVER = "receiver"
    WITNESS = "witness"


DEVICES: Final = (Role.TRANSMITTER, Role.RECEIVER)
"""The two devices under test, which every bench has; a witness of the receiver's pins stands on some."""


class Chunk(NamedTuple):
    """Bytes that arrived together on one port; `at_ns` is stamped when the last of them had arrived."""

    role: Role
    data: bytes
    at_ns: int


ControlLine = Literal["dtr", "rts"]


WITHOUT_POWER: Final = "without transmit power"
"""Key of the fact that says what gives this bench a transmit power to set, if it has none and could."""


class Bench(Protocol):
    """Two bench ports or three. Times are ns on the bench's own clock: it starts anywhere, never goes back.

    Every method may raise `harness.errors.BenchError` naming role, port and time when a port is gone.
    """

    @property
    def is_hardware(self) -> bool:
        """True when real motors could be attached: cautions and the throttle cap apply."""
        ...

    @property
    def is_virtual(self) -> bool:
        """True when time is simulated: `advance` costs no waiting and every run is repeatable."""
        ...

    @property
    def baud(self) -> Mapping[Role, int]:
        """Bits per second of each port's line (8N1: ten bits a byte); the keys say which ports there are."""
        ...

    @property
    def facts(self) -> Mapping[str, str]:
        """What is known of the ports, for the recording: names, adapters, latency timers, oddities."""
        ...

    def now_ns(self) -> int:
        """Return the time."""
        ...

    def send(self, role: Role, data: bytes) -> int:
        """Hand `data` to the port and return the time just before, in ns. Never waits for an answer."""
        ...

    def advance(self, until_ns: int) -> Sequence[Chunk]:
        """Let time pass until `until_ns` and return what arrived, in order of arrival.

        Returns at once with what is there if `until_ns` has passed. Virtual benches simulate; real ones wait.
        """
        ...

    def control(self, role: Role, line: ControlLine, *, level: bool) -> bool:
        """Set a modem control line; returns False where the port has none (a pseudo-terminal)."""
        ...

    def close(self) -> None:
        """Give the ports back. May be called twice."""
        ...


Beside = Callable[[str, bool, bytes, int], None]
"""Takes bytes that crossed a further port: its name, whether they go to the device, they, and when in ns."""


class WithBeside(Protocol):
    """What some benches have beside the ports of the devices: ports whose bytes are only recorded.

    So are the bytes of a device that does not speak the bench protocol, and those of one that switches power.
    """

    @property
    def beside(self) -> tuple[str, ...]:
        """Names of these ports, at most 8, each of at most 40 printable ASCII characters."""
        ...

    def tap(self, on_bytes: Beside) -> None:
        """Hand all that crosses these ports from now on to `on_bytes`."""
        ...


class WithLineErrors(Protocol):
    """What real ports can tell beside: what their drivers, and we, counted as gone wrong."""

    def line_errors(self) -> Mapping[Role, Mapping[str, int]]:
        """Return for each port counts since it was opened, by name; empty where nobody counts."""
        ...


class Replugged(Protocol):
    """What some benches can do beside: open a port again that is gone."""

    def reopen(self, role: Role) -> None:
        """Open the port of the same name once more; raises BenchError while it cannot be had."""
        ...

    def wait(self, until_ns: int) -> None:
        """Let time pass while no port is left."""
        ...


class Attenuated(Protocol):
    """What a simulated bench can do beside: a hand that turns the attenuator between the radios."""

    @property
    def has_attenuator(self) -> bool:
        """Whether there is one."""
        ...

    def turn_attenuator(self, attenuation_x10: int) -> None:
        """Set it, in tenths of a dB."""
        ...


Target = Literal["transmitter power", "receiver power", "antenna"]
TARGETS: Final[tuple[Target, ...]] = ("transmitter power", "receiver power", "antenna")
"""What can be switched off on a bench, beside what the devices' firmware does on command."""
Means = Literal["line", "device", "hand"]
"""By what: a control line of a port, a second serial device, or somebody who is asked to."""
BOOTS_NS: Final = 3_000_000_000
"""Time for a board to boot once it has power, unless the rig says otherwise (common practice, no source)."""


class Moment(NamedTuple):
    """When something was switched: no sooner and no later than these, in ns."""

    earliest_ns: int
    latest_ns: int


class Switched(Protocol):
    """What some benches can do beside: take power from a device, or open the antenna path."""

    @property
    def means(self) -> Mapping[Target, Means]:
        """What can be switched, and by what; a hand is not asked by the bench."""
        ...

    @property
    def boots_ns(self) -> int:
        """How long a device may take to boot once it has power, in ns."""
        ...

    @property
    def patience_ns(self) -> int:
        """How long `switched` may return None after a call of `switch`, in ns."""
        ...

    def switch(self, target: Target, *, on: bool) -> None:
        """Begin to switch; returns at once. Raises BenchError if that cannot be done."""
        ...

    def switched(self, target: Target) -> Moment | None:
        """Return when the last call of `switch` took effect, None while that is not known yet.

        Raises BenchError if it was not confirmed in time.
        """
        ...


Extra = TypeVar("Extra")


def extra(bench: Bench, kind: type[Extra]) -> Extra | None:
    """Return the bench as one that can do more, such as `WithBeside`; None if it, or what it wraps, cannot.

    `isinstance` would not do: a bench around another hands on by name what only the inner one has.
    """
    members = [name for name in vars(kind) if not name.startswith("_")]
    return cast("Extra", bench) if all(hasattr(bench, name) for name in members) else None
