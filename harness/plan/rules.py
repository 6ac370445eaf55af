"""Do the parts of a plan fit each other? What no key can tell by itself, checked with its place.

Every rule works on what could be read, so that one wrong key does not hide the rest.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from fractions import Fraction
from types import MappingProxyType
from typing import Any, Final

from harness.clock import S
from harness.codec.messages import MAX_TELEMETRY
from harness.plan import model as p
from harness.plan.cuts import (
    check_cut,
    check_fade,
    check_failsafe,
    check_failsafe_margin,
    check_restart,
    check_start_up,
)
from harness.plan.extent import (
    count_steps,
    most_rounds,
    stair_ns,
    stairs,
    stairs_together,
    step_extent_ns,
    sweep_ns,
    together_ns,
    total_ns,
)
from harness.plan.facts import Facts
from harness.plan.limits import check_overload, check_recovery, check_search, check_throughput
from harness.plan.margins import check_link_margin, check_margin
from harness.plan.units import format_duration, format_frequency, format_pulse, format_share

MAX_STAIRCASE_NS: Final = 3600 * S
"""Longest staircase on one channel: as long as any other single movement."""
FEWEST_ROUNDS: Final = 2
"""A run that may be extended plays its steps at least this often if it must."""
MOVING: Final = ("hold", "step", "ramp", "sweep", "corners", "wander", "cut", "fade", "mute", "interfere")
"""Steps that move sticks."""
_MOVES: Final = f"sticks are moved by {', '.join(MOVING)}"
FASTER: Final = ("burst", "throughput", "back_to_back", "overload")
"""Steps in which packets may come faster than at the link's rate."""


def check_parts(facts: Facts) -> None:
    """Hold every value that was read against the rules for its kind."""
    for path, made in list(facts.reading.made.items()):
        if rule := _RULES.get(type(made)):
            rule(made, path, facts)


def check_totals(steps: Iterable[p.PlanStep], facts: Facts) -> None:
    """Refuse plans that are too long, without carrying them out."""
    steps, link = tuple(steps), facts.link
    assert link is not None, "steps are sound only with the link they are for"
    count = count_steps(steps, link)
    if count > p.MAX_STEPS:
        found = f"{count} steps with every repeat, cut and swept channel counted"
        facts.problem("steps", found, f"at most {p.MAX_STEPS}; lower `times`")
    total = total_ns(steps, link)
    if total > p.MAX_DURATION_NS:
        longest = max(steps, key=lambda step: step_extent_ns(step.action, link))
        found = f"the steps take up to {format_duration(total, 3)}, most of it {longest.path}"
        facts.problem(
            "steps", found, f"at most {format_duration(p.MAX_DURATION_NS)}; shorten or split the plan"
        )
    _extend(facts.reading.made.get("extend"), total, facts)
    _soak(facts.reading.made.get("soak"), total, facts)


def _soak(soak: object, round_ns: int, facts: Facts) -> None:
    """Refuse a `soak` that leaves no time for all the steps, or that is to be extended."""
    if not isinstance(soak, p.Soak):
        return
    if isinstance(facts.reading.made.get("extend"), p.Extend):
        found = "`soak` with `extend`: both say how often all steps are played"
        facts.problem("soak", found, "leave one of the two out")
    elif soak.for_ns < round_ns:
        found = f"{format_duration(soak.for_ns)} is over before the steps, which take up to"
        allowed = f"at least {format_duration(round_ns)}, one round of all steps"
        facts.problem("soak.for", f"{found} {format_duration(round_ns, 3)}", allowed)


def _extend(extend: object, round_ns: int, facts: Facts) -> None:
    """Refuse an `extend` that leaves no time to play the steps again."""
    if not isinstance(extend, p.Extend) or most_rounds(extend, round_ns) >= FEWEST_ROUNDS:
        return
    found, twice = f"the steps take up to {format_duration(round_ns, 3)}", FEWEST_ROUNDS * round_ns
    if twice > p.MAX_DURATION_NS:
        most = f"a run takes at most {format_duration(p.MAX_DURATION_NS)}"
        facts.problem("extend", f"{found}, too long to be played twice", f"{most}; leave `extend` out")
    else:
        least = f"at least {format_duration(twice)}, or leave `extend` out"
        facts.problem("extend.up_to", f"{found}, so there is no time for them twice", least)


def _channel(channel: p.Channel, path: str, facts: Facts) -> None:
    low, high = channel.range.low_us, channel.range.high_us
    span = _span(channel)
    if channel.name == "all":
        facts.problem(path, "the word `all` means every channel", "choose another name")
    if channel.centre_us is not None and not low <= channel.centre_us <= high:
        facts.problem(
            f"{path}.centre", f"{channel.centre_us} us is outside the range", f"write a pulse {span}"
        )
    if channel.resolution_us > high - low:
        found = f"{channel.resolution_us} us is more than the whole range"
        facts.problem(f"{path}.resolution", found, f"at most {high - low} us")
    demanded = channel.failsafe_us
    if demanded is not None and not low <= demanded <= high and not _below_closed(channel, demanded):
        facts.problem(f"{path}.failsafe", f"{demanded} us is outside the range", f"write a pulse {span}")
    elif channel.role == "throttle":
        _throttle(channel, path, facts)


def _below_closed(channel: p.Channel, pulse_us: int) -> bool:
    """Whether a throttle is closed further than any stick can close it, so that failsafe can be told."""
    closed, opened = (channel.output_us(end) for end in (channel.range.low_us, channel.range.high_us))
    return channel.role == "throttle" and (pulse_us < closed < opened or opened < closed < pulse_us)


def _throttle(channel: p.Channel, path: str, facts: Facts) -> None:
    """Refuse a failsafe that leaves the motor running: closing the throttle is common practice, no source."""
    closed = channel.output_us(channel.range.low_us)
    close = f"write {closed} us, which closes it"
    if channel.failsafe_us is None:
        facts.problem(f"{path}.failsafe", "a throttle that holds its last value after link loss", close)
        return
    travel = channel.range.high_us - channel.range.low_us
    opened = Fraction(abs(channel.failsafe_us - closed), travel)
    if opened > facts.throttle_up_to and not _below_closed(channel, channel.failsafe_us):
        cap = format_share(facts.throttle_up_to)
        found = f"a throttle {format_share(opened, 3)} open after link loss"
        facts.problem(f"{path}.failsafe", found, f"{close}, or at most {cap} (safety.throttle_up_to)")


def _failsafe(failsafe: p.Failsafe, path: str, facts: Facts) -> None:
    if failsafe.earliest_ns >= failsafe.within_ns:
        found = f"{format_duration(failsafe.earliest_ns)} leaves no time before `within`"
        facts.problem(f"{path}.not_before", found, f"write less than {format_duration(failsafe.within_ns)}")


def _link(link: p.Link, path: str, facts: Facts) -> None:
    size = sum(p.FIELD_BYTES[field.type] for field in link.telemetry)
    if size > MAX_TELEMETRY:
        found = f"the fields take {size} bytes"
        facts.problem(
            f"{path}.telemetry", found, f"an acknowledgement payload carries at most {MAX_TELEMETRY}"
        )


def _hold(hold: p.Hold, path: str, facts: Facts) -> None:
    for name, pulse in hold.sticks:
        _inside(pulse, f"{path}.sticks.{name}", (name,), facts)


def _between(move: p.Step | p.Ramp, path: str, facts: Facts) -> None:
    _inside(move.from_us, f"{path}.from", (move.channel,), facts)
    _inside(move.to_us, f"{path}.to", (move.channel,), facts)
    channel = facts.channels.get(move.channel)
    if channel is None:
        return
    start = channel.range.low_us if move.from_us is None else move.from_us
    end = channel.range.high_us if move.to_us is None else move.to_us
    if start == end:
        key = "to" if move.to_us is not None else "from"
        facts.problem(f"{path}.{key}", f"it begins and ends at {start} us", "write two different pulses")


def _inside(pulse: int | None, path: str, names: Iterable[str], facts: Facts) -> None:
    """Note a pulse outside the range of any of these channels."""
    for name in names:
        channel = facts.channels.get(name)
        if pulse is None or channel is None or channel.range.low_us <= pulse <= channel.range.high_us:
            continue
        facts.problem(path, f"{pulse} us is outside the range of {name}", f"write a pulse {_span(channel)}")
        return


def _span(channel: p.Channel) -> str:
    return f"from {format_pulse(channel.range.low_us)} to {format_pulse(channel.range.high_us)}"


def _sweep(sweep: p.Sweep, path: str, facts: Facts) -> None:
    channels = [facts.channels[name] for name in sweep.channels or facts.channels if name in facts.channels]
    names = [channel.name for channel in channels]
    _inside(sweep.from_us, f"{path}.from", names, facts)
    _inside(sweep.to_us, f"{path}.to", names, facts)
    for channel in channels:
        low = channel.range.low_us if sweep.from_us is None else sweep.from_us
        high = channel.range.high_us if sweep.to_us is None else sweep.to_us
        if low >= high and channel.range.low_us <= low and high <= channel.range.high_us:
            key = "to" if sweep.to_us is not None else "from"
            facts.problem(
                f"{path}.{key}", f"a sweep from {low} us to {high} us", "write the lower pulse in `from`"
            )
            break
    if sweep.shape == "staircase":
        _staircase(sweep, channels, path, facts)
    elif facts.is_written(f"{path}.dwell"):
        facts.problem(
            f"{path}.dwell", f"`dwell` with {sweep.shape}", "it belongs to staircase; write `period`"
        )


def _staircase(sweep: p.Sweep, channels: list[p.Channel], path: str, facts: Facts) -> None:
    if facts.is_written(f"{path}.period"):
        facts.problem(
            f"{path}.period", "`period` with staircase", "it belongs to triangle and sine; write `dwell`"
        )
    if facts.link is None:
        return
    if sweep.together:
        counts = [stairs(sweep, channel) for channel in channels]
        sums = [(together_ns(sweep, facts.link), f"together: {stairs_together(sweep, counts)} stairs")]
    else:
        sums = [
            (
                sweep_ns(sweep, channel, facts.link),
                f"on {channel.name}: {stairs(sweep, channel)} values x {sweep.cycles}",
            )
            for channel in channels
        ]
    took, words = next((one for one in sums if one[0] > MAX_STAIRCASE_NS), (0, ""))
    if words:
        each, most = format_duration(stair_ns(sweep, facts.link)), format_duration(MAX_STAIRCASE_NS)
        found = f"the staircase takes {format_duration(took, 3)} {words} x {each}"
        facts.problem(
            path, found, f"at most {most}; raise the channel's resolution, or lower dwell or cycles"
        )


def _wait(wait: p.Wait, path: str, facts: Facts) -> None:
    if wait.until != "packets" and facts.is_written(f"{path}.packets"):
        facts.problem(
            f"{path}.packets", f"`packets` with until: {wait.until}", "it belongs to until: packets"
        )


def _inject(_inject: p.Inject, path: str, facts: Facts) -> None:
    if facts.link is not None and not _injected(facts.link):
        facts.problem(path, "the link declares no telemetry to inject", "add a field with `source: injected`")


def _injected(link: p.Link) -> list[p.TelemetryField]:
    return [field for field in link.telemetry if field.source == "injected"]


def _telemetry(check: p.TelemetryValue | p.TelemetryAge, path: str, facts: Facts) -> None:
    if facts.link is not None and not _injected(facts.link):
        found = f"{check.WORD} without telemetry to inject"
        facts.problem(path, found, "add a field with `source: injected` to link.telemetry")
    elif facts.no_step("inject"):
        facts.problem(
            path, f"{check.WORD} without an inject step", "add a step such as `inject: {times: 20}`"
        )


def _noise(check: p.Noise, path: str, facts: Facts) -> None:
    if facts.no_step("own_sticks"):
        found = "noise without an own_sticks step"
        facts.problem(path, found, "add a step such as `own_sticks: {for: 10 s}`")
    elif facts.none_during(check.during, "own_sticks"):
        facts.problem(f"{path}.during", "no own_sticks step is among these", "name one, or leave it out")
    elif check.hum_us is None and facts.is_written(f"{path}.mains"):
        facts.problem(f"{path}.mains", "`mains` without `hum`", "write `hum: 2 us` too, or leave it out")


def _packet_rate(check: p.PacketRate, path: str, facts: Facts) -> None:
    if facts.link is not None and check.at_least_mhz > facts.link.packet_rate_mhz:
        rate = format_frequency(facts.link.packet_rate_mhz)
        found = f"{format_frequency(check.at_least_mhz)} is more than the link's rate"
        facts.problem(f"{path}.at_least", found, f"at most {rate}")


def _control_gap(check: p.ControlGap, path: str, facts: Facts) -> None:
    if facts.link is not None and check.at_most_ns < facts.link.packet_period_ns:
        period = format_duration(facts.link.packet_period_ns)
        found = f"{format_duration(check.at_most_ns)} is shorter than one packet period"
        facts.problem(f"{path}.at_most", found, f"at least {period}")


def _latency(check: p.Latency, path: str, facts: Facts) -> None:
    """Refuse a stick latency where no stick moves."""
    if check.of != "stick":
        return
    if facts.no_step(*MOVING):
        found = "the latency of sticks in a plan that moves none"
        facts.problem(path, found, f"add a step such as `wander: {{for: 60 s}}`; {_MOVES}")
    elif facts.none_during(check.during, *MOVING):
        facts.problem(f"{path}.during", "none of these steps moves a stick", f"name one that does; {_MOVES}")


def _control_age(check: p.ControlAge, path: str, facts: Facts) -> None:
    """Refuse an age that even packets that take no time cannot keep to.

    Of each packet period T, the age is `a` or less for a time of `a` at most: the share of time is a / T.
    """
    if facts.link is None or (check.during and not facts.none_during(check.during, *FASTER)):
        return
    least = facts.link.packet_period_ns * check.percentile
    if check.at_most_ns < least:
        share, period = format_share(check.percentile), format_duration(facts.link.packet_period_ns)
        limit = format_duration(check.at_most_ns)
        found = f"with a packet every {period} control is older than {limit} too often, however fast the link"
        allowed = f"at least {format_duration(math.ceil(least), 3)} ({share} of the period) and the latency"
        facts.problem(f"{path}.at_most", found, allowed)


def _drift(_check: p.Drift, path: str, facts: Facts) -> None:
    """Refuse a drift in a plan of one round; a snippet is no whole plan."""
    if "steps" in facts.reading.places and not facts.is_written("soak"):
        found = "drift without `soak`: one round shows none"
        facts.problem(path, found, "add `soak: {for: 8 h}` above the steps, or leave the check out")


_RULES: Final[Mapping[type, Callable[[Any, str, Facts], None]]] = MappingProxyType(
    {
        p.Channel: _channel,
        p.Failsafe: _failsafe,
        p.Link: _link,
        p.Hold: _hold,
        p.Step: _between,
        p.Ramp: _between,
        p.Sweep: _sweep,
        p.Cut: check_cut,
        p.Fade: check_fade,
        p.Restart: check_restart,
        p.Wait: _wait,
        p.Inject: _inject,
        p.Margin: check_margin,
        p.LinkMargin: check_link_margin,
        p.FindThroughput: check_throughput,
        p.Overload: check_overload,
        p.Throughput: check_search,
        p.BackToBack: check_search,
        p.Recovery: check_recovery,
        p.PacketRate: _packet_rate,
        p.ControlGap: _control_gap,
        p.ControlAge: _control_age,
        p.Latency: _latency,
        p.FailsafeEntry: check_failsafe,
        p.FailsafeOutputs: check_failsafe,
        p.FailsafeExit: check_failsafe,
        p.StartUp: check_start_up,
        p.FailsafeMargin: check_failsafe_margin,
        p.Drift: _drift,
        p.Noise: _noise,
        p.TelemetryValue: _telemetry,
        p.TelemetryAge: _telemetry,
    }
)
