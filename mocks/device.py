"""What do both mock devices have in common? Their clock, their side of the bench port, and letting go.

One object is one life of a device, from its start to its restart, so nothing survives a restart by mistake.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, ClassVar, Final

from harness._version import __version__
from harness.bench.protocol import Role
from harness.clock import MS
from harness.codec.frames import Frame, Splitter, decode_piece, encode_frame
from harness.codec.messages import (
    BY_TYPE,
    DEAD_MAN_MS,
    Ability,
    Burst,
    Deafen,
    Disturb,
    Identify,
    Identity,
    Inject,
    KeepAlive,
    Message,
    MuteAcks,
    Ping,
    Pong,
    Release,
    Reply,
    Restart,
    RestartAt,
    Result,
    Silence,
    StartCause,
    Started,
    WireRole,
    parse,
)
from harness.plan.model import Link
from mocks.line import LineToPC
from mocks.settings import MockSettings
from mocks.world import World

FIRST_TYPE_FROM_DEVICE: Final = 0x40
DEAD_MAN_NS: Final = DEAD_MAN_MS * MS
PPB: Final = 10**9
WRAP_MASK: Final = 2**32 - 1

Handler = Callable[[Any], Result | None]
COMMAND_OF: Final[dict[str, type]] = {
    "burst": Burst,
    "silence": Silence,
    "inject": Inject,
    "mute acks": MuteAcks,
    "restart": Restart,
    "restart at": RestartAt,
    "disturb": Disturb,
    "deafen": Deafen,
}
"""The command that goes with an ability which `lacks` can take away; the ability's own name, in words."""


@dataclass(frozen=True, slots=True)
class Life:
    """How a device begins: why it starts, its clock then (us), and how often it restarted before.

    Whatever counts packets starts at `packet`.
    """

    cause: StartCause
    clock_us: int
    restarts: int
    packet: int = 0

    def after(self, clock_us: int = 0, packet: int = 0) -> Life:
        """Return the life that follows when a command restarts the device."""
        return Life(StartCause.COMMAND, clock_us, self.restarts + 1, packet)


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a device stands in: the world's time, its line to the PC, the settings, the link it was built for.

    `restart` takes the old device; the port makes a new one from it.
    """

    world: World
    line: LineToPC
    settings: MockSettings
    link: Link
    restart: Callable[[Device], None]


class Device:
    """One life of a device. Subclasses add the radio side and their commands."""

    ROLE: ClassVar[Role]
    WIRE_ROLE: ClassVar[WireRole]
    ABILITIES: ClassVar[Ability]

    def __init__(self, around: Surroundings, life: Life, skew_ppm: int) -> None:
        self.around = around
        self.world = around.world
        self.settings = around.settings
        self.link = around.link
        self.life = life
        self.next_life = life.after()
        """How the device begins when it restarts."""
        self.alive = True
        self.bad_frames = 0
        self.started_ns = self.world.now_ns
        self._rate_ppb = PPB + 1_000 * skew_ppm
        self._counter = 0
        self._splitter = Splitter()
        self._write = around.line.write
        self._heard_ns: int | None = None
        self._watching = False
        self._handlers: dict[type, Handler] = {
            Identify: self._identify,
            Ping: self._ping,
            KeepAlive: self._keep_alive,
            Release: self._release,
            Restart: self._restart,
            RestartAt: self._restart_at,
            **self.commands(),
        }
        self._lacks = self._unlearn(around.settings.lacks)

    def _unlearn(self, lacks: tuple[str, ...]) -> Ability:
        """Forget the commands that the settings take away; return the abilities that go with them."""
        missing = Ability(0)
        for word in lacks:
            if word in COMMAND_OF:
                self._handlers.pop(COMMAND_OF[word], None)
                missing |= Ability[word.replace(" ", "_").upper()]
        return missing

    def commands(self) -> dict[type, Handler]:
        """Return what this kind of device does with its own commands; None as an answer sends no reply."""
        raise NotImplementedError

    def name(self) -> str:
        """Return the name of its firmware."""
        return f"mock {self.ROLE.value}"

    def let_go(self) -> None:
        """End every override at once: the harness released the device, or is gone."""
        raise NotImplementedError

    def start(self) -> None:
        """Begin: print the banner and say that the device started."""
        banner = self.settings.banner
        if banner:
            self._write(banner.encode() + b"\r\n", self.world.now_ns)
        self.say(Started(self.life.cause, self.now_us()))

    def now_us(self) -> int:
        """Return the device's own time in us, modulo 2**32."""
        elapsed = (self.world.now_ns - self.started_ns) * self._rate_ppb // 1_000_000_000_000
        return (self.life.clock_us + elapsed) & WRAP_MASK

    def us_at(self, at_ns: int) -> int:
        """Return the device's own time at a true time in ns of this life, in us, modulo 2**32."""
        return (self.life.clock_us + (at_ns - self.started_ns) * self._rate_ppb // (PPB * 1_000)) & WRAP_MASK

    def ticks(self, unit_us: int, bits: int) -> int:
        """Return what a counter of the firmware's own shows that counts units of `unit_us`, modulo 2**bits.

        It is 0 when the clock is. A clock started in its upper half counts towards its wrap, and then the
        counter is as far before its own: so `RestartAt` brings every wrap near.
        """
        ahead_us = self.life.clock_us - (self.life.clock_us > WRAP_MASK // 2) * (WRAP_MASK + 1)
        elapsed_us = (self.world.now_ns - self.started_ns) * self._rate_ppb // 1_000_000_000_000
        return (ahead_us + elapsed_us) // unit_us & (1 << bits) - 1

    def span_ns(self, nominal_ns: int) -> int:
        """Return the true length of what this device's clock measures as `nominal_ns`."""
        return nominal_ns * PPB // self._rate_ppb

    def say(self, message: Message) -> None:
        """Send a message to the PC."""
        self.say_packed(message.TYPE, message.pack())

    def say_packed(self, kind: int, payload: bytes) -> None:
        """Send a packed message to the PC; its counter goes up whether or not the line takes it."""
        counter = self._counter
        self._counter = (counter + 1) & 0xFFFF
        self._write(encode_frame(kind, counter, payload), self.world.now_ns)

    def receive(self, data: bytes) -> None:
        """Take bytes from the PC and carry out the commands in them."""
        for piece in self._splitter.feed(data):
            frame = decode_piece(piece)
            if type(frame) is Frame:
                self._obey(frame)
            elif len(piece) > 1:
                self.bad_frames = (self.bad_frames + 1) & 0xFFFF

    def _obey(self, frame: Frame) -> None:
        message = parse(frame)
        if message is not None:
            handler = self._handlers.get(type(message))
            result = handler(message) if handler is not None else self._unknown(frame.type)
        elif frame.type in BY_TYPE:
            self.bad_frames = (self.bad_frames + 1) & 0xFFFF
            return
        else:
            result = self._unknown(frame.type)
        if result is not None:
            self.say(Reply(frame.type, frame.counter, result, self.now_us()))

    @staticmethod
    def _unknown(kind: int) -> Result | None:
        return Result.UNKNOWN if kind < FIRST_TYPE_FROM_DEVICE else None

    def _identify(self, _: Identify) -> None:
        self.say(
            Identity(
                self.settings.protocol_version,
                self.WIRE_ROLE,
                len(self.link.channels),
                self.packet_rate_mhz(),
                self.abilities() & ~self._lacks,
                self.name(),
                __version__,
                self.settings.unit_serial,
            )
        )

    def abilities(self) -> Ability:
        """Return what the device can do."""
        return self.ABILITIES

    def packet_rate_mhz(self) -> int:
        """Return the packet rate that the device is set to."""
        return self.link.packet_rate_mhz

    def _ping(self, ping: Ping) -> None:
        self.say(Pong(ping.nonce, self.now_us()))

    def _keep_alive(self, _: KeepAlive) -> None:
        self._heard_ns = self.world.now_ns
        if not self._watching:
            self._watching = True
            self.world.at(self._heard_ns + self.span_ns(DEAD_MAN_NS), self._look_for_harness, None)

    def _look_for_harness(self, _: None) -> None:
        """Act as dead-man's switch, looking again only when the last keep-alive heard would be too old."""
        self._watching = False
        if self._heard_ns is None or not self.alive:
            return
        due_ns = self._heard_ns + self.span_ns(DEAD_MAN_NS)
        if due_ns > self.world.now_ns:
            self._watching = True
            self.world.at(due_ns, self._look_for_harness, None)
            return
        self._heard_ns = None
        self.let_go()

    def _release(self, _: Release) -> None:
        self._heard_ns = None
        self.let_go()

    def _restart(self, _: Restart) -> Result:
        self.world.at(self.world.now_ns, self._go_down, None)
        return Result.DONE

    def _restart_at(self, command: RestartAt) -> Result:
        self.next_life = self.life.after(command.clock_us, command.packet)
        self.world.at(self.world.now_ns, self._go_down, None)
        return Result.DONE

    def _go_down(self, _: None) -> None:
        if self.alive:
            self.alive = False
            self.around.restart(self)
