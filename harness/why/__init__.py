"""Why is a figure bad, or odd? Causes that the recording speaks for, the likeliest first.

Each suspect is a test on the recording: a function that looks for the traces one kind of cause leaves, and
returns nothing where it finds none. No suspect guesses from a verdict alone. How strong each is, on one
scale: 0.95 where the trace leaves no other reading and explains every failed check that it should; 0.8 for a
strong statistical signature (p below 1e-4 after correction) without a contradiction; 0.6 where it is clear
but another cause could do it; 0.4 where it is possible. Below 0.3 nothing is told.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from harness.likely import Likely
from harness.measure.evidence import Evidence
from harness.verdict import CheckResult
from harness.why import (
    blocking,
    content,
    delaying,
    engaging,
    failsafe,
    hanging,
    limits,
    losing,
    ordering,
    outputs,
    pins,
    reserve,
    returning,
    serial,
    starts,
    supply,
    telemetry,
    timing,
    unheard,
)
from harness.why.ranking import ranked

Suspect = Callable[[Evidence, Sequence[CheckResult]], Likely | None]
BENCH: Final[tuple[Suspect, ...]] = (
    serial.wrong_role,
    serial.port_gone,
    serial.lost_messages,
    serial.other_layout,
    serial.clock_off,
)
"""Trouble on the bench: looked for whatever the devices tell."""
LINK: Final[tuple[Suspect, ...]] = (
    blocking.standing_still,
    blocking.every_nth_number,
    content.an_end,
    content.a_byte,
    supply.browns_out,
    supply.watchdog,
    supply.with_throttle,
    ordering.unchecked,
    ordering.strangers,
    ordering.duplicates,
    ordering.second_way,
    losing.upset,
    losing.overrun,
    losing.too_few_tries,
    losing.in_bursts,
    losing.starved,
    losing.on_the_way_back,
    delaying.queued,
    delaying.slow_loop,
    delaying.late_repetition,
    delaying.late_acknowledgement,
    delaying.before_sending,
    delaying.stick_queue,
    delaying.slow_timer,
    unheard.unheard,
    hanging.hangs,
    limits.rate_not_taken,
    limits.too_fast,
    limits.exchange_fills,
    limits.short_fifo,
    limits.overload_resets,
    limits.slow_return,
    reserve.power_drops,
    reserve.deaf_or_weak,
    reserve.margin_going,
)
"""Packets and what becomes of them: asked only where both devices tell what they do with each."""
DEVICES: Final[tuple[Suspect, ...]] = (
    *failsafe.SUSPECTS,
    *timing.SUSPECTS,
    *engaging.SUSPECTS,
    *returning.SUSPECTS,
    *starts.SUSPECTS,
    *outputs.SUSPECTS,
    *pins.SUSPECTS,
    *telemetry.SUSPECTS,
)
"""What the devices make of packets: outputs, failsafe, telemetry, pins."""
SUSPECTS: Final[tuple[Suspect, ...]] = BENCH + LINK + DEVICES
"""Every suspect there is; their order matters only between equal strengths."""


def likely_causes(evidence: Evidence, results: Sequence[CheckResult]) -> tuple[Likely, ...]:
    """Return the causes that the evidence speaks for, the likeliest first. Pure; odd data never raise.

    Of a device that does not speak the bench protocol too little is known for suspects of the link.
    """
    suspects = BENCH if evidence.tells else SUSPECTS
    found = (suspect(evidence, results) for suspect in suspects)
    return ranked((likely for likely in found if likely is not None), results)


__all__ = ["BENCH", "DEVICES", "LINK", "SUSPECTS", "Suspect", "likely_causes", "ranked"]
