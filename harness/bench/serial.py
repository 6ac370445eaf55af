"""A bench on two real serial ports: anything pyserial can open, timed as close to the wire as it gets."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from harness.bench.adapter import prepare
from harness.bench.claim import claim, release
from harness.bench.line_errors import LineErrors
from harness.bench.network import describe, quicken
from harness.bench.ports import PortSpec, open_port, scheme
from harness.bench.promptness import Promptness
from harness.bench.protocol import Chunk, ControlLine, Role
from harness.bench.readers import DirectPorts, OpenPort, Ports, ThreadedPorts, can_read_directly
from harness.bench.reopening import Reopening
from harness.clock import SystemClock
from harness.errors import BenchError

if TYPE_CHECKING:
    from serial import Serial

    from harness.clock import Clock

__all__ = ["PortSpec", "SerialBench"]


class SerialBench:
    """Two serial ports, open from construction to `close`; BenchError if one of them does not open.

    A port that goes away during a run: what had arrived before is returned first, then `advance` raises
    BenchError once and afterwards goes on with the port that is left, so that a throttle can still be
    closed. `send` to a gone port raises every time.
    """

    def __init__(
        self, ports: Mapping[Role, PortSpec], clock: Clock | None = None, *, real_time: bool = False
    ) -> None:
        self._clock = clock or SystemClock()
        self._prompt = Promptness(real_time=real_time)
        self._facts: dict[str, str] = dict(self._prompt.facts)
        self._errors: dict[Role, LineErrors] = {}
        self._specs = dict(ports)
        self._open: dict[Role, OpenPort] = {}
        self._held: list[Chunk] = []
        self._closed = False
        self._reopening = Reopening()
        try:
            for role, spec in self._specs.items():
                self._open_one(role, spec)
            self._ports = self._start_reading()
        except BaseException:
            self._close_all()
            raise

    def _open_one(self, role: Role, spec: PortSpec) -> None:
        self._take_open(role, spec, open_port(role, spec, self.now_ns(), self._specs))

    def _take_open(self, role: Role, spec: PortSpec, port: Serial) -> None:
        self._open[role] = OpenPort(spec.url, port)
        quicken(port)
        claim(port)
        self._facts |= {f"{role} {topic}": text for topic, text in prepare(port, spec).items()}
        self._facts |= {f"{role} {topic}": text for topic, text in describe(port, spec).items()}
        self._errors[role] = LineErrors(port)

    def reopen(self, role: Role) -> None:
        """Open a gone port again by its name, exclusive and prepared as before; raises BenchError."""
        if self._closed:
            raise self._after_close(role)
        spec, old, now_ns = self._specs[role], self._open[role], self.now_ns()
        self._ports.let_go(role)

        def opens() -> Serial:
            _let_go(old)  # takes a moment over a network
            return open_port(role, spec, now_ns, self._specs)

        port = self._reopening.port(role, spec.url, opens)
        self._take_open(role, spec, port)
        self._ports.take_back(role, self._open[role])

    def wait(self, until_ns: int) -> None:
        """Wait until `until_ns`, whatever became of the ports."""
        self._clock.sleep_until_ns(until_ns)

    def _start_reading(self) -> Ports:
        direct = all(can_read_directly(port) for port in self._open.values())
        self._facts["reading"] = "by descriptor" if direct else "by one thread a port"
        return DirectPorts(self._open, self._clock) if direct else ThreadedPorts(self._open, self._clock)

    @property
    def is_hardware(self) -> bool:
        """True: whatever is on the other end of a serial port may turn a propeller."""
        return True

    @property
    def is_virtual(self) -> bool:
        """False: this bench waits."""
        return False

    @property
    def baud(self) -> Mapping[Role, int]:
        """Bits per second of each port's line."""
        return {role: spec.baud for role, spec in self._specs.items()}

    @property
    def facts(self) -> Mapping[str, str]:
        """What is known of the ports; dropped bytes are counted up to the moment of the call."""
        dropped = {role: self._ports.dropped(role) for role in self._specs}
        return self._facts | {f"{role} dropped bytes": str(count) for role, count in dropped.items() if count}

    def line_errors(self) -> Mapping[Role, Mapping[str, int]]:
        """Return what went wrong on each line since it was opened, as far as the system counts it."""
        dropped = {role: self._ports.dropped(role) for role in self._specs}
        told = {role: self._errors[role].since_opening() for role in self._open}
        return {
            role: counts | ({"dropped bytes": dropped[role]} if dropped[role] else {})
            for role, counts in told.items()
        }

    def now_ns(self) -> int:
        """Return the time of the bench's clock in ns."""
        return self._clock.now_ns()

    def send(self, role: Role, data: bytes) -> int:
        """Write `data` to the port and return the time just before, in ns."""
        if self._closed:
            raise self._after_close(role)
        return self._ports.send(role, data)

    def advance(self, until_ns: int) -> Sequence[Chunk]:
        """Wait until `until_ns`; return what arrived, at most about 1 MiB, in order of arrival.

        It sleeps to 300 us before `until_ns` and spins from there. Chunks outlive an interrupt: what was read
        before a KeyboardInterrupt comes with the next call.
        """
        if self._closed:
            raise self._after_close(next(iter(self._specs)))
        ports = self._ports
        if len(ports.gone) == len(self._specs) and not ports.lost and not self._held:
            raise next(iter(ports.gone.values()))
        ports.gather(until_ns, self._held)
        if ports.lost and not self._held:
            raise ports.lost.pop(0)
        chunks, self._held = self._held, []
        return chunks

    def control(self, role: Role, line: ControlLine, *, level: bool) -> bool:
        """Set a modem control line; returns False where the port has none, or the server does not say so."""
        if self._closed:
            raise self._after_close(role)
        if scheme(self._specs[role].url) == "socket":
            return False
        try:
            setattr(self._open[role].serial, line, level)
        except (OSError, ValueError):  # ValueError: an RFC 2217 server that does not confirm it within 3 s
            return False
        return True

    def close(self) -> None:
        """Give the ports back; a port that is gone already is fine."""
        if not self._closed:
            self._ports.stop()
        self._close_all()

    def _close_all(self) -> None:
        self._closed = True
        self._reopening.give_up()
        for port in self._open.values():
            _let_go(port)
        self._open.clear()
        self._prompt.undo()

    def _after_close(self, role: Role) -> BenchError:
        url = self._specs[role].url
        return BenchError(
            f"{role} port {url}: the bench is closed", role=role.value, port=url, at_ns=self.now_ns()
        )


def _let_go(port: OpenPort) -> None:
    """Close a port, which may be gone."""
    plain = getattr(port.serial, "_socket", None)
    release(port.serial)
    with contextlib.suppress(OSError):
        port.serial.close()
    if plain is not None:
        plain.close()  # pyserial leaves it open if the other end hung up first
