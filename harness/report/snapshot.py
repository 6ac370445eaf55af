"""What does a display get to know, a few times a second? One frozen value for where a run stands.

Times are ns of the bench's clock since the run began, pulses us. Names come from a plan, identities from
devices: whoever shows them cleans them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

TREND_S: Final = 60
"""Seconds that the trends go back, one place each."""


@dataclass(frozen=True, slots=True)
class ChannelFace:
    """What stays the same of a channel: its range, and where failsafe must bring it (None: it is held)."""

    name: str
    low_us: int
    high_us: int
    failsafe_us: int | None
    is_throttle: bool = False


@dataclass(frozen=True, slots=True)
class LineState:
    """One serial port: how busy its line to the PC was in the last second, and what went missing on it.

    `identity` is what the device said of itself, `busy` a share of the line's capacity.
    """

    role: str
    identity: str
    busy: float
    missing: int
    is_there: bool = True


@dataclass(frozen=True, slots=True)
class Alarm:
    """Something that somebody at the bench should know; `ended_ns` is None while it goes on.

    `times` counts how often it came back within a few seconds.
    """

    number: int
    words: str
    begun_ns: int
    ended_ns: int | None = None
    times: int = 1


@dataclass(frozen=True, slots=True)
class Readings:
    """What was heard of the link lately.

    `sticks_us` is None while the transmitter uses its own sticks; `outputs_us` are as last reported, empty
    before that. `delivery` holds (applied, sent) and `latency_ns` the worst time of each of the last
    `TREND_S` whole seconds, the oldest first; None where no time is known. `latency_now_ns` is the median of
    the newest packets, true to `latency_bound_ns`. `telemetry_ns` is how long ago telemetry
    came.
    """

    channels: tuple[ChannelFace, ...]
    sticks_us: tuple[int, ...] | None = None
    outputs_us: tuple[int, ...] = ()
    in_failsafe: bool = False
    delivery: tuple[tuple[int, int], ...] = ()
    delivery_limit: float | None = None
    latency_ns: tuple[int | None, ...] = ()
    latency_now_ns: int | None = None
    latency_bound_ns: int = 0
    latency_limit_ns: int | None = None
    has_telemetry: bool = False
    telemetry_ns: int | None = None
    lines: tuple[LineState, ...] = ()


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Where a run stands.

    `step_index` counts from 0, `part` tells which of how many alike, such as the third of eight cuts.
    `left_word` says what `left_ns` is: nothing, "at most" or "about". `recent_delivery` is (applied, sent) of
    the last seconds, `link_state` is searching, linked, lost or failsafe, `link_for_ns` for how long.
    `alarms` are those that go on and those of the last half minute, the oldest first, of `alarms_total`.
    """

    plan: str
    step_path: str
    step_title: str
    step_index: int
    steps_total: int
    elapsed_ns: int
    left_ns: int
    packets_sent: int
    packets_applied: int
    recent_delivery: tuple[int, int]
    link_state: str
    note: str = ""
    title: str = ""
    part: tuple[int, int] = (1, 1)
    next_title: str = ""
    left_word: str = ""
    link_for_ns: int = 0
    is_cut: bool = False
    readings: Readings | None = None
    alarms: tuple[Alarm, ...] = ()
    alarms_total: int = 0
    safety: str = ""
