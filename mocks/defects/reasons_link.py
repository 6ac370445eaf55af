"""Which true cause has a defect of packets, times, limits or the bench? A table, held to the catalogue.

The keys are those of `harness.likely.Likely`: the mechanism that a maker can mend, not the defect's name. The
first is the true one. There is another one only where both are true, or where the recording cannot tell them
apart; why is said beside it. The page of causes is measured against this table.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

REASONS: Final[Mapping[str, tuple[str, ...]]] = {
    # the receiver does something else meanwhile
    "display-blocks": ("blocking-routine",),
    "loss-in-step": ("blocking-routine",),
    "stall-once-an-hour": ("blocking-routine",),
    "display-draws-telemetry": ("blocking-on-telemetry",),
    "rare-stall": ("work-every-n-packets",),
    "telemetry-first": ("work-every-n-packets",),
    "slow-loop": ("slow-loop",),
    # both are true, and each was bearable alone: a slow loop, and a radio that holds one packet
    "slow-loop-one-place": ("slow-loop", "fifo-overrun"),
    "fifo-flushed": ("fifo-overrun",),
    "fifo-one-deep": ("fifo-overrun",),
    "acknowledged-not-applied": ("starved-receiver",),
    # what is lost once the radio has it, for not being done in time: two words for one thing
    "loss-with-rate": ("receiver-too-slow", "starved-receiver"),
    # packets get lost for what they are
    "number-zero-dropped": ("packet-number",),
    "number-refused-after-restart": ("old-numbers-refused",),
    "flag-byte-lost": ("framing",),
    "end-stop-refused": ("range-test",),
    # packets get lost on the air, or for the supply
    "burst-loss": ("interference",),
    # both are true: a shaded antenna loses packets, and repeated ones are applied twice
    "losses-made-up": ("interference", "duplicates-not-dropped"),
    "retry-missing": ("repetitions",),
    "loss-with-throttle": ("supply",),
    "stranger-upsets-radio": ("upset-by-strangers",),
    "rests-without-acknowledgements": ("rests-unheard",),
    "insists-on-acknowledgement": ("insists-unheard",),
    # packets that should not be applied, or not then
    "corrupted-packets-applied": ("checksum",),
    "stranger-followed": ("strangers-followed",),
    "late-packet-applied": ("reordering",),
    "duplicate-applied-late": ("duplicates-late",),
    "duplicates-applied": ("duplicates-not-dropped",),
    # packets come late
    "packets-queued": ("queue",),
    "queue-never-empties": ("queue",),
    "sticks-queued": ("stick-queue",),
    "conversion-after-sampling": ("sampled-early",),
    "acknowledgement-late": ("acknowledgement-late",),
    "repetition-late": ("repetition-late",),
    "packet-rate-low": ("packet-timer",),
    # the link's limits
    "exchange-slow": ("acknowledgement-late",),
    "rate-setting-ignored": ("rate-setting-ignored",),
    "overload-deafens": ("overload-resets-radio",),
    "restart-slow": ("slow-start",),
    "receiver-deaf": ("deaf-receiver",),
    "power-drops-when-warm": ("power-drops",),
    # over the hours
    "memory-leaks": ("memory-leak",),
    "loss-creeps": ("loss-drift",),
    "latency-creeps": ("latency-drift",),
    # the bench
    "role-wrong": ("wrong-role",),
    "version-untrue": ("report-layout",),
    "clock-fast": ("clock-off",),
}
"""By defect: the true cause's key, then others that are as right."""

__all__ = ["REASONS"]
