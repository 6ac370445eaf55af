"""Invented states of a run, for the tests of the live view."""

from dataclasses import replace

from harness.clock import MS, S
from harness.report.snapshot import Alarm, ChannelFace, LineState, Readings, Snapshot

CHANNELS = (
    ChannelFace("left motor", 1000, 2000, 950, is_throttle=True),
    ChannelFace("right motor", 1000, 2000, 950, is_throttle=True),
    ChannelFace("left elevon", 1000, 2000, 1500),
    ChannelFace("right elevon", 1000, 2000, 1500),
    ChannelFace("camera tilt", 1100, 1900, None),
    ChannelFace("shutter", 1000, 2000, 1000),
)
LINES = (
    LineState("transmitter", "mock transmitter 0.5.0", 0.183, 0),
    LineState("receiver", "mock receiver 0.5.0", 0.121, 3),
)
SECONDS = (
    ((0, 0),) * 20 + ((50, 50),) * 30 + ((49, 50), (45, 50), (30, 50), (0, 50), (0, 0)) + ((50, 50),) * 5
)
TIMES = (None,) * 20 + tuple(n * MS for n in range(25)) + (None,) * 5 + (MS // 2,) * 10
READINGS = Readings(
    channels=CHANNELS,
    sticks_us=(1250, 1000, 1500, 1863, 1100, 2000),
    outputs_us=(1250, 1001, 1500, 1137, 1100, 2000),
    delivery=SECONDS,
    delivery_limit=0.98,
    latency_ns=TIMES,
    latency_now_ns=620_000,
    latency_bound_ns=930_000,
    latency_limit_ns=15 * MS,
    has_telemetry=True,
    telemetry_ns=40 * MS,
    lines=LINES,
)
LINKED = Snapshot(
    plan="first-look",
    title="First look at Dunlin's control link",
    step_path="steps[6]",
    step_title="link cut for 700 ms",
    step_index=11,
    steps_total=14,
    part=(2, 8),
    next_title="6 sets of telemetry values",
    elapsed_ns=31 * S,
    left_ns=13 * S,
    packets_sent=1536,
    packets_applied=1535,
    recent_delivery=(238, 239),
    link_state="linked",
    link_for_ns=29 * S,
    readings=READINGS,
    safety="props off was said; q or Esc stops",
)
ALARMS = (
    Alarm(1, "receiver's line: 3 messages missing so far", 12 * S, 12 * S + 150 * MS, 2),
    Alarm(2, "failsafe, and no cut is on", 30 * S),
)
FAILSAFE = replace(
    LINKED,
    link_state="failsafe",
    link_for_ns=400 * MS,
    is_cut=True,
    left_word="at most",
    note="round 1 of at most 8, until look 1 of 4",
    readings=replace(READINGS, in_failsafe=True, outputs_us=(950, 950, 1500, 1500, 1100, 1000)),
    alarms=ALARMS,
    alarms_total=2,
)
