"""What must a device kind do? Bytes and times in, messages of the bench protocol out, and the way back.

A *device kind* stands between a port whose device does not speak the bench protocol and the rest of the
harness. Lines of text and binary records are built in. Others come from installed packages by the entry point
group `propsoff.devices`; each names a callable that takes a `Setup` and returns a `Device`:

    [project.entry-points."propsoff.devices"]
    my-telemetry-radio = "my_package:make_device"
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple, Protocol

from harness.bench.protocol import Role
from harness.codec.codes import Result
from harness.codec.layout import Message
from harness.devices.telling import Telling

GROUP: Final = "propsoff.devices"
MAX_WRITTEN: Final = 4096
"""Bytes that one message may become on the port."""
MAX_PRINTED: Final = 100
"""Characters of one printed line that are kept."""


class Write(NamedTuple):
    """Bytes for the device, to be written at `at_ns` or as soon afterwards as can be."""

    data: bytes
    at_ns: int = 0


class Lost(NamedTuple):
    """So many of the device's reports are known, or must be feared, to be missing at this place."""

    messages: int = 1


class Printed(NamedTuple):
    """Something that the device said and that is no report: shown in the run's report, never judged."""

    text: str


Item = Message | Lost | Printed


@dataclass(frozen=True, slots=True)
class Answer:
    """What became of a message for the device: bytes to write, and what is answered in its stead.

    With `forget` everything that still waits to be written to this device is dropped first. `result` is for
    commands that are replied to; None leaves the harness without a reply. A silence or disturbance is only
    ever refused this way: when it began is not known here.
    """

    writes: tuple[Write, ...] = ()
    messages: tuple[Message, ...] = ()
    forget: bool = False
    result: Result | None = None


@dataclass(frozen=True, slots=True)
class Setup:
    """What a device kind is made from.

    `role` is the port's, `options` the rig's `options:` as text. `rest_us` are the plan's channels at rest.
    """

    role: Role
    rest_us: tuple[int, ...] = ()
    options: Mapping[str, str] = field(default_factory=dict)


class Device(Protocol):
    """One device on one port. Times are the bench's, in ns; nothing here may read another clock or wait.

    The same calls must give the same results: a recording is translated again to check it. `told` and `heard`
    must take anything; a kind that raises ends the run as bench trouble.
    """

    @property
    def name(self) -> str:
        """What to call it in reports, at most 24 bytes of UTF-8."""
        ...

    @property
    def channels(self) -> int:
        """Channels that it takes or shows, 0 to 16."""
        ...

    @property
    def packet_rate_mhz(self) -> int:
        """Control packets in 1000 s; 0 if not known."""
        ...

    @property
    def abilities(self) -> int:
        """`harness.codec.messages.Ability` bits: which messages `told` can carry out."""
        ...

    @property
    def telling(self) -> Telling:
        """What it cannot tell, and how coarse its times are."""
        ...

    def told(self, message: Message, at_ns: int) -> Answer:
        """Return what to write for a message of the harness; `Identify` never comes here."""
        ...

    def heard(self, data: bytes, at_ns: int) -> Sequence[Item]:
        """Return what the bytes say that arrived at `at_ns`, at most one item a byte and 16 more.

        What has come only in part is kept for the next call, bounded.
        """
        ...
