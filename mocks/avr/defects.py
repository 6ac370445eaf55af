"""Which faults can the emulated firmware have? Macros that switch them on, and the check to catch each.

The faults stand in the firmware's own source, behind macros that are 0 unless set (shared/firmware/reference/
faults.h). A near-miss is close to the limit, and right.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from mocks.defects.model import Felt, Severity


@dataclass(frozen=True, slots=True)
class FirmwareDefect:
    """One entry: macros for each device, for the defect and for its near-miss.

    `felt`, `severity` and the words are as in `mocks.defects.model.Defect`. `caught_by` is the word of the
    check that must fail on it, `plan` the shipped plan that holds this check; for a dangerous one `failsafe`
    or `acceptance`.
    """

    name: str
    felt: Felt
    severity: Severity
    wrong: str
    cause: str
    caught_by: str
    plan: str
    near_miss: str
    receiver: Mapping[str, int] = field(default_factory=dict)
    transmitter: Mapping[str, int] = field(default_factory=dict)
    near_receiver: Mapping[str, int] = field(default_factory=dict)
    near_transmitter: Mapping[str, int] = field(default_factory=dict)


_IN_TIME: Mapping[str, int] = {"FAILSAFE_AFTER_MS": 499}
_TOLD_TWICE: Mapping[str, int] = {"FAULT_FAILSAFE_TWICE": 1}
_SLICES: Mapping[str, int] = {"FAULT_DISPLAY_MS": 10}
_ONE_US: Mapping[str, int] = {"FAULT_PIN_OFFSET_TICKS": 2}
_WRAPPING: Mapping[str, int] = {"FIRST_PACKET": 65_000}
_ONE_BIT_OFF: Mapping[str, int] = {"WRONG_CHECK": 0x80, "FOREIGN_IDENTITY": 0x5C}
_SHORT_WINDOW: Mapping[str, int] = {"FAULT_NUMBER_WINDOW": 32}

_MOTORS = (
    FirmwareDefect(
        "failsafe-never", Felt.MOTORS, "dangerous",
        "has no failsafe: the outputs stay where they were",
        "the timer's interrupt was never enabled",
        "failsafe_entry", "failsafe",
        "failsafe comes 4 % later than it should, in time",
        {"FAULT_FAILSAFE_NEVER": 1},
        near_receiver=_IN_TIME,
    ),
    FirmwareDefect(
        "failsafe-late", Felt.MOTORS, "dangerous",
        "failsafe comes 5 % late",
        "the time was counted in ticks that are a little long",
        "failsafe_entry", "failsafe",
        "failsafe comes 4 % late, in time",
        {"FAILSAFE_AFTER_MS": 504},
        near_receiver=_IN_TIME,
    ),
    FirmwareDefect(
        "failsafe-once", Felt.MOTORS, "dangerous",
        "failsafe comes once after a start, and never again",
        "a one-shot timer that is started in the set-up and not with each packet",
        "failsafe_entry", "failsafe",
        "failsafe is written and reported again every 100 ms, with the right values",
        {"FAULT_FAILSAFE_ONCE": 1},
        near_receiver=_TOLD_TWICE,
    ),
    FirmwareDefect(
        "failsafe-counter-wraps", Felt.MOTORS, "dangerous",
        "an 8-bit failsafe counter goes on counting, wraps, and ends failsafe by itself",
        "a counter of 2 ms steps in a byte, not stopped at its limit",
        "failsafe_outputs", "failsafe",
        "failsafe is written and reported again every 100 ms, with the right values",
        {"FAULT_FAILSAFE_COUNTER_8BIT": 1},
        near_receiver=_TOLD_TWICE,
    ),
    FirmwareDefect(
        "failsafe-clock-wraps", Felt.MOTORS, "dangerous",
        "a link that is lost just before the 32-bit clock wraps, every 71.6 minutes, never brings failsafe",
        "a guard `now > then`, against negative times, in front of a difference that needs none",
        "failsafe_entry", "failsafe",
        "the clock wraps half a minute after the start, and times are compared by their difference",
        {"FAULT_FAILSAFE_COMPARED": 1},
        near_receiver={"CLOCK_START_US": 2**32 - 30_000_000},
    ),
    FirmwareDefect(
        "failsafe-lost-after-restart", Felt.MOTORS, "dangerous",
        "after a restart in flight there is no failsafe any more",
        "the timer is enabled in the branch for a cold start alone",
        "failsafe_entry", "failsafe",
        "failsafe comes 4 % later than it should, in time, after every start",
        {"FAULT_FAILSAFE_POWER_ONLY": 1},
        near_receiver=_IN_TIME,
    ),
    FirmwareDefect(
        "failsafe-fed-by-damaged-packets", Felt.MOTORS, "dangerous",
        "packets with a wrong check keep failsafe away, though none is applied",
        "the timer is reset as soon as a packet is read, before it is checked",
        "failsafe_entry", "failsafe",
        "one bit of the check is wrong in each, and they feed nothing",
        {"FAULT_FED_BY": 1},
        near_transmitter=_ONE_BIT_OFF,
    ),
    FirmwareDefect(
        "failsafe-fed-by-strangers", Felt.MOTORS, "dangerous",
        "another transmitter's packets keep failsafe away, though none is applied",
        "the identity is looked at only where the outputs are set",
        "failsafe_entry", "failsafe",
        "the other transmitter's identity differs in one bit, and its packets feed nothing",
        {"FAULT_FED_BY": 2},
        near_transmitter=_ONE_BIT_OFF,
    ),
    FirmwareDefect(
        "failsafe-fed-by-repeats", Felt.MOTORS, "dangerous",
        "a transmitter that sends its last packet for ever keeps failsafe away",
        "the timer is reset before repeated packets are sorted out",
        "failsafe_entry", "failsafe",
        "a repeated packet has telemetry loaded anew, and feeds nothing",
        {"FAULT_FED_BY": 4},
        near_receiver={"FAULT_REPEAT_ANSWERED": 1},
    ),
    FirmwareDefect(
        "failsafe-fed-by-module", Felt.MOTORS, "dangerous",
        "whatever the radio module hands over keeps failsafe away, if nothing is made of it too",
        "the timer is reset where the module's frames come in, not where outputs are set",
        "failsafe_entry", "failsafe",
        "failsafe comes 4 % later than it should, in time",
        {"FAULT_FED_BY": 8},
        near_receiver=_IN_TIME,
    ),
    FirmwareDefect(
        "pins-hold", Felt.MOTORS, "dangerous",
        "reports failsafe rightly, and goes on driving the last pulses",
        "report and servo timer read different copies of the outputs",
        "pins", "failsafe",
        "pins off by 1 us, which no servo feels",
        {"FAULT_PINS_HOLD": 1},
        near_receiver=_ONE_US,
    ),
    FirmwareDefect(
        "starts-at-centre", Felt.MOTORS, "dangerous",
        "from power-up to the first packet every output stands at its centre, motors too",
        "the servo buffer begins with 1500 us, whatever hangs on it",
        "start_up", "failsafe",
        "pins off by 1 us, which no servo feels",
        {"FAULT_START_CENTRE": 1},
        near_receiver=_ONE_US,
    ),
)  # fmt: skip

_CONTROL = (
    FirmwareDefect(
        "failsafe-throttle-only", Felt.CONTROL, "dangerous",
        "failsafe closes the motors and forgets the other channels",
        "only the throttles were thought of",
        "failsafe_outputs", "failsafe",
        "failsafe is written and reported again every 100 ms, with the right values",
        {"FAULT_FAILSAFE_THROTTLE_ONLY": 1},
        near_receiver=_TOLD_TWICE,
    ),
    FirmwareDefect(
        "exit-replays", Felt.CONTROL, "dangerous",
        "the packet that ends failsafe brings back the pulses from before it, for one packet",
        "outputs are set from the buffer before the new packet is copied into it",
        "failsafe_exit", "failsafe",
        "failsafe is written and reported again every 100 ms, with the right values",
        {"FAULT_EXIT_REPLAYS": 1},
        near_receiver=_TOLD_TWICE,
    ),
    FirmwareDefect(
        "number-8-bit", Felt.CONTROL, "dangerous",
        "after 256 packets, five seconds, every packet is taken for an old one",
        "the low bytes of the packet numbers are compared with < instead of the numbers by their difference",
        "failsafe_exit", "failsafe",
        "numbers up to 32 before the last one are old; the rest is new, a restarted transmitter's too",
        {"FAULT_NUMBER_8BIT": 1},
        near_receiver=_SHORT_WINDOW,
    ),
    FirmwareDefect(
        "number-overflows", Felt.CONTROL, "dangerous",
        "after packet 65 535 every packet is taken for an old one",
        "16-bit packet numbers compared with < instead of by their difference",
        "failsafe_exit", "failsafe",
        "the packet number wraps, and is compared rightly",
        {"FAULT_NUMBER_ORDER": 1},
        _WRAPPING,
        near_transmitter=_WRAPPING,
    ),
    FirmwareDefect(
        "old-after-restart", Felt.CONTROL, "dangerous",
        "a transmitter that restarted is not listened to until it has sent as many packets as before",
        "half of all numbers, those before the last one, are old, and nothing ever forgets the last one",
        "failsafe_exit", "failsafe",
        "numbers up to 32 before the last one are old; the rest is new, a restarted transmitter's too",
        {"FAULT_NUMBER_WINDOW": 32_768},
        near_receiver=_SHORT_WINDOW,
    ),
)  # fmt: skip

_WRONG = (
    FirmwareDefect(
        "end-stop-overflows", Felt.WRONG, "dangerous",
        "within 8 us of the end of its travel an output falls back to the low end: full throttle closes",
        "travel is scaled by 66/66 in 16 bits, and 993 x 66 is 65 538",
        "fidelity", "failsafe",
        "travel is scaled by 65/65, and 1000 x 65 still fits",
        {"FAULT_SCALE_BY": 66},
        near_receiver={"FAULT_SCALE_BY": 65},
    ),
    FirmwareDefect(
        "half-update", Felt.WRONG, "serious",
        "outputs are updated half-way through a packet: the other half comes with the next one",
        "the outputs are copied while the packet is still coming in",
        "fidelity", "first-look",
        "pins off by 1 us, which no servo feels",
        {"FAULT_HALF_UPDATE": 1},
        near_receiver=_ONE_US,
    ),
    FirmwareDefect(
        "torn-pulse", Felt.WRONG, "serious",
        "single pulses are up to 128 us off: the low byte of the new value with the high byte of the old",
        "the servo interrupt reads a 16-bit value while the loop is between its two bytes",
        "pins", "failsafe",
        "each value is changed with interrupts off, one after the other",
        {"FAULT_TORN_UPDATE": 1},
        near_receiver={"FAULT_TORN_UPDATE": 2},
    ),
    FirmwareDefect(
        "pins-swapped", Felt.WRONG, "dangerous",
        "reports each channel rightly, and drives two of them on each other's pin",
        "a wrong line in the table of pins",
        "pins", "failsafe",
        "pins off by 1 us, which no servo feels",
        {"FAULT_PINS_SWAPPED": 1},
        near_receiver=_ONE_US,
    ),
    FirmwareDefect(
        "pins-offset", Felt.WRONG, "nuisance",
        "every pulse is 20 us longer than reported",
        "the interrupt's latency is not allowed for",
        "pins", "first-look",
        "pins off by 1 us, which no servo feels",
        {"FAULT_PIN_OFFSET_TICKS": 40},
        near_receiver=_ONE_US,
    ),
)  # fmt: skip

_MISSING = (
    FirmwareDefect(
        "acknowledges-first", Felt.MISSING, "serious",
        "acknowledges a packet at once and applies it at the next servo frame, if no newer one came",
        "a mailbox with one place between radio and servo timer",
        "delivery", "regression",
        "the display is written in slices: 10 ms every second, half a packet period",
        {"FAULT_ACK_FIRST": 1},
        near_receiver=_SLICES,
    ),
    FirmwareDefect(
        "buffer-drops", Felt.MISSING, "serious",
        "of the packets that wait while a display blocks for 45 ms one is applied; all were acknowledged",
        "a packet buffer with one place behind a radio module with three",
        "delivery", "regression",
        "the buffer has four places, and the display blocks for half a packet period",
        {"FAULT_DISPLAY_MS": 45, "FAULT_KEEPS": 1},
        near_receiver={"FAULT_DISPLAY_MS": 10, "FAULT_KEEPS": 4},
    ),
    FirmwareDefect(
        "gives-up-at-once", Felt.MISSING, "serious",
        "no lost packet is repeated",
        "the module is told to stop as soon as it has sent, as after a disturbance",
        "delivery", "regression",
        "a packet is given up when the next one is almost due",
        transmitter={"FAULT_GIVE_UP_US": 1},
        near_transmitter={"FAULT_GIVE_UP_US": 12_000},
    ),
)  # fmt: skip

_LATE = (
    FirmwareDefect(
        "display-blocks", Felt.LATE, "serious",
        "a display routine blocks the receiver's loop for 180 ms every second",
        "the whole display is written over a slow bus in one go",
        "control_gap", "first-look",
        "the display is written in slices: 10 ms every second, half a packet period",
        {"FAULT_DISPLAY_MS": 180},
        near_receiver=_SLICES,
    ),
)  # fmt: skip

_TELEMETRY = (
    FirmwareDefect(
        "float-swapped", Felt.TELEMETRY, "nuisance",
        "the telemetry's float goes out with its bytes in reverse order",
        "the bytes were put together by hand, highest first",
        "telemetry_value", "first-look",
        "the float is right, and a display in slices delays it by 10 ms every second",
        {"FAULT_FLOAT_SWAPPED": 1},
        near_receiver=_SLICES,
    ),
    FirmwareDefect(
        "float-whole", Felt.TELEMETRY, "nuisance",
        "the telemetry's float loses its fraction",
        "it passes through an integer on its way",
        "telemetry_value", "first-look",
        "the float is right, and a display in slices delays it by 10 ms every second",
        {"FAULT_FLOAT_WHOLE": 1},
        near_receiver=_SLICES,
    ),
)  # fmt: skip

_STRANGER = (
    FirmwareDefect(
        "check-ignored", Felt.STRANGER, "dangerous",
        "packets that were damaged on their way to the processor are applied",
        "the check in the packet is sent and never compared: the radio has a checksum too",
        "order", "failsafe",
        "one bit of the check is wrong in each, and that is enough",
        {"FAULT_CHECK_IGNORED": 1},
        near_transmitter=_ONE_BIT_OFF,
    ),
    FirmwareDefect(
        "identity-ignored", Felt.STRANGER, "dangerous",
        "another transmitter's packets are applied",
        "packets are told by the radio's address alone, and the other has the same",
        "order", "failsafe",
        "the other transmitter's identity differs in one bit, and that is enough",
        {"FAULT_IDENTITY_IGNORED": 1},
        near_transmitter=_ONE_BIT_OFF,
    ),
    FirmwareDefect(
        "repeats-applied", Felt.STRANGER, "serious",
        "a packet that comes again is applied again",
        "repeated packets are left to the module, which knows only those that it repeated itself",
        "duplicates", "failsafe",
        "a repeated packet has telemetry loaded anew, and is not applied",
        {"FAULT_REPEAT_APPLIED": 1},
        near_receiver={"FAULT_REPEAT_ANSWERED": 1},
    ),
    FirmwareDefect(
        "report-copies", Felt.STRANGER, "nuisance",
        "drives the pins rightly, and reports the packet's pulses in place of the outputs",
        "the report was written before the reversal",
        "pins", "first-look",
        "pins off by 1 us, which no servo feels",
        {"FAULT_REPORT_COPIES": 1},
        near_receiver=_ONE_US,
    ),
)  # fmt: skip

CATALOGUE: tuple[FirmwareDefect, ...] = (
    *_MOTORS, *_CONTROL, *_WRONG, *_MISSING, *_LATE, *_TELEMETRY, *_STRANGER,
)  # fmt: skip
"""In the order in which `propsoff defects --rig avr` lists them: by what the pilot would feel."""


def find_firmware_defect(name: str) -> FirmwareDefect:
    """Return the defect called `name`, which must exist."""
    return next(defect for defect in CATALOGUE if defect.name == name)
