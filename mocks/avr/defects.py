"""Which faults can the emulated firmware have? Macros that switch them on, and the check to catch each.

The faults stand in the firmware's own source, behind macros that are 0 unless set (shared/firmware/reference/
faults.h). A near-miss is close to the limit, and right.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class FirmwareDefect:
    """One entry: macros for each device, for the defect and for its near-miss.

    `caught_by` is the word of the check that must fail on it, `plan` the shipped plan that holds this check.
    """

    name: str
    wrong: str
    cause: str
    caught_by: str
    plan: str
    near_miss: str
    receiver: Mapping[str, int] = field(default_factory=dict)
    transmitter: Mapping[str, int] = field(default_factory=dict)
    near_receiver: Mapping[str, int] = field(default_factory=dict)
    near_transmitter: Mapping[str, int] = field(default_factory=dict)


CATALOGUE: tuple[FirmwareDefect, ...] = (
    FirmwareDefect(
        "failsafe-never",
        "has no failsafe: the outputs stay where they were",
        "the timer's interrupt was never enabled",
        "failsafe_entry", "failsafe",
        "failsafe comes 4 % later than it should, in time",
        {"FAULT_FAILSAFE_NEVER": 1},
        near_receiver={"FAILSAFE_AFTER_MS": 499},
    ),
    FirmwareDefect(
        "failsafe-late",
        "failsafe comes 5 % late",
        "the time was counted in ticks that are a little long",
        "failsafe_entry", "failsafe",
        "failsafe comes 4 % late, in time",
        {"FAILSAFE_AFTER_MS": 504},
        near_receiver={"FAILSAFE_AFTER_MS": 499},
    ),
    FirmwareDefect(
        "failsafe-throttle-only",
        "failsafe closes the motors and forgets the other channels",
        "only the throttles were thought of",
        "failsafe_outputs", "failsafe",
        "failsafe is written and reported again every 100 ms, with the right values",
        {"FAULT_FAILSAFE_THROTTLE_ONLY": 1},
        near_receiver={"FAULT_FAILSAFE_TWICE": 1},
    ),
    FirmwareDefect(
        "failsafe-counter-wraps",
        "an 8-bit failsafe counter goes on counting, wraps, and ends failsafe by itself",
        "a counter of 2 ms steps in a byte, not stopped at its limit",
        "failsafe_outputs", "failsafe",
        "failsafe is written and reported again every 100 ms, with the right values",
        {"FAULT_FAILSAFE_COUNTER_8BIT": 1},
        near_receiver={"FAULT_FAILSAFE_TWICE": 1},
    ),
    FirmwareDefect(
        "display-blocks",
        "a display routine blocks the receiver's loop for 180 ms every second",
        "the whole display is written over a slow bus in one go",
        "control_gap", "first-look",
        "the display is written in slices: 10 ms every second, half a packet period",
        {"FAULT_DISPLAY_MS": 180},
        near_receiver={"FAULT_DISPLAY_MS": 10},
    ),
    FirmwareDefect(
        "float-swapped",
        "the telemetry's float goes out with its bytes in reverse order",
        "the bytes were put together by hand, highest first",
        "telemetry_value", "first-look",
        "the float is right, and a display in slices delays it by 10 ms every second",
        {"FAULT_FLOAT_SWAPPED": 1},
        near_receiver={"FAULT_DISPLAY_MS": 10},
    ),
    FirmwareDefect(
        "number-overflows",
        "after packet 65 535 every packet is taken for an old one",
        "16-bit packet numbers compared with < instead of by their difference",
        "delivery", "first-look",
        "the packet number wraps, and is compared rightly",
        {"FAULT_NUMBER_ORDER": 1},
        {"FIRST_PACKET": 65_000},
        near_transmitter={"FIRST_PACKET": 65_000},
    ),
    FirmwareDefect(
        "acknowledges-first",
        "acknowledges a packet at once and applies it at the next servo frame, if no newer one came",
        "a mailbox with one place between radio and servo timer",
        "delivery", "regression",
        "the display is written in slices: 10 ms every second, half a packet period",
        {"FAULT_ACK_FIRST": 1},
        near_receiver={"FAULT_DISPLAY_MS": 10},
    ),
    FirmwareDefect(
        "half-update",
        "outputs are updated half-way through a packet: the other half comes with the next one",
        "the outputs are copied while the packet is still coming in",
        "fidelity", "first-look",
        "pins off by 1 us, which no servo feels",
        {"FAULT_HALF_UPDATE": 1},
        near_receiver={"FAULT_PIN_OFFSET_TICKS": 2},
    ),
    FirmwareDefect(
        "pins-hold",
        "reports failsafe rightly, and goes on driving the last pulses",
        "report and servo timer read different copies of the outputs",
        "pins", "failsafe",
        "pins off by 1 us, which no servo feels",
        {"FAULT_PINS_HOLD": 1},
        near_receiver={"FAULT_PIN_OFFSET_TICKS": 2},
    ),
    FirmwareDefect(
        "pins-swapped",
        "reports each channel rightly, and drives two of them on each other's pin",
        "a wrong line in the table of pins",
        "pins", "first-look",
        "pins off by 1 us, which no servo feels",
        {"FAULT_PINS_SWAPPED": 1},
        near_receiver={"FAULT_PIN_OFFSET_TICKS": 2},
    ),
    FirmwareDefect(
        "pins-offset",
        "every pulse is 20 us longer than reported",
        "the interrupt's latency is not allowed for",
        "pins", "first-look",
        "pins off by 1 us, which no servo feels",
        {"FAULT_PIN_OFFSET_TICKS": 40},
        near_receiver={"FAULT_PIN_OFFSET_TICKS": 2},
    ),
    FirmwareDefect(
        "report-copies",
        "drives the pins rightly, and reports the packet's pulses in place of the outputs",
        "the report was written before the reversal",
        "pins", "first-look",
        "pins off by 1 us, which no servo feels",
        {"FAULT_REPORT_COPIES": 1},
        near_receiver={"FAULT_PIN_OFFSET_TICKS": 2},
    ),
)  # fmt: skip
"""In the order in which `propsoff defects --rig avr` lists them."""


def find_firmware_defect(name: str) -> FirmwareDefect:
    """Return the defect called `name`, which must exist."""
    return next(defect for defect in CATALOGUE if defect.name == name)
