"""The true cause of each defect that shows in outputs, failsafe, starts, telemetry or pins.

The keys are those of `harness.likely.Likely`: the mechanism that a maker can mend, not the defect's name. The
first is the true one. There is a second one only where two words say the same, or where the recording cannot
tell them apart; why is said beside it. The page of causes is measured against this table.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

REASONS: Final[Mapping[str, tuple[str, ...]]] = {
    # failsafe does not come, or comes late
    "failsafe-never": ("failsafe-missing",),
    "failsafe-late": ("failsafe-timer-long",),
    "failsafe-only-once": ("failsafe-only-once",),
    "failsafe-misses-phase": ("failsafe-by-phase",),
    "failsafe-lost-in-burst": ("failsafe-lost-in-burst",),
    "failsafe-not-at-full-throttle": ("failsafe-not-at-full-throttle",),
    "failsafe-stops-at-clock-wrap": ("time-compared-absolutely",),
    "failsafe-stops-at-packet-wrap": ("failsafe-armed-by-number",),
    "failsafe-lost-after-receiver-restart": ("failsafe-off-after-restart",),
    "failsafe-lost-after-transmitter-restart": ("failsafe-off-after-jump",),
    "failsafe-held-off-by-jump": ("failsafe-off-after-jump",),
    "failsafe-armed-late": ("failsafe-armed-late",),
    "failsafe-waits-for-the-rest": ("failsafe-waits-for-packet",),
    "failsafe-fed-by-corrupted": ("failsafe-fed-by-corrupted",),
    "failsafe-fed-by-strangers": ("failsafe-fed-by-strangers",),
    "failsafe-fed-by-repeats": ("failsafe-fed-by-repeats",),
    "failsafe-fed-by-acknowledgements": ("failsafe-fed-by-radio",),
    # failsafe comes while packets do
    "failsafe-on-still-sticks": ("failsafe-needs-moves",),
    "failsafe-needs-acknowledgements": ("failsafe-needs-acknowledgements",),
    "failsafe-between-single-packets": ("failsafe-needs-pairs",),
    "failsafe-trimmed-to-rate": ("failsafe-from-old-packet",),
    "failsafe-early": ("failsafe-timer-short",),
    "failsafe-at-clock-wrap": ("time-compared-absolutely",),
    "failsafe-adds-up-gaps": ("gaps-added-up",),
    "failsafe-counts-flickers": ("gaps-added-up",),
    "number-wrap-engages-failsafe": ("number-wraps",),
    "failsafe-by-watchdog": ("watchdog-instead-of-failsafe",),
    "brown-out-at-throttle": ("supply",),
    # wrong outputs in failsafe, before the first packet, and when packets are back
    "failsafe-holds-throttle": ("failsafe-holds",),
    "failsafe-forgets-motor": ("failsafe-holds",),
    "failsafe-value-wrong": ("failsafe-value-wrong",),
    "failsafe-tires": ("failsafe-gives-up",),
    "held-end-forgotten": ("failsafe-value-at-end",),
    "failsafe-left-on-stray": ("stray-ends-failsafe",),
    "throttle-half-at-start": ("start-outputs-wrong",),
    "servo-twitch-at-start": ("moves-before-first-packet",),
    "throttle-stop-low": ("stick-below-stop",),
    "stale-throttle-on-reconnect": ("old-values-replayed",),
    "stale-servos-on-reconnect": ("old-values-replayed",),
    "link-stays-lost": ("receiver-sleeps",),
    "receiver-asleep-after-silence": ("receiver-sleeps",),
    "return-spoils-set-up": ("failsafe-entry-upsets-radio",),
    "number-of-eight-bits": ("number-compared-wrong",),
    "number-with-sign": ("number-compared-wrong",),
    # outputs and sticks
    "channels-swapped": ("channels-swapped",),
    # both mistakes are one table that is out of order in two columns, and one sentence tells both
    "elevons-swapped-and-reversed": ("channels-swapped", "channel-reversed"),
    "elevon-reversed": ("channel-reversed",),
    # two trims with a limit between them end the travel as a limit alone does: the recording sees the sum
    "trims-cancel": ("output-clipped",),
    "end-clipped": ("output-clipped",),
    # counting from 1 at one end is an offset of one step, whatever was mirrored before and after it
    "reversed-twice": ("pulse-offset",),
    "low-bit-lost": ("resolution-lost",),
    "eight-bits": ("resolution-lost",),
    "dead-band": ("dead-band",),
    "table-out-of-order": ("table-wrong",),
    "throttle-overflows": ("number-overflows",),
    "packet-buffer-short": ("packet-cut-short",),
    "last-channel-fixed": ("channel-not-driven",),
    "channels-fewer-than-told": ("outputs-not-reported",),
    "cross-talk-at-end": ("cross-talk",),
    "third-channel-waits": ("update-skipped",),
    "number-carries-over": ("number-overlaps-channel",),
    "output-sticks": ("small-moves-ignored",),
    "leaps-doubted": ("leaps-rejected",),
    "update-torn": ("torn-update",),
    "rounding-drifts": ("rounding-adds-up",),
    "outputs-smeared": ("outputs-averaged",),
    "output-overshoots": ("output-overshoots",),
    "soft-start-in-flight": ("soft-start",),
    "equal-channels-lag": ("equal-values-copied-late",),
    "retry-from-old-buffer": ("retry-buffer-refilled",),
    "telemetry-spills": ("telemetry-overwrites-outputs",),
    "check-leaves-out-last-channel": ("damage-not-noticed",),
    "servo-glitch": ("pulses-disturbed",),
    "noisy-stick-supply": ("supply-noise",),
    # pins and reports
    "pins-hold-in-failsafe": ("pins-hold",),
    "pins-swapped": ("pins-swapped",),
    # the table of outputs and that of pins are both exchanged: either sentence is true
    "swapped-twice": ("pins-swapped", "channels-swapped"),
    "report-of-sticks": ("report-not-of-outputs",),
    "pin-off": ("pin-offset",),
    # telemetry
    "telemetry-scaled": ("telemetry-scaled",),
    "telemetry-stale": ("telemetry-queued",),
    "telemetry-sign-lost": ("telemetry-sign",),
    "telemetry-bytes-turned": ("telemetry-byte-order",),
    # two mistakes at once: one sentence tells both
    "telemetry-scaled-and-turned": ("telemetry-byte-order", "telemetry-scaled"),
    "telemetry-float-cut": ("telemetry-float-cut",),
    "telemetry-clipped": ("telemetry-clipped",),
    "telemetry-fields-swapped": ("telemetry-fields-swapped",),
    "telemetry-mean-wraps": ("telemetry-overflows",),
    "telemetry-trembles": ("telemetry-noise",),
    "telemetry-latches-end": ("telemetry-latched",),
    "telemetry-frozen-after-cut": ("telemetry-frozen",),
    "telemetry-count-wraps": ("telemetry-frozen",),
    "telemetry-seldom": ("telemetry-seldom",),
    "telemetry-starved": ("telemetry-cleared-early",),
    "telemetry-blank-in-bursts": ("telemetry-cleared-early",),
}
"""Defect, and the keys of causes that may be named first for it."""

__all__ = ["REASONS"]
