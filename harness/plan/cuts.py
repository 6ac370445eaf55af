"""Do cuts, fades and restarts fit the link, and the failsafe checks the cuts? What each of them can show."""

from __future__ import annotations

from harness.bench.protocol import Role
from harness.plan import model as p
from harness.plan.extent import fade_silences
from harness.plan.facts import Facts
from harness.plan.units import format_duration, format_frequency

PERIODS_IN_FAILSAFE = 2
"""Packet periods that the failsafe time must hold, whatever the rate."""
FEWEST_SILENCES = 2
"""A fade with fewer silences on its way is a cut."""


def check_cut(cut: p.Cut, path: str, facts: Facts) -> None:
    """Note a burst that a cut cannot have, and a packet rate that tells nothing."""
    if cut.burst and cut.by == "deaf":
        found = "`burst` with by: deaf, where every packet of it is acknowledged"
        facts.problem(f"{path}.burst", found, "leave it out, or cut in another way")
    if cut.by in p.OUTSIDE_WAYS:
        _no_command(cut, path, facts)
    if facts.link is None or cut.packet_rate_mhz is None:
        return
    rate = format_frequency(cut.packet_rate_mhz)
    if cut.packet_rate_mhz == facts.link.packet_rate_mhz:
        found = f"{rate} is the link's own rate"
        facts.problem(f"{path}.packet_rate", found, "leave it out, or write another rate")
    elif cut.packet_rate_mhz * facts.link.failsafe.within_ns < PERIODS_IN_FAILSAFE * 10**12:
        least = -(-PERIODS_IN_FAILSAFE * 10**12 // facts.link.failsafe.within_ns)
        found = f"at {rate} packets come so far apart that one lost packet brings failsafe"
        facts.problem(f"{path}.packet_rate", found, f"at least {format_frequency(least)}")


def _no_command(cut: p.Cut, path: str, facts: Facts) -> None:
    """Note what only a cut by command can have: nothing outside keeps time with packets."""
    for word in ("burst", "packet_rate"):
        if facts.is_written(f"{path}.{word}"):
            found = f"`{word}` with by: {cut.by}"
            facts.problem(f"{path}.{word}", found, "leave it out, or cut in another way")


def check_fade(fade: p.Fade, path: str, facts: Facts) -> None:
    """Note a fade that is too short for silences of one and of two packet periods on its way."""
    if facts.link is None or fade_silences(fade, facts.link) >= FEWEST_SILENCES:
        return
    period_ns = facts.link.packet_period_ns
    least = FEWEST_SILENCES * (FEWEST_SILENCES + 3) // 2 * period_ns
    found = f"{format_duration(fade.over_ns)} is too short for packets {format_duration(period_ns)} apart"
    facts.problem(f"{path}.over", found, f"at least {format_duration(least)}: silences of 1 and 2 periods")


def check_restart(restart: p.Restart, path: str, facts: Facts) -> None:
    """Note what only the other device can do in a restart."""
    if restart.silent_ns and restart.device is not Role.RECEIVER:
        found = f"`silent` with device: {restart.device}"
        allowed = "it cuts the link around a receiver's restart; write `device: receiver`, or leave it out"
        facts.problem(f"{path}.silent", found, allowed)
    if restart.packets_wrap_in is not None and restart.device is not Role.TRANSMITTER:
        found = f"`packets_wrap_in` with device: {restart.device}"
        allowed = "only a transmitter numbers packets; write `device: transmitter`, or leave it out"
        facts.problem(f"{path}.packets_wrap_in", found, allowed)
    if restart.by == "command" and facts.is_written(f"{path}.unpowered"):
        allowed = "it is the time without power; write `by: power` too, or leave it out"
        facts.problem(f"{path}.unpowered", "`unpowered` with by: command", allowed)
    for word in ("silent", "clock_wraps_in", "packets_wrap_in"):
        if restart.by == "power" and facts.is_written(f"{path}.{word}"):
            allowed = "it needs a command; write `by: command`, or leave it out"
            facts.problem(f"{path}.{word}", f"`{word}` with by: power", allowed)


def check_failsafe(
    check: p.FailsafeEntry | p.FailsafeOutputs | p.FailsafeExit, path: str, facts: Facts
) -> None:
    """Refuse a failsafe check without a cut that is long enough for it; a fade is a cut as well."""
    if facts.no_step("cut", "fade"):
        facts.problem(
            path, f"{check.WORD} needs a cut step", "add one, such as `cut: {duration: 1 s, times: 20}`"
        )
        return
    cuts = [made for made in facts.reading.made.values() if isinstance(made, p.Cut | p.Fade)]
    words = facts.words("step")
    some_unread = len(cuts) < words.count("cut") + words.count("fade")
    if isinstance(check, p.FailsafeExit) or facts.link is None or not cuts or some_unread:
        return
    if isinstance(check, p.FailsafeEntry):
        cuts = [cut for cut in cuts if not (isinstance(cut, p.Cut) and cut.packet_rate_mhz)]
        if not cuts:
            facts.problem(path, "every cut is at another packet rate", "add a cut without `packet_rate`")
            return
    _long_enough(check, max(cut.duration_ns for cut in cuts), path, facts)


def _long_enough(
    check: p.FailsafeEntry | p.FailsafeOutputs, longest_ns: int, path: str, facts: Facts
) -> None:
    assert facts.link is not None
    own = check.within_ns if isinstance(check, p.FailsafeEntry) else None
    least = (own or facts.link.failsafe.within_ns) + facts.link.packet_period_ns
    if longest_ns <= least:
        found = f"the longest cut, {format_duration(longest_ns)}, ends before failsafe is due"
        facts.problem(
            path, found, f"make a cut longer than {format_duration(least)}, the limit and one packet period"
        )


def check_start_up(_check: p.StartUp, path: str, facts: Facts) -> None:
    """Refuse a check of the receiver's start where it never starts."""
    restarts = [made for made in facts.reading.made.values() if isinstance(made, p.Restart)]
    all_read = len(restarts) == facts.words("step").count("restart")
    receivers = [restart for restart in restarts if restart.device is Role.RECEIVER]
    whole = "steps" in facts.reading.places and "step" not in facts.reading.torn
    if whole and all_read and not receivers:
        example = "restart: {device: receiver, silent: 1 s}"
        found = "start_up without a restart of the receiver"
        facts.problem(path, found, f"add a step such as `{example}`")


def check_failsafe_margin(_check: p.FailsafeMargin, path: str, facts: Facts) -> None:
    """Refuse a margin of the throttle that no step or no channel can show."""
    if facts.link is not None and not any(channel.role == "throttle" for channel in facts.link.channels):
        found = "failsafe_margin without a throttle channel"
        facts.problem(path, found, "give the motor's channel `role: throttle`, or leave the check out")
    elif facts.no_step("own_sticks"):
        found = "failsafe_margin without an own_sticks step"
        facts.problem(path, found, "add a step such as `own_sticks: {for: 10 s}`")
