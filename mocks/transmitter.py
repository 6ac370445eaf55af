"""What does the mock transmitter do? Sample the sticks at its own packet rate, send, retransmit, report.

Left out: radio channels, binding. Its own sticks rest, or come from `mocks.inputs`.
"""

from __future__ import annotations

from typing import ClassVar

from harness.bench.protocol import Role
from harness.clock import US
from harness.codec.messages import (
    NO_SET,
    SENT_ACKED,
    SENT_IN_BURST,
    Ability,
    Burst,
    Disturb,
    Disturbance,
    Result,
    Sent,
    Setting,
    SettingId,
    Silence,
    Sticks,
    Telemetry,
    WireRole,
)
from mocks.air import FOREIGN, Air, Packet
from mocks.device import Device, Handler, Life, Surroundings
from mocks.disturbing import Disturbing
from mocks.inputs import Inputs
from mocks.telemetry import payload_bytes

TOOK_US_MAX = 65_535
FOREIGN_START = 40_000
"""Number of the first packet of another transmitter: far from the link's own in all but long runs."""
Sample = tuple[int, tuple[int, ...]]
"""Number of a stick set, and its pulses in us."""
_SETTING_RANGE: dict[int, tuple[int, int]] = {
    SettingId.PACKET_RATE_MHZ: (1_000, 1_000_000),
    SettingId.RETRANSMIT_LIMIT: (0, 15),
    SettingId.RETRANSMIT_DELAY_US: (0, 1_000_000),
}
_KINDS: dict[int, Disturbance] = {int(kind): kind for kind in Disturbance}
_PACK_SENT = Sent.LAYOUT.pack
_PACK_TELEMETRY = Telemetry.HEAD.pack


class Transmitter(Device):
    """One life of a transmitter.

    A defect is a subclass that overrides one of the small decisions `period_ns`, `sampled` and `carried`.
    """

    ROLE = Role.TRANSMITTER
    WIRE_ROLE = WireRole.TRANSMITTER
    ABILITIES: ClassVar[Ability] = (
        Ability.STICKS | Ability.BURST | Ability.SILENCE | Ability.DISTURB | Ability.RESTART
        | Ability.RESTART_AT | Ability.SET_PACKET_RATE | Ability.SET_RETRANSMIT_LIMIT
        | Ability.SET_RETRANSMIT_DELAY
    )  # fmt: skip

    def __init__(self, around: Surroundings, life: Life, air: Air) -> None:
        super().__init__(around, life, around.settings.transmitter_skew_ppm)
        settings = around.settings
        self.air = air
        air.set_power(settings.transmit_power_x10)
        self.inputs: Inputs | None = None
        """Where its own sticks come from; None is every stick at rest."""
        self._own = around.link.rest_us
        self._sticks = (NO_SET, self._own)
        self._rate_mhz = around.link.packet_rate_mhz
        self._retransmissions = settings.retransmit_limit
        self._answer_ns = settings.turn_round_ns + air.time_ns(payload_bytes(around.link))
        self._patience_ns = max(self._answer_ns, self.span_ns(settings.retransmit_delay_ns))
        self._period_ns = self.period_ns()
        self._number = settings.packet_number_start if not life.restarts else life.packet
        self._tick_ns = 0
        self._silence_ns = (0, 0)
        self._busy = False
        self._tick_waits = False
        self._burst_left = 0
        self._burst_waits = 0
        self._burst_run = 0
        self._burst_spacing_ns = 0
        self._packet = Packet(0, self._own)
        self._set_number = NO_SET
        self._sampled_ns = 0
        self._sampled_us = 0
        self._attempts = 0
        self._flags = 0
        self._disturbing: Disturbing | None = None
        self._foreign_number = FOREIGN_START

    def abilities(self) -> Ability:
        """Return what it can do: power is a setting only where a distance makes it matter."""
        return self.ABILITIES | (Ability.SET_POWER if self.air.has_range else Ability(0))

    def power_x10(self, asked_x10: int) -> int:
        """Return the power that it sends with when asked for one, in tenths of a dBm."""
        return asked_x10

    def period_ns(self) -> int:
        """Return the true time from one packet to the next."""
        return self.span_ns(10**12 // self._rate_mhz)

    @property
    def sticks(self) -> Sample:
        """The sticks as they stand now."""
        return self._sticks

    def sampled(self) -> Sample:
        """Return the sticks that the next packet takes."""
        return self._sticks

    def carried(self, sticks: tuple[int, ...]) -> tuple[int, ...]:
        """Return the pulses as they stand in the radio packet."""
        return sticks

    def commands(self) -> dict[type, Handler]:
        """Return the commands of a transmitter."""
        return {
            Sticks: self._take_sticks,
            Burst: self._burst,
            Silence: self._silence,
            Disturb: self._disturb,
            Setting: self._set,
        }

    def packet_rate_mhz(self) -> int:
        """Return the packet rate now."""
        return self._rate_mhz

    def start(self) -> None:
        """Begin sending after the start phase."""
        super().start()
        self._tick_ns = self.world.now_ns + self.span_ns(self.settings.start_phase_ns)
        self.world.at(self._tick_ns, self._tick, self._tick_ns)

    def let_go(self) -> None:
        """Go back to its own sticks; bursts, silences and disturbances end."""
        self._sticks = (NO_SET, self._own)
        self._burst_left = self._burst_waits = 0
        self._silence_ns = (0, 0)
        self._end_disturbance()

    def _tick(self, due_ns: int) -> None:
        """Send at the packet rate; a tick planned before the rate was changed counts for nothing."""
        if due_ns != self._tick_ns or not self.alive:
            return
        self._tick_ns = next_ns = due_ns + self._period_ns
        self.world.at(next_ns, self._tick, next_ns)
        if self._disturbing is not None:
            self._plan_beside(due_ns + self._period_ns // 2)
        if self._busy:
            self._tick_waits = True
        else:
            self._send(0)

    def _silent(self) -> bool:
        begin_ns, end_ns = self._silence_ns
        return begin_ns <= self.world.now_ns < end_ns

    def _send(self, flags: int) -> None:
        """Sample the sticks and make the first attempt; what is due in a silence is never sent."""
        if self._silent():
            self._burst_waits = 0
            return
        if self._disturbing is not None and self._disturbing.in_place(self.world.now_ns):
            self._burst_waits = 0
            if not flags & SENT_IN_BURST:
                self._send_disturbance(self._disturbing)
            return
        self._set_number, pulses = self._taken()
        self._packet = Packet(self._number, pulses)
        self._number = (self._number + 1) & 0xFFFF
        self._sampled_ns = self.world.now_ns
        self._sampled_us = self.now_us()
        self._flags = flags
        self._attempts = 1
        self._busy = True
        self.air.send(self._packet, self, first=True, patience_ns=self._patience_ns)

    def _taken(self) -> Sample:
        """Sample the sticks, as they stand in the radio packet."""
        set_number, sticks = self.sampled()
        if set_number == NO_SET and self.inputs is not None:
            sticks = self.inputs.read(self.world.now_ns)
        return set_number, self.carried(sticks)

    def answered(self, payload: bytes) -> None:
        """Report the packet as acknowledged, and the telemetry that came with it."""
        if not self.alive:
            return
        self._report(SENT_ACKED)
        if payload:
            self.say_packed(
                Telemetry.TYPE, _PACK_TELEMETRY(self._packet[0], self.now_us(), len(payload)) + payload
            )
        self._go_on()

    def unanswered(self, _: None) -> None:
        """Try again, or give up after the last attempt or when silenced."""
        if not self.alive:
            return
        held_back = self._silent() or (
            self._disturbing is not None and self._disturbing.in_place(self.world.now_ns)
        )
        if self._attempts <= self._retransmissions and not held_back:
            self._attempts += 1
            self.air.send(self._packet, self, first=False, patience_ns=self._patience_ns)
            return
        self._report(0)
        self._go_on()

    def _report(self, acked: int) -> None:
        took_us = (self.now_us() - self._sampled_us) & 0xFFFFFFFF
        self.say_packed(
            Sent.TYPE,
            _PACK_SENT(
                self._packet[0],
                self._set_number,
                self._sampled_us,
                min(took_us, TOOK_US_MAX),
                self._attempts,
                self._flags | acked,
            ),
        )

    def _go_on(self) -> None:
        """Send what became due meanwhile: first an overdue tick, then a burst's next packet."""
        self._busy = False
        if self._tick_waits:
            self._tick_waits = False
            self._send(0)
        elif self._burst_waits:
            self._burst_waits -= 1
            self._send(SENT_IN_BURST)

    def _take_sticks(self, sticks: Sticks) -> Result | None:
        pulses = sticks.pulses_us
        missing = len(self._own) - len(pulses)
        if missing:
            if missing < 0:
                return Result.OUT_OF_RANGE
            pulses += self._own[-missing:]
        self._sticks = (sticks.set_number, pulses)
        return None

    def _silence(self, silence: Silence) -> Result:
        self._end_disturbance()
        begin_ns = self.world.now_ns + self.span_ns(silence.delay_us * US)
        self._silence_ns = (begin_ns, begin_ns + self.span_ns(silence.duration_us * US))
        return Result.DONE

    def _disturb(self, disturb: Disturb) -> Result:
        kind = _KINDS.get(disturb.kind)
        if kind is None or kind.name.lower() in self.settings.lacks:
            return Result.OUT_OF_RANGE
        self._end_disturbance()
        begin_ns = self.world.now_ns + self.span_ns(disturb.delay_us * US)
        span_ns = (begin_ns, begin_ns + self.span_ns(disturb.duration_us * US))
        self._disturbing = Disturbing(kind, span_ns, self._disturbance_done)
        self._plan_beside(self._tick_ns - self._period_ns // 2)
        self.world.at(span_ns[1], self._disturbance_over, self._disturbing)
        return Result.DONE

    def _plan_beside(self, at_ns: int) -> None:
        """Plan a foreign packet half-way between two of its own, if that is what is asked for."""
        one = self._disturbing
        if one is not None and one.kind is Disturbance.BESIDE and at_ns >= self.world.now_ns:
            self.world.at(at_ns, self._beside, one)

    def _beside(self, one: Disturbing) -> None:
        """Send it if the radio is free."""
        is_on = one is self._disturbing and self.alive and one.is_on(self.world.now_ns)
        if is_on and not self._busy:
            self._send_disturbance(one)

    def _send_disturbance(self, one: Disturbing) -> None:
        """Send a disturbing packet, once: it takes no number of its own and is not reported."""
        packet = self._disturbing_packet(one.kind)
        if packet is not None:
            self._busy = True
            one.sent()
            self.air.send(packet, one, first=True, patience_ns=self._patience_ns)

    def _disturbing_packet(self, kind: Disturbance) -> Packet | None:
        """Return what is sent; None if the packet to be repeated has never been sent."""
        if kind is Disturbance.CORRUPTED:
            return Packet(self._number, self._taken()[1], sound=False)
        if kind is Disturbance.REPEATED:
            return self._packet if self._attempts else None
        number, self._foreign_number = self._foreign_number, (self._foreign_number + 1) & 0xFFFF
        ends = (
            channel.range.low_us if channel.role == "throttle" else channel.range.high_us
            for channel in self.link.channels
        )
        return Packet(number, tuple(ends), sender=FOREIGN)

    def _disturbance_done(self, one: Disturbing) -> None:
        """Go on after a disturbing packet, and report a disturbance that ended meanwhile."""
        if not self.alive:
            return
        if one.over_us is not None:
            self.say(one.report())
        self._go_on()

    def _disturbance_over(self, one: Disturbing) -> None:
        if one is self._disturbing and self.alive:
            self._end_disturbance()

    def _end_disturbance(self) -> None:
        """End it and report it, unless its last packet is on the air: then that waits for its fate."""
        one, self._disturbing = self._disturbing, None
        if one is not None:
            one.over_us = self.now_us()
            if not one.on_air:
                self.say(one.report())

    def _burst(self, burst: Burst) -> Result:
        if self._burst_left or self._burst_waits:
            return Result.BUSY
        self._burst_run += 1
        if burst.spacing_us:
            self._burst_left = burst.count
            self._burst_spacing_ns = self.span_ns(burst.spacing_us * US)
            self._next_of_burst(self._burst_run)
        else:
            self._burst_waits = burst.count
            self._go_on_if_idle()
        return Result.DONE

    def _next_of_burst(self, run: int) -> None:
        """Let one more packet of a spaced burst become due, unless that burst was ended."""
        if run != self._burst_run or not self._burst_left or not self.alive:
            return
        self._burst_left -= 1
        if self._burst_left:
            self.world.at(self.world.now_ns + self._burst_spacing_ns, self._next_of_burst, run)
        self._burst_waits += 1
        self._go_on_if_idle()

    def _go_on_if_idle(self) -> None:
        if not self._busy:
            self._go_on()

    def _set_power(self, power_x10: int) -> Result:
        settings = self.settings
        off = (power_x10 - settings.power_least_x10) % settings.power_step_x10
        if off or not settings.power_least_x10 <= power_x10 <= settings.power_most_x10:
            return Result.OUT_OF_RANGE
        self.air.set_power(self.power_x10(power_x10))
        return Result.DONE

    def _set(self, setting: Setting) -> Result:
        if setting.setting == SettingId.POWER_DBM_X10 and self.air.has_range:
            return self._set_power(setting.value)
        if setting.setting not in _SETTING_RANGE:
            return Result.UNKNOWN
        least, most = _SETTING_RANGE[setting.setting]
        if not least <= setting.value <= most:
            return Result.OUT_OF_RANGE
        if setting.setting == SettingId.RETRANSMIT_LIMIT:
            self._retransmissions = setting.value
        elif setting.setting == SettingId.RETRANSMIT_DELAY_US:
            self._patience_ns = max(self._answer_ns, self.span_ns(setting.value * US))
        elif setting.value != self._rate_mhz:
            self._set_rate(setting.value)
        return Result.DONE

    def _set_rate(self, rate_mhz: int) -> None:
        self._rate_mhz = rate_mhz
        self._period_ns = self.period_ns()
        self._tick_ns = self.world.now_ns + self._period_ns
        self.world.at(self._tick_ns, self._tick, self._tick_ns)
