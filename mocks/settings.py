"""How do the mock devices and the world around them differ from ideal ones? One frozen value says it.

Every effect is off and every fault zero by default; what remains (air rate, turn-round, retransmission, depth
of the receive FIFO) is how common 2.4 GHz packet transceivers work: common practice, no source.
A rig file's `mock:` section has the same keys (`harness.plan.kinds.key` declares them).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from fractions import Fraction
from typing import Literal

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS, US, S
from harness.codec.messages import MAX_NAME
from harness.errors import UserError
from harness.plan.kinds import (
    Choice,
    Decibel,
    Distance,
    Duration,
    Flag,
    Frequency,
    Items,
    Key,
    Pulse,
    Share,
    Text,
    Whole,
    key,
)
from harness.plan.model import Channel, Failsafe, Link, TelemetryField

NONE = Fraction(0)
ALWAYS = Fraction(1)
_POWER = Decibel(-600, 400, ("dBm",))
LACKABLE = (
    "burst", "silence", "inject", "mute acks", "restart", "restart at", "disturb", "deafen",
    "corrupted", "foreign", "repeated", "beside",
)  # fmt: skip
"""Abilities, and kinds of disturbance, that firmware may be without."""
FAILSAFE_SHARE = Fraction(96, 100)
"""A healthy mock is in failsafe after this share of the declared time; 4 % later is in time, 5 % is not."""


@dataclass(frozen=True, slots=True)
class WorldSettings:
    """What lies around the devices: air, clocks, serial lines. Shares are exact fractions from 0 to 1."""

    loss: Fraction = key(Share(), "Share of transmissions lost in the air, each by itself, both ways.", NONE)
    ack_loss: Fraction = key(Share(), "Share of acknowledgements lost on top of `loss`.", NONE)
    good_to_bad: Fraction = key(Share(), "Two-state fading: chance per packet that a fade begins.", NONE)
    bad_to_good: Fraction = key(Share(), "Two-state fading: chance per packet that a fade ends.", ALWAYS)
    loss_in_good: Fraction = key(Share(), "Share of transmissions lost outside fades.", NONE)
    loss_in_bad: Fraction = key(Share(), "Share of transmissions lost inside fades.", ALWAYS)
    air_rate_bit_s: int = key(Whole(1_000, 100_000_000), "Bits per second on the air.", 1_000_000)
    air_overhead_bits: int = key(
        Whole(0, 10_000),
        "Bits of a transmission beside its payload; 73 is 8 preamble, 40 address, 9 control, 16 CRC.",
        73,
    )
    turn_round_ns: int = key(
        Duration(0, 10 * MS),
        "From the end of a packet to its acknowledgement's start.",
        130 * US,
        yaml="turn_round",
    )
    retransmit_delay_ns: int = key(
        Duration(0, S),
        "From the end of an unanswered packet to the next attempt.",
        750 * US,
        yaml="retransmit_delay",
    )
    retransmit_limit: int = key(Whole(0, 15), "Attempts after the first.", 3)
    fifo_depth: int = key(
        Whole(1, 64), "Packets that the receiver's radio holds until they are taken out.", 3
    )

    distance_mm: int | None = key(
        Distance(10, 10**8),
        "How far the antennas are apart; left out, every signal is strong and nobody knows how strong.",
        None,
        yaml="distance",
    )
    carrier_khz: int = key(Whole(100_000, 10_000_000), "Radio frequency in kHz.", 2_440_000)
    attenuation_x10: int = key(
        Decibel(0, 1_500),
        "Fixed attenuator in the antenna line, both ways; one that can be turned is behind it.",
        0,
        yaml="attenuation",
    )
    transmit_power_x10: int = key(_POWER, "The transmitter's power when it starts.", 0, yaml="transmit_power")
    receiver_power_x10: int = key(
        _POWER, "Power of the receiver's acknowledgements.", 0, yaml="receiver_power"
    )
    sensitivity_x10: int = key(
        Decibel(-1_500, 0, ("dBm",)),
        "Signal at which a thousandth of the bits is wrong, for both radios.",
        -850,
        yaml="sensitivity",
    )

    transmitter_skew_ppm: int = key(
        Whole(-1_000, 1_000), "How much the transmitter's clock runs fast, in ppm.", 0
    )
    receiver_skew_ppm: int = key(Whole(-1_000, 1_000), "How much the receiver's clock runs fast, in ppm.", 0)

    baud: int = key(
        Whole(1_200, 4_000_000), "Bits per second of both serial lines (ten bits a byte).", 115_200
    )
    usb_latency_ns: int = key(
        Duration(0, 255 * MS),
        "Latency timer of a USB serial adapter: how long it collects bytes for the PC.",
        0,
        yaml="usb_latency",
    )
    output_buffer_bytes: int = key(
        Whole(128, 65_536),
        "What a device can have waiting for its serial line; more is dropped by the message.",
        1_024,
    )
    transmitter_message_loss: Fraction = key(
        Share(), "Share of the transmitter's serial messages that vanish whole; they are counted on.", NONE
    )
    receiver_message_loss: Fraction = key(
        Share(), "Share of the receiver's serial messages that vanish whole; they are counted on.", NONE
    )
    witness_skew_ppm: int = key(Whole(-1_000, 1_000), "How much the witness's clock runs fast, in ppm.", 0)
    witness_message_loss: Fraction = key(
        Share(), "Share of the witness's serial messages that vanish whole; they are counted on.", NONE
    )
    bit_errors: Fraction = key(Share(), "Share of bits flipped on both serial lines, both ways.", NONE)

    def roles(self) -> tuple[Role, ...]:
        """Return the ports of a bench with these settings."""
        return DEVICES


@dataclass(frozen=True, slots=True)
class MockSettings(WorldSettings):
    """Everything that can be set on the mock bench: the world, and the devices in it."""

    packet_rate_mhz: int | None = key(
        Frequency(1_000, 1_000_000),
        "Packets a second; the link's rate if left out.",
        None,
        yaml="packet_rate",
    )
    channels: int | None = key(Whole(1, 16), "Channels of both devices; the link's if left out.", None)
    power_least_x10: int = key(
        _POWER, "The transmitter's lowest power; it can be set where a distance is given.", -300,
        yaml="power_least",
    )  # fmt: skip
    power_most_x10: int = key(_POWER, "Its highest power.", 100, yaml="power_most")
    power_step_x10: int = key(Decibel(1, 200), "From one of its powers to the next.", 10, yaml="power_step")
    packet_number_start: int = key(Whole(0, 65_535), "Number of the first packet.", 0)
    start_phase_ns: int = key(
        Duration(0, 10 * S), "From the transmitter's start to its first packet.", 0, yaml="start_phase"
    )
    transmitter_clock_us: int = key(
        Whole(0, 2**32 - 1), "The transmitter's clock when the bench opens, in us.", 0
    )
    receiver_clock_us: int = key(Whole(0, 2**32 - 1), "The receiver's clock when the bench opens, in us.", 0)
    receiver_loop_ns: int = key(
        Duration(0, 10 * S),
        "Time from one look at the radio to the next; 0 us is an interrupt at each packet.",
        0,
        yaml="receiver_loop",
    )
    block_every_ns: int = key(
        Duration(0, 600 * S),
        "How often a routine blocks the receiver's loop; 0 s is never.",
        0,
        yaml="block_every",
    )
    block_for_ns: int = key(
        Duration(0, 600 * S), "How long that routine blocks the loop.", 0, yaml="block_for"
    )
    failsafe_after_ns: int | None = key(
        Duration(MS, 60 * S),
        "From the last applied packet to failsafe; 96 % of the link's declared time if left out.",
        None,
        yaml="failsafe_after",
    )
    failsafe_by: Literal["time", "frames", "packets"] = key(
        Choice("time", "frames", "packets"),
        "What the receiver counts up to failsafe: time, its own frames of one packet period each that bring "
        "no packet, or periods of the packets it gets.",
        "time",
        yaml="failsafe_by",
    )
    failsafe_tick_ns: int = key(
        Duration(0, S),
        "How often the receiver looks whether it is time for failsafe; 0 ms is an interrupt at that time.",
        0,
        yaml="failsafe_tick",
    )
    failsafe_us: tuple[int, ...] = key(
        Items(Pulse()),
        "Outputs in failsafe, one per channel; as the link declares if left out.",
        (),
        yaml="failsafe",
    )
    own_noise_us: int = key(Pulse(0, 500), "RMS noise of the transmitter's own sticks.", 0, yaml="own_noise")
    own_hum_us: int = key(
        Pulse(0, 500), "Amplitude of mains hum on the transmitter's own sticks.", 0, yaml="own_hum"
    )
    own_hum_mhz: int = key(
        Frequency(1_000, 1_000_000), "Frequency of that hum.", 50_000, yaml="own_hum_frequency"
    )
    own_drift_us: int = key(
        Pulse(0, 500), "How far the transmitter's own sticks drift in a minute.", 0, yaml="own_drift"
    )
    own_throttle: Fraction = key(
        Share(), "Where the throttle's own stick stands, as a share of its travel.", NONE
    )
    restart_for_ns: int = key(
        Duration(0, 60 * S), "How long a device is away when it restarts.", 50 * MS, yaml="restart_for"
    )
    unit_serial: str = key(
        Text(MAX_NAME), "Serial number that the devices tell, so that a lot of units can be played.", "mock-1"
    )
    banner: str = key(Text(200), "Text that both devices print when they start.", "")
    protocol_version: int = key(Whole(1, 255), "Protocol version that both devices claim.", 1)
    lacks: tuple[str, ...] = key(
        Items(Choice(*LACKABLE)),
        "What the devices cannot do on the bench; of `disturb`, a kind alone may be missing.",
        (),
    )
    switches: bool = key(
        Flag(),
        "Whether a relay each can take power from the transmitter and the receiver, and one more opens the "
        "antenna path.",
        True,
    )
    switch_takes_ns: int = key(
        Duration(0, S),
        "How long such a relay takes, coil and bounce; the bench knows of 20 ms at most.",
        5 * MS,
        yaml="switch_takes",
    )
    swapped_ports: bool = key(Flag(), "Whether each device sits behind the other one's port.", False)
    witness: bool = key(
        Flag(), "Whether a witness measures the receiver's output pulses, at a third port.", False
    )
    witness_clock_us: int = key(Whole(0, 2**32 - 1), "The witness's clock when the bench opens, in us.", 0)

    def roles(self) -> tuple[Role, ...]:
        """Return the ports of this bench."""
        return (*DEVICES, Role.WITNESS) if self.witness else DEVICES


DUNLIN = Link(
    packet_rate_mhz=50_000,
    channels=(
        Channel(name="roll", failsafe="centre"),
        Channel(name="pitch", failsafe="centre"),
        Channel(name="throttle", role="throttle", failsafe="low"),
        Channel(name="yaw", failsafe="centre"),
        Channel(name="camera", failsafe="hold"),
        Channel(name="shutter", failsafe="low"),
    ),
    failsafe=Failsafe(within_ns=500 * MS),
    telemetry=(
        TelemetryField(name="battery", type="u16", scale=Fraction(1, 100), unit="V"),
        TelemetryField(name="current", type="i16", scale=Fraction(1, 100), unit="A"),
        TelemetryField(name="temperature", type="i8", unit="degC"),
        TelemetryField(name="height", type="i32", scale=Fraction(1, 100), unit="m"),
    ),
)
"""The link of *Dunlin*, a home-built twin-propeller flying wing, for a mock that no plan describes."""


def fitted_link(link: Link, settings: MockSettings) -> Link:
    """Return `link` as the devices have it: with the channels and the packet rate that `settings` ask for."""
    count = settings.channels or len(link.channels)
    spare = tuple(
        Channel(name=f"spare {n}", failsafe="centre") for n in range(len(link.channels) + 1, count + 1)
    )
    rate = settings.packet_rate_mhz or link.packet_rate_mhz
    return replace(link, channels=link.channels[:count] + spare, packet_rate_mhz=rate)


def check_settings(link: Link, settings: MockSettings) -> None:
    """Raise UserError if two settings, or a setting and the fitted link, contradict each other."""
    if settings.block_for_ns and settings.block_for_ns >= settings.block_every_ns:
        raise UserError("mock: block_for must be shorter than block_every, or the receiver's loop never runs")
    if settings.failsafe_us and len(settings.failsafe_us) != len(link.channels):
        raise UserError(
            f"mock: failsafe has {len(settings.failsafe_us)} pulses, but the devices have "
            f"{len(link.channels)} channels; give one for each"
        )
    if len(settings.unit_serial.encode()) > MAX_NAME:
        raise UserError(f"mock: unit_serial takes more than {MAX_NAME} bytes; write a shorter one")


def describe_settings(settings: WorldSettings) -> str:
    """Return the settings that differ from the default as `loss=1/50 baud=57600`; times are in ns."""
    plain = type(settings)()
    parts = []
    for item in fields(settings):
        value = getattr(settings, item.name)
        if value != getattr(plain, item.name):
            declared = item.metadata["key"]
            assert isinstance(declared, Key)
            parts.append(f"{item.name}={value}")
    return " ".join(parts) or "ideal"
