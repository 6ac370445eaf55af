"""Will it fit? How busy each serial line gets, from the sizes of the messages that a plan causes.

8N1 sends ten bits for each byte, so a line carries `baud / 10` bytes a second. A line is too busy above 80 %
of that: devices also answer pings, print text and send in clumps.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import messages as m
from harness.codec.frames import MIN_BODY
from harness.plan import model as p
from harness.plan.trials import rates_mhz
from harness.timeline import Segment, Timeline

BITS_A_BYTE: Final = 10
BUSY_AT: Final = Fraction(80, 100)
BUSY_IN_OVERLOAD: Final = Fraction(95, 100)
"""An overload is short and its time stamps matter less: only its messages must come through."""
KEEP_ALIVE_NS: Final = 150 * MS
"""Less than a third of the dead-man time, so that two damaged keep-alives in a row do no harm."""
PING_NS: Final = S
COMMON_BAUDS: Final = (9_600, 19_200, 38_400, 57_600, 115_200, 230_400, 460_800, 921_600, 1_000_000)
DEVICE_BUFFER: Final = 512
"""Bytes of output that a device is expected to hold while its line catches up (shared/protocol.md)."""
FRAME_OVERHEAD: Final = MIN_BODY + 2
"""Type, counter and CRC, one COBS byte and the delimiter."""
SERVO_FRAME_NS: Final = 20 * MS
"""A servo pulse comes this often (common practice, no source), and a witness reports as often."""
MOST_BURST: Final = 60_000
"""Packet numbers have 16 bits: of a longer burst nobody could tell the packets apart."""
SHORTEST_EXCHANGE_NS: Final = MS
"""About the time of one packet and its acknowledgement at 1 Mbit/s; back-to-back packets come no faster."""


@dataclass(frozen=True, slots=True)
class LineLoad:
    """The busiest moment of one direction of one port.

    `parts` are (what, bytes each, times a second); `bytes_per_s` is their sum.
    """

    role: Role
    to_device: bool
    baud: int
    parts: tuple[tuple[str, int, Fraction], ...]
    step: str

    @property
    def bytes_per_s(self) -> Fraction:
        """Bytes a second on the line."""
        return sum((size * rate for _, size, rate in self.parts), Fraction(0))

    @property
    def capacity(self) -> Fraction:
        """Bytes a second that the line can carry."""
        return Fraction(self.baud, BITS_A_BYTE)

    @property
    def share(self) -> Fraction:
        """Load as a share of the capacity."""
        return self.bytes_per_s / self.capacity

    @property
    def name(self) -> str:
        """The line in words."""
        return f"PC to {self.role}" if self.to_device else f"{self.role} to PC"

    def arithmetic(self) -> str:
        """The sum in words, ready to be checked with a pencil."""
        parts = " + ".join(f"{size} B x {float(rate):g}/s {what}" for what, size, rate in self.parts)
        return (
            f"{parts} = {float(self.bytes_per_s):.0f} B/s of {float(self.capacity):.0f} B/s "
            f"({self.baud} baud, 10 bits a byte)"
        )


def frame_size(payload: int) -> int:
    """Return the bytes on the line of a message with this many payload bytes."""
    return FRAME_OVERHEAD + payload


def line_loads(timeline: Timeline, baud: Mapping[Role, int]) -> tuple[LineLoad, ...]:
    """Return the lines (each port, each direction), each at the segment that loads it most."""
    best: dict[tuple[Role, bool], LineLoad] = {}
    for segment in _distinct(timeline):
        for load in _segment_loads(timeline.plan.link, segment, baud):
            place = load.role, load.to_device
            if place not in best or load.bytes_per_s > best[place].bytes_per_s:
                best[place] = load
    return tuple(best.values())


def load_problems(timeline: Timeline, baud: Mapping[Role, int]) -> tuple[tuple[str, str, str], ...]:
    """Return (key path, what is too much, what would fit) for every line that a plan overloads."""
    found = []
    for load in line_loads(timeline, baud):
        if load.share > BUSY_AT:
            what = f"{load.name} is {float(load.share):.0%} busy: {load.arithmetic()}"
            found.append(("link.packet_rate", what, _what_fits(load, timeline.plan.link)))
    seen = set()
    for segment in timeline.segments:
        burst = _burst_in(segment.step.action)
        if burst is not None and segment.step.path not in seen:
            seen.add(segment.step.path)
            found.extend(_burst_problems(timeline.plan.link, segment.step, burst, baud))
    return (*found, *_limit_problems(timeline, baud), *_out_of_reach(timeline, baud))


def highest_rate_mhz(link: p.Link, baud: Mapping[Role, int], share: Fraction = BUSY_AT) -> int:
    """Return the packet rate in mHz at which the first of the devices' lines is busy to `share`.

    (capacity x share - other messages) / bytes a packet, the least over both devices.
    """
    pong, counters = frame_size(m.Pong.LAYOUT.size), frame_size(m.Counters.LAYOUT.size)
    other = {Role.TRANSMITTER: pong, Role.RECEIVER: pong + counters}
    rates = (
        (Fraction(baud[role], BITS_A_BYTE) * share - other[role]) / size
        for role, size in _packet_sizes(link).items()
    )
    return max(0, int(min(rates) * 1000))


def longest_burst(link: p.Link, baud: Mapping[Role, int]) -> int:
    """Return the most packets that a back-to-back burst may have, so that no report of them gets lost.

    Each packet of a burst leaves `bytes - free x gap` more in the device's output buffer, which is expected
    to hold `DEVICE_BUFFER`; `gap` is `SHORTEST_EXCHANGE_NS`, `free` what usual packets leave of the line.
    """
    fits = [MOST_BURST]
    gap = Fraction(SHORTEST_EXCHANGE_NS, S)
    for role, size in _packet_sizes(link).items():
        free = Fraction(baud[role], BITS_A_BYTE) - size * Fraction(link.packet_rate_mhz, 1000)
        left = size - free * gap
        if left > 0:
            fits.append(int(DEVICE_BUFFER / left))
    return min(fits)


def _packet_sizes(link: p.Link) -> dict[Role, int]:
    """Return how many bytes each device reports of one packet."""
    return {
        Role.TRANSMITTER: _sent_size() + (_telemetry_size(link) if link.telemetry else 0),
        Role.RECEIVER: _pulses_size(link, m.Applied.HEAD.size),
    }


def _limit_problems(timeline: Timeline, baud: Mapping[Role, int]) -> Iterator[tuple[str, str, str]]:
    """Say which searches and overloads the lines cannot report at all."""
    link = timeline.plan.link
    for step in {segment.step.path: segment.step for segment in timeline.segments}.values():
        action = step.action
        if isinstance(action, p.FindThroughput):
            lowest, most = action.from_mhz or link.packet_rate_mhz, highest_rate_mhz(link, baud)
            path = f"{step.path}.throughput.from"
        elif isinstance(action, p.Overload) and action.rate_mhz:
            lowest, most = action.rate_mhz, highest_rate_mhz(link, baud, BUSY_IN_OVERLOAD)
            path = f"{step.path}.overload.rate"
        else:
            continue
        if lowest > most:
            found = f"{lowest / 1000:g} Hz is more packets a second than the serial lines can report"
            yield path, found, f"at most {most // 1000} Hz fits, or a faster line"


def _out_of_reach(timeline: Timeline, baud: Mapping[Role, int]) -> Iterator[tuple[str, str, str]]:
    """Say which limits no search of this plan can show to be reached, for the lines end it before."""
    link = timeline.plan.link
    actions = [segment.step.action for segment in timeline.segments]
    most_mhz, longest = highest_rate_mhz(link, baud), longest_burst(link, baud)
    searches = [one for one in actions if isinstance(one, p.FindThroughput)]
    rates = [rate for one in searches for rate in rates_mhz(one, link.packet_rate_mhz, most_mhz)]
    bursts = [min(one.up_to, longest) for one in actions if isinstance(one, p.FindBackToBack)]
    mend = f"lower it, or use a faster line{' or fewer telemetry bytes' if link.telemetry else ''}"
    for check in timeline.plan.checks:
        match check.rule:
            case p.Throughput(at_least_mhz=limit) if limit > max(rates, default=limit):
                found = f"the serial lines let the search try no more than {max(rates) / 1000:g} Hz"
                yield f"{check.path}.throughput.at_least", found, mend
            case p.BackToBack(at_least=packets) if packets > max(bursts, default=packets):
                found = f"the serial lines let the search try no more than {max(bursts)} packets"
                yield f"{check.path}.back_to_back.at_least", found, mend


def _distinct(timeline: Timeline) -> Iterator[Segment]:
    """One segment of each kind of load is enough."""
    seen = set()
    for segment in timeline.segments:
        place = segment.step.path, segment.sticks_every_ns
        if place not in seen:
            seen.add(place)
            yield segment


def _sent_size() -> int:
    return frame_size(m.Sent.LAYOUT.size)


def _telemetry_size(link: p.Link) -> int:
    payload = sum(p.FIELD_BYTES[field.type] for field in link.telemetry)
    return frame_size(m.Telemetry.HEAD.size + payload)


def _pulses_size(link: p.Link, head: int) -> int:
    return frame_size(head + 1 + 2 * len(link.channels))


def _per_second(every_ns: int) -> Fraction:
    return Fraction(S, every_ns)


def _segment_loads(link: p.Link, segment: Segment, baud: Mapping[Role, int]) -> Iterator[LineLoad]:
    path = segment.step.path
    rate, second = Fraction(link.packet_rate_mhz, 1000), Fraction(1)
    if isinstance(segment.step.action, p.Cut) and segment.step.action.packet_rate_mhz:
        rate = Fraction(segment.step.action.packet_rate_mhz, 1000)
    if isinstance(segment.step.action, p.FindThroughput):
        fastest = min(segment.step.action.to_mhz, highest_rate_mhz(link, baud))
        rate = max(rate, Fraction(fastest, 1000))
    pong = ("pongs", frame_size(m.Pong.LAYOUT.size), second)
    ping = ("pings", frame_size(m.Ping.LAYOUT.size), second)
    alive = ("keep-alives", frame_size(0), _per_second(KEEP_ALIVE_NS))
    sticks = ("stick sets", _pulses_size(link, 2), _per_second(segment.sticks_every_ns))
    tx, rx = Role.TRANSMITTER, Role.RECEIVER
    to_transmitter = [sticks, alive, ping]
    if isinstance(segment.step.action, p.Fade):
        most = _per_second(2 * link.packet_period_ns)
        to_transmitter.append(("silences", frame_size(m.Silence.LAYOUT.size), most))
    yield LineLoad(tx, True, baud[tx], tuple(to_transmitter), path)
    sent = [("sent reports", _sent_size(), rate), pong]
    if link.telemetry:
        sent.insert(1, ("telemetry reports", _telemetry_size(link), rate))
    yield LineLoad(tx, False, baud[tx], tuple(sent), path)
    to_receiver = [alive, ping]
    if isinstance(segment.step.action, p.Inject):
        fields = sum(field.source == "injected" for field in link.telemetry)
        size = frame_size(1 + fields * m.Inject.PAIR.size)
        to_receiver.append(("injections", size, _per_second(segment.step.action.every_ns)))
    yield LineLoad(rx, True, baud[rx], tuple(to_receiver), path)
    applied = ("applied reports", _pulses_size(link, m.Applied.HEAD.size), rate)
    counters = ("counters", frame_size(m.Counters.LAYOUT.size), second)
    yield LineLoad(rx, False, baud[rx], (applied, counters, pong), path)
    if Role.WITNESS in baud:
        sets = frame_size(m.Pulses.HEAD.size + m.Pulses.PULSE.size * len(link.channels))
        pulses = ("pulse sets", sets, _per_second(SERVO_FRAME_NS))
        yield LineLoad(Role.WITNESS, True, baud[Role.WITNESS], (alive, ping), path)
        yield LineLoad(Role.WITNESS, False, baud[Role.WITNESS], (pulses, pong), path)


def _what_fits(load: LineLoad, link: p.Link) -> str:
    by_packet = sum(size for what, size, _ in load.parts if what.endswith("reports"))
    other = sum((size * rate for what, size, rate in load.parts if not what.endswith("reports")), Fraction(0))
    words = []
    if by_packet:
        most = int((load.capacity * BUSY_AT - other) / by_packet)
        if most >= 1:
            words.append(f"at most {most} Hz fits at {load.baud} baud")
    enough = [baud for baud in COMMON_BAUDS if load.bytes_per_s * BITS_A_BYTE <= baud * BUSY_AT]
    if enough:
        words.append(
            f"at {float(Fraction(link.packet_rate_mhz, 1000)):g} Hz a rig with {enough[0]} baud fits"
        )
    return " or ".join(words) or "no common baud rate is fast enough: use fewer channels or a lower rate"


def _burst_in(action: p.StepAction) -> p.Burst | None:
    """Return the burst that a step asks for, also the one at the beginning of a cut; None without one."""
    if isinstance(action, p.Cut) and action.burst:
        pause_ns = action.duration_ns + action.after_ns + action.before_ns
        return p.Burst(count=action.burst, spacing_ns=0, times=action.times, pause_ns=pause_ns)
    return action if isinstance(action, p.Burst) else None


def _burst_problems(
    link: p.Link, step: p.PlanStep, burst: p.Burst, baud: Mapping[Role, int]
) -> Iterator[tuple[str, str, str]]:
    """Bursts may run ahead of a line only by what the device's output buffer holds."""
    gap = Fraction(max(burst.spacing_ns, SHORTEST_EXCHANGE_NS), S)
    for role, size in _packet_sizes(link).items():
        free = Fraction(baud[role], BITS_A_BYTE) - size * Fraction(link.packet_rate_mhz, 1000)
        one = burst.count * (size - free * gap)
        left = max(Fraction(0), one - free * Fraction(burst.pause_ns, S))
        waiting = one + (burst.times - 1) * left
        if one > 0 and waiting > DEVICE_BUFFER:
            yield (
                f"{step.path}.{_BURST_KEY[type(step.action)]}",
                f"{burst.times} bursts of {burst.count} packets {float(gap * 1000):g} ms apart leave "
                f"{float(waiting):.0f} B on the {role}'s line ({size} B a packet, {float(free):.0f} B/s free "
                f"beside the usual packets at {baud[role]} baud), and a device is expected to hold "
                f"{DEVICE_BUFFER} B",
                _burst_that_fits(burst, size, free, gap, in_cut=isinstance(step.action, p.Cut)),
            )


_BURST_KEY: Final = {p.Burst: "burst.count", p.Cut: "cut.burst"}


def _burst_that_fits(burst: p.Burst, size: int, free: Fraction, gap: Fraction, *, in_cut: bool) -> str:
    """Say how many packets, what spacing and what pause would do; `free` is in B/s, `gap` in s."""
    if free <= 0:
        return "the line is full without bursts: use a faster one"
    spacing = f"a spacing of at least {math.ceil(size / free * 10**5) / 100:.2f} ms"
    words = ["a faster line" if in_cut else spacing]
    fits = int(DEVICE_BUFFER / (size - free * gap))
    if fits >= 1:
        pause = math.ceil(fits * (size - free * gap) / free * 1000)
        between = f"{pause} ms from one cut to the next" if in_cut else f"a pause of {pause} ms"
        rest = f" with {between}" if burst.times > 1 else ""
        words.insert(0, f"at most {fits} packets{rest}")
    return ", or ".join(words)
