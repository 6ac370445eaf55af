"""What stands in a rig about a device that does not speak the bench protocol? Its keys."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from harness.devices.checksums import CHECKSUMS
from harness.devices.templates import LINE_ENDS
from harness.plan.kinds import Choice, Flag, Frequency, Items, Nested, PulseRange, Text, Whole, key
from harness.plan.model import Range

OURS: Final = "bench protocol"
LONGEST: Final = 400
"""Characters of one pattern or template."""


@dataclass(frozen=True, slots=True)
class LineKeys:
    """Patterns of the lines that a device prints."""

    applied: str | None = key(Text(LONGEST, 1), "A receiver's line about a packet that took effect.", None)
    failsafe: str | None = key(Text(LONGEST, 1), "Its line when it sets its failsafe outputs.", None)
    started: str | None = key(Text(LONGEST, 1), "A line that is printed once after every start.", None)
    sent: str | None = key(
        Text(LONGEST, 1), "A transmitter's line about a packet that it is done with.", None
    )
    ignore: tuple[str, ...] = key(
        Items(Text(LONGEST, 1)), "Lines that are printed beside and mean nothing.", ()
    )


@dataclass(frozen=True, slots=True)
class OneRecordKeys:
    """One kind of record."""

    id: int | None = key(
        Whole(0, 255), "The byte that tells it from others, right after sync and length.", None
    )
    fields: tuple[str, ...] = key(Items(Text(60, 1)), "Names and types in order, such as `packet u16le`.")


@dataclass(frozen=True, slots=True)
class RecordKeys:
    """The binary records that a device sends."""

    sync: str = key(Text(11, 2), "The bytes that each begins with, in hexadecimal, such as AA 55.")
    length: bool = key(Flag(), "Whether a byte after sync counts those between it and the checksum.", False)
    checksum: str = key(Choice(*CHECKSUMS), "What the record ends with.")
    checksum_order: str = key(Choice("little", "big"), "Which byte of the checksum comes first.", "little")
    checksum_over_sync: bool = key(Flag(), "Whether the checksum covers the sync bytes too.", False)
    applied: OneRecordKeys | None = key(
        Nested(OneRecordKeys), "A receiver's record about a packet that took effect.", None
    )
    failsafe: OneRecordKeys | None = key(
        Nested(OneRecordKeys), "Its record when it sets its failsafe outputs.", None
    )
    started: OneRecordKeys | None = key(Nested(OneRecordKeys), "A record sent once after every start.", None)
    sent: OneRecordKeys | None = key(
        Nested(OneRecordKeys), "A transmitter's record about a packet that it is done with.", None
    )


@dataclass(frozen=True, slots=True)
class TellKeys:
    """Templates of what is written to a device."""

    sticks: str | None = key(Text(LONGEST, 1), "New stick positions.", None)
    silence: str | None = key(Text(LONGEST, 1), "Send nothing for so long.", None)
    burst: str | None = key(Text(LONGEST, 1), "Send extra packets.", None)
    packet_rate: str | None = key(Text(LONGEST, 1), "Send so many packets a second.", None)
    restart: str | None = key(Text(LONGEST, 1), "Restart as after a reset.", None)
    keep_alive: str | None = key(Text(LONGEST, 1), "The harness is alive; written every 150 ms.", None)
    release: str | None = key(Text(LONGEST, 1), "Go back to your own sticks.", None)
    line_end: str = key(Choice(*LINE_ENDS), "What is written behind each of these.", "LF")


@dataclass(frozen=True, slots=True)
class ScaleKeys:
    """Which converter counts stand for which pulses."""

    counts: str = key(Text(40, 1), "Counts at the two ends, such as 0 to 1023.", yaml="from")
    pulses: Range = key(PulseRange(), "Pulses that they stand for.", yaml="to")


@dataclass(frozen=True, slots=True)
class DeviceKeys:
    """What a port's keys say of a device that does not speak the bench protocol."""

    speaks: str = key(Text(60, 1), "bench protocol, text, records, or the name of an installed kind.", OURS)
    lines: LineKeys | None = key(Nested(LineKeys), "The lines that it prints, if it speaks text.", None)
    records: RecordKeys | None = key(
        Nested(RecordKeys), "The records that it sends, if it speaks those.", None
    )
    tell: TellKeys | None = key(Nested(TellKeys), "What is written to it.", None)
    scale: ScaleKeys | None = key(
        Nested(ScaleKeys), "Its converter counts as pulses, where all channels are alike.", None
    )
    scales: tuple[ScaleKeys, ...] = key(
        Items(Nested(ScaleKeys)), "The same where they are not: one for each channel, in order.", ()
    )
    clock_bits: str = key(Choice("32", "16"), "Bits of the time in its reports, which then wraps.", "32")
    count_bits: str = key(Choice("8", "16", "32"), "Bits of the count in its reports.", "16")
    packet_rate_mhz: int = key(
        Frequency(1_000, 2_000_000), "Its control packets a second.", 0, yaml="packet_rate"
    )
    options: tuple[tuple[str, str], ...] = key(
        Items(Text(60, 1), Text(LONGEST, bare=True)), "What an installed kind wants to know.", ()
    )

    @property
    def is_translated(self) -> bool:
        """Whether the device speaks something else than the bench protocol."""
        return self.speaks != OURS
