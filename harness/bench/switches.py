"""How is something on a real bench switched, and when did it happen? Around any bench, by line or by text.

A control line acts between the two instants around the call, and as much later as its relay takes. A second
device acts between the command and its answer, or within a declared time where it is not asked. What it
answers is untrusted: bounded, escaped, waited for no longer than the rig says.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from typing import Any, Final, NoReturn

from harness.bench.ports import PortSpec, explain_failure
from harness.bench.protocol import (
    Bench,
    Beside,
    Chunk,
    ControlLine,
    Means,
    Moment,
    Role,
    Target,
    WithBeside,
    extra,
)
from harness.bench.switching import HeldLine, Switching, TextDevice, told_of
from harness.clock import MS, S
from harness.errors import BenchError

SWITCH: Final = "switch"
"""Name of the second device's bytes in a recording."""
MOST_ANSWER: Final = 256
"""Bytes of answers that are kept; what comes beyond them without the right answer is none."""
SLACK_NS: Final = 100 * MS
WRITE_S: Final = 0.5


class TextSwitch:
    """A second device while a bench is open: one order at a time, its answers looked at when asked."""

    def __init__(self, device: TextDevice, port: Any, bench: Bench) -> None:
        self._device = device
        self._port = port
        self._bench = bench
        self.on_bytes: Beside = lambda *_: None
        self._asked: list[bytes] = []
        self._came = b""
        self._since_ns = 0
        self._began_ns = 0
        self._moment: Moment | None = None

    def order(self, *, on: bool) -> None:
        """Send a command, and the questions behind it. Raises BenchError if the port does not take it."""
        self._read()  # what came before answers nothing
        self._came = b""
        self._moment = None
        self._asked = [text for text in (self._device.ask, self._device.errors) if text]
        self._began_ns = self._since_ns = self._bench.now_ns()
        self._write(self._device.command(on=on))
        if self._asked:
            self._write(self._asked[0])
        else:
            self._moment = Moment(self._began_ns, self._bench.now_ns() + self._device.takes_ns)

    def moment(self) -> Moment | None:
        """Return when the last order took effect, None while that is not known. Raises BenchError."""
        now_ns = self._bench.now_ns()
        if self._asked:
            self._listen(now_ns)
        moment = self._moment
        return moment if not self._asked and moment is not None and now_ns >= moment.latest_ns else None

    def _listen(self, now_ns: int) -> None:
        self._came = (self._came + self._read())[: MOST_ANSWER + 1]
        *lines, _ = self._came.replace(b"\r", b"\n").split(b"\n")
        if any(self._is_answer(line.strip()) for line in lines):
            self._next(now_ns)
        elif len(self._came) > MOST_ANSWER or now_ns - self._since_ns > self._device.within_ns:
            self._refuse()

    def _is_answer(self, line: bytes) -> bool:
        """Whether a line answers what is asked; an empty error queue says 0 (SCPI-1999, 21.8)."""
        if self._asked[0] == self._device.ask:
            return line == self._device.answer.strip()
        return line.partition(b",")[0].lstrip(b"+-") == b"0"

    def _next(self, now_ns: int) -> None:
        """Go on to the next question; the first answer tells when it happened."""
        if self._moment is None:
            self._moment = Moment(self._began_ns, now_ns + self._device.takes_ns)
        del self._asked[0]
        self._came, self._since_ns = b"", now_ns
        if self._asked:
            self._write(self._asked[0])

    def _refuse(self) -> NoReturn:
        device, asked = self._device, self._asked[0]
        came = f"{shown(self._came)} came" if self._came else "nothing came"
        wanted = device.answer if asked == device.ask else b"0, and its text,"
        self._asked = []
        raise self._trouble(
            f"{shown(asked)} was asked and {came}, where {shown(wanted)} should within "
            f"{device.within_ns / S:g} s; look at its baud rate, its cable, whether it is switched to "
            "remote, and at `ask`, `answer` and `within` in the rig"
        )

    def _write(self, data: bytes) -> None:
        self.on_bytes(SWITCH, True, data, self._bench.now_ns())
        try:
            self._port.write(data)
        except (OSError, ValueError) as error:
            raise self._trouble(f"{shown(data)} could not be sent: {type(error).__name__}") from error

    def _read(self) -> bytes:
        try:
            data: bytes = self._port.read(MOST_ANSWER)
        except (OSError, ValueError) as error:
            raise self._trouble(f"it is gone: {type(error).__name__}; look at the cable") from error
        if data:
            self.on_bytes(SWITCH, False, data, self._bench.now_ns())
        return data

    def _trouble(self, why: str) -> BenchError:
        url = self._device.url
        return BenchError(f"switch port {url}: {why}", role=SWITCH, port=url, at_ns=self._bench.now_ns())

    def close(self) -> None:
        """Give the port back."""
        with contextlib.suppress(OSError):
            self._port.close()


def shown(data: bytes) -> str:
    """Return bytes of a device as bounded, printable text in quotes."""
    text = ascii(data[:80].decode("latin-1"))
    return text if len(data) <= 80 else f"{text} and more"


def open_switch(device: TextDevice, at_ns: int) -> Any:
    """Open a second device's port, to be read without waiting. Raises BenchError."""
    settings: dict[str, Any] = {"timeout": 0}
    if not device.url.lower().startswith("rfc2217:"):
        settings["write_timeout"] = WRITE_S
    return open_beside(SWITCH, PortSpec(device.url, device.baud), settings, at_ns)


def open_beside(name: str, spec: PortSpec, settings: dict[str, Any], at_ns: int) -> Any:
    """Open a port that leads to no device under test; a held line has its level before. Raises BenchError."""
    import serial

    if not spec.url.lower().startswith("rfc2217:"):
        settings = settings | {"exclusive": True}
    try:
        port = serial.serial_for_url(spec.url, baudrate=spec.baud, do_not_open=True, **settings)
        if spec.held is not None:
            setattr(port, *spec.held)
        port.open()
    except (OSError, ValueError, NotImplementedError, ImportError, LookupError, TypeError) as error:
        message = f"{name} port {spec.url}: {explain_failure(error, spec)}"
        raise BenchError(message, role=name, port=spec.url, at_ns=at_ns) from error
    return port


class SwitchedBench:
    """A bench on which something can be switched; everything else is as with `inner`, which it closes."""

    def __init__(self, inner: Bench, switching: Switching) -> None:
        self._inner = inner
        self._switching = switching
        self._moments: dict[Target, Moment] = {}
        self._text: TextSwitch | None = None
        self._relay: Any = None
        self._facts = told_of(switching)
        try:
            self._require_lines()
            for device in switching.switches.values():
                if isinstance(device, TextDevice):
                    self._text = TextSwitch(device, open_switch(device, inner.now_ns()), inner)
        except BaseException:
            self.close()
            raise

    def _require_lines(self) -> None:
        """Set every line to what feeds the bench. Raises BenchError where a port has none."""
        for held in self._switching.switches.values():
            if isinstance(held, HeldLine):
                if held.url:
                    spec = PortSpec(held.url, held=(held.line, not held.cuts))
                    self._relay = open_beside("relay", spec, {}, self._inner.now_ns())
                self._set(held, on=True)

    def __getattr__(self, name: str) -> Any:
        """Whatever else the bench underneath can do."""
        return getattr(self._inner, name)

    # -- switching -----------------------------------------------------------------------------------

    @property
    def means(self) -> Mapping[Target, Means]:
        """What can be switched, and by what."""
        return self._switching.means

    @property
    def boots_ns(self) -> int:
        """How long a device may take to boot."""
        return self._switching.boots_ns

    @property
    def patience_ns(self) -> int:
        """How long the slowest switch may take, questions included."""
        return max(map(_patience_ns, self._switching.switches.values())) + SLACK_NS

    def switch(self, target: Target, *, on: bool) -> None:
        """Begin to switch; returns at once."""
        switch = self._switching.switches[target]
        if isinstance(switch, HeldLine):
            self._moments[target] = self._set(switch, on=on)
        elif isinstance(switch, TextDevice):
            assert self._text is not None
            self._text.order(on=on)

    def switched(self, target: Target) -> Moment | None:
        """Return when the last order took effect, None as long as that may be still to come."""
        if isinstance(self._switching.switches[target], TextDevice):
            assert self._text is not None
            return self._text.moment()
        moment = self._moments[target]
        return moment if self._inner.now_ns() >= moment.latest_ns else None

    def _set(self, held: HeldLine, *, on: bool) -> Moment:
        before_ns = self._inner.now_ns()
        done = self._hold(held, level=held.cuts is not on)
        if not done:
            raise BenchError(
                f"{held.whose} has no control line {held.line.upper()} to switch with; use an "
                "adapter that has one, or take `line` out of the rig",
                role=held.role.value if held.role is not None else "relay",
                port=held.url or self._inner.facts.get(f"{held.role} port", ""),
                at_ns=before_ns,
            )
        return Moment(before_ns, self._inner.now_ns() + held.takes_ns)

    def _hold(self, held: HeldLine, *, level: bool) -> bool:
        if held.role is not None:
            return self._inner.control(held.role, held.line, level=level)
        try:
            setattr(self._relay, held.line, level)
        except (OSError, ValueError):
            return False
        return not held.url.lower().startswith("socket:")

    # -- ports beside --------------------------------------------------------------------------------

    @property
    def beside(self) -> tuple[str, ...]:
        """Names of the ports whose bytes are only recorded."""
        further = extra(self._inner, WithBeside)
        others = further.beside if further is not None else ()
        return (*others, SWITCH) if self._text is not None else others

    def tap(self, on_bytes: Beside) -> None:
        """Hand all that crosses these ports to `on_bytes`."""
        further = extra(self._inner, WithBeside)
        if further is not None:
            further.tap(on_bytes)
        if self._text is not None:
            self._text.on_bytes = on_bytes

    # -- the bench underneath ------------------------------------------------------------------------

    @property
    def is_hardware(self) -> bool:
        """As underneath."""
        return self._inner.is_hardware

    @property
    def is_virtual(self) -> bool:
        """As underneath."""
        return self._inner.is_virtual

    @property
    def baud(self) -> Mapping[Role, int]:
        """As underneath."""
        return self._inner.baud

    @property
    def facts(self) -> Mapping[str, str]:
        """As underneath, and what is switched by what."""
        return {**self._inner.facts, **self._facts}

    def now_ns(self) -> int:
        """Return the time."""
        return self._inner.now_ns()

    def send(self, role: Role, data: bytes) -> int:
        """Hand `data` to the port."""
        return self._inner.send(role, data)

    def advance(self, until_ns: int) -> Sequence[Chunk]:
        """Let time pass."""
        return self._inner.advance(until_ns)

    def control(self, role: Role, line: ControlLine, *, level: bool) -> bool:
        """Set a modem control line."""
        return self._inner.control(role, line, level=level)

    def close(self) -> None:
        """Give the ports back."""
        if self._text is not None:
            self._text.close()
        if self._relay is not None:
            with contextlib.suppress(OSError):
                self._relay.close()
        self._inner.close()


def _patience_ns(switch: object) -> int:
    if isinstance(switch, TextDevice):
        return 2 * switch.within_ns + switch.takes_ns
    return switch.takes_ns if isinstance(switch, HeldLine) else 0
