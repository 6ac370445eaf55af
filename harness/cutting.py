"""How is the link cut, faded, disturbed or started anew in a step? The commands that do it, and the sticks.

Sticks move meanwhile, so that an old value cannot pass for a new one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction
from random import Random
from typing import Any, Final

from harness.bench.protocol import Role
from harness.clock import MS, US, S
from harness.codec import messages as m
from harness.moving import end_sticks, pairwise_ends, walk
from harness.plan import model as p
from harness.plan.extent import burst_lead_ns, disturbed_ns, fade_silences, fade_way_ns, restart_lead_ns
from harness.segments import Draft, Due, Positions, Sticks, packet_rate, times

CUT_BEFORE: Final = (Fraction(3, 5), Fraction(13, 20))
CUT_AFTER: Final = (Fraction(3, 10), Fraction(7, 20))
"""Throttle during the linked time before and after a cut, as shares of its travel: far apart, so that a
value replayed from before the cut cannot pass for a fresh one."""
CUT_LOW: Final = (Fraction(0), Fraction(2, 5))
CUT_HIGH: Final = (Fraction(3, 5), Fraction(1))
"""Any other stick is in one of these spans before a cut and in the other after it."""
STRIDE_US: Final = 40
"""Largest move of a stick from one packet to the next while nothing is acknowledged or strangers send."""
CLOCK_WRAPS: Final = 2**32
PACKETS_WRAP: Final = 2**16
DISTURBANCES: Final = {
    "corrupted": m.Disturbance.CORRUPTED,
    "foreign": m.Disturbance.FOREIGN,
    "repeated": m.Disturbance.REPEATED,
}
BY: Final = {
    "silence": "",
    "corrupted": ", only corrupted packets come",
    "foreign": ", only another transmitter's packets come",
    "repeated": ", only the last packet comes again",
    "deaf": ", packets are acknowledged and thrown away",
    "power": ", the transmitter has no power",
    "path": ", the antenna path is open",
}
STICKS: Final = {
    "drawn": "",
    "ends": ", every stick at an end before it",
    "high": ", every stick high before it",
}


# -- cuts --------------------------------------------------------------------------------------------------


def cut(draft: Draft, step: p.PlanStep, action: p.Cut) -> None:
    """Append each cut as a segment of its own."""
    for _ in range(action.times):
        _one_cut(draft, step, action)


def _one_cut(draft: Draft, step: p.PlanStep, action: p.Cut) -> None:
    chance = draft.chance()
    period = action.period_ns(draft.link.packet_period_ns)
    phase = chance.randrange(period) if action.phase == "random" else action.phase
    before, after = _cut_sticks(draft, step, action, chance)
    begin = action.before_ns + phase + burst_lead_ns(action)
    length = begin + action.duration_ns + action.after_ns

    def positions() -> Positions:
        return iter([(0, before), (begin + action.duration_ns // 2, after)])

    def extra() -> Iterator[Due]:
        if action.packet_rate_mhz:  # set anew for each cut: packets then begin at another phase
            yield packet_rate(0, action.packet_rate_mhz)
        yield from _cut_commands(action, phase)
        if action.packet_rate_mhz:
            yield packet_rate(length, draft.link.packet_rate_mhz)

    draft.sticks = after
    sending = length if action.by in ("deaf", "path") else length - action.duration_ns
    draft.play(step, _cut_title(action), length, positions, extra, cuts=1, packets=sending // period)


def _cut_commands(action: p.Cut, phase_ns: int) -> Iterator[Due]:
    """A burst's command goes out right behind that of its cut, which the device itself then times."""
    at, delay = action.before_ns, phase_ns
    if action.burst:
        at, delay = action.before_ns + phase_ns, burst_lead_ns(action)
    span = delay // US, action.duration_ns // US
    if action.by in p.OUTSIDE_WAYS:
        return  # harness.outside carries it out, on the sticks of this segment
    if action.by == "silence":
        yield Due(at, Role.TRANSMITTER, m.Silence(*span), "cut")
    elif action.by == "deaf":
        yield Due(at, Role.RECEIVER, m.Deafen(*span), "cut")
    else:
        yield Due(at, Role.TRANSMITTER, m.Disturb(DISTURBANCES[action.by], *span), "cut")
    if action.burst:
        yield Due(at, Role.TRANSMITTER, m.Burst(action.burst, 0), "burst")


def _cut_title(action: p.Cut) -> str:
    title = f"link cut for {action.duration_ns // MS} ms{BY[action.by]}"
    if action.packet_rate_mhz:
        title += f" at {action.packet_rate_mhz / 1000:g} Hz"
    if action.burst:
        title += f", in a burst of {action.burst}"
    return title + STICKS[action.sticks]


def _cut_sticks(draft: Draft, step: p.PlanStep, action: p.Cut, chance: Random) -> tuple[Sticks, Sticks]:
    """Return where the sticks stand before and after a cut: far apart."""
    if action.sticks == "drawn":
        return _drawn_sticks(draft, chance)
    row: tuple[bool, ...] = (True,) * len(draft.link.channels)
    if action.sticks == "ends":
        rows = pairwise_ends(len(draft.link.channels))
        row = rows[draft.turn(step.path) % len(rows)]
    return end_sticks(draft, row), _away_from(draft, row, chance)


def _drawn_sticks(draft: Draft, chance: Random) -> tuple[Sticks, Sticks]:
    """Return sticks before and after a cut: far apart, and off their failsafe values."""
    pairs = []
    for index, channel in enumerate(draft.link.channels):
        spans = [CUT_BEFORE, CUT_AFTER]
        if channel.role != "throttle":
            spans = [CUT_LOW, CUT_HIGH]
            chance.shuffle(spans)
        pairs.append([_drawn(draft, chance, index, *span) for span in spans])
    before, after = zip(*pairs, strict=True)
    return before, after


def _away_from(draft: Draft, row: tuple[bool, ...], chance: Random) -> Sticks:
    """Return sticks far from the ends in `row`, and off their failsafe values; throttles stay low."""
    spans = (
        CUT_AFTER if channel.role == "throttle" else CUT_LOW if up else CUT_HIGH
        for channel, up in zip(draft.link.channels, row, strict=True)
    )
    return tuple(_drawn(draft, chance, index, *span) for index, span in enumerate(spans))


def _drawn(draft: Draft, chance: Random, index: int, least: Fraction, most: Fraction) -> int:
    """Return a stick pulse between two shares of the travel allowed, not the one that failsafe shows."""
    channel = draft.link.channels[index]
    low, top = channel.range.low_us, draft.tops[index]
    ends = [low + (top - low) * share.numerator // share.denominator for share in (least, most)]
    pulse = chance.randint(*ends)
    return pulse if channel.output_us(pulse) != channel.failsafe_us else ends[pulse == ends[0]]


# -- fades -------------------------------------------------------------------------------------------------


def fade(draft: Draft, step: p.PlanStep, action: p.Fade) -> None:
    """Append each fade as a segment of its own."""
    for _ in range(action.times):
        _one_fade(draft, step, action)


def _one_fade(draft: Draft, step: p.PlanStep, action: p.Fade) -> None:
    chance, period = draft.chance(), draft.link.packet_period_ns
    begin = action.before_ns + chance.randrange(period)
    before, after = _drawn_sticks(draft, chance)
    silences, way = fade_silences(action, draft.link), fade_way_ns(action, draft.link)
    length = begin + way + action.duration_ns + way + action.after_ns

    def positions() -> Positions:
        return iter([(0, before), (begin + way + action.duration_ns // 2, after)])

    def extra() -> Iterator[Due]:
        """Each command goes out half a period ahead, when the silence before it is surely over."""
        for start, silence in _silences(silences, begin, action.duration_ns, period):
            at = max(0, start - period // 2)
            message = m.Silence((start - at) // US, silence // US)
            yield Due(at, Role.TRANSMITTER, message, "cut")

    draft.sticks = after
    sent = draft.packets(action.before_ns + action.after_ns) + 2 * silences
    title = (
        f"link fades over {way / S:g} s, is gone for {action.duration_ns / S:g} s and comes back: "
        f"single packets between silences of 1 to {silences} packet periods"
    )
    draft.play(step, title, length, positions, extra, cuts=1, packets=sent)


def _silences(count: int, begin_ns: int, duration_ns: int, period_ns: int) -> Iterator[tuple[int, int]]:
    """Yield start and length in ns of every silence of a fade; one packet period is between two of them."""
    way = [period_ns * periods for periods in range(1, count + 1)]
    for length in (*way, duration_ns, *reversed(way)):
        yield begin_ns, length
        begin_ns += length + period_ns


# -- acknowledgements missing, strangers beside ------------------------------------------------------------


def mute(draft: Draft, step: p.PlanStep, action: p.Mute) -> None:
    """Append a segment in which the receiver acknowledges nothing for a while, once or again and again."""

    def message(delay_us: int, duration_us: int) -> Any:
        return m.MuteAcks(delay_us, duration_us)

    title = f"nothing is acknowledged for {action.for_ns / S:g} s, {times(action.times)}"
    _disturbed(draft, step, action, title, Role.RECEIVER, message)


def interfere(draft: Draft, step: p.PlanStep, action: p.Interfere) -> None:
    """Append a segment in which packets of another transmitter come between the link's own."""

    def message(delay_us: int, duration_us: int) -> Any:
        return m.Disturb(m.Disturbance.BESIDE, delay_us, duration_us)

    title = f"another transmitter's packets between for {action.for_ns / S:g} s, {times(action.times)}"
    _disturbed(draft, step, action, title, Role.TRANSMITTER, message)


def _disturbed(
    draft: Draft,
    step: p.PlanStep,
    action: p.Mute | p.Interfere,
    title: str,
    role: Role,
    message: Callable[[int, int], Any],
) -> None:
    """Every stick wanders all the while: each packet carries something new, off what a stranger sends."""
    chance, period = draft.chance(), draft.link.packet_period_ns
    one, name = disturbed_ns(action, draft.link), chance.getrandbits(64)
    base, _ = _drawn_sticks(draft, chance)
    positions = walk(draft, base, one * action.times, period, STRIDE_US)

    def extra() -> Iterator[Due]:
        phases = Random(name)
        for turn in range(action.times):
            command = message(phases.randrange(period) // US, action.for_ns // US)
            yield Due(turn * one, role, command, action.WORD)

    draft.play(step, title, one * action.times, positions, extra, every_ns=period)
    draft.sticks = draft.link.rest_us


# -- restarts ----------------------------------------------------------------------------------------------


def restart(draft: Draft, step: p.PlanStep, action: p.Restart) -> None:
    """Append a segment in which a device restarts, once or again and again."""
    if action.by == "power":
        one = action.before_ns + action.unpowered_ns + action.after_ns
        title = (
            f"the {action.device} is without power for {action.unpowered_ns / S:g} s, {times(action.times)}"
        )
        sending = draft.packets(action.times * (action.before_ns + action.after_ns))
        draft.play(step, title, one * action.times, draft.still(), packets=sending)
        return
    lead = restart_lead_ns(action, draft.link)
    one = action.before_ns + lead + action.silent_ns + action.after_ns
    message = _restart_message(action)

    def extra() -> Iterator[Due]:
        for turn in range(action.times):
            at = turn * one + action.before_ns
            if action.silent_ns:
                silence = m.Silence(0, (lead + action.silent_ns) // US)
                yield Due(at, Role.TRANSMITTER, silence, "cut")
            yield Due(at + lead, action.device, message, "restart")

    title = f"the {action.device} restarts {times(action.times)}{_restart_words(action)}"
    draft.play(
        step,
        title,
        one * action.times,
        draft.still(),
        extra,
        cuts=action.times if action.silent_ns else 0,
        packets=draft.packets(action.times * (action.before_ns + action.after_ns)),
    )


def _restart_message(action: p.Restart) -> Any:
    """Return the command; a counter that is not asked for starts at 0, as after any reset."""
    if action.clock_wraps_in_ns is None and action.packets_wrap_in is None:
        return m.Restart()
    clock_us = CLOCK_WRAPS - (action.clock_wraps_in_ns or 0) // US
    return m.RestartAt(clock_us % CLOCK_WRAPS, (PACKETS_WRAP - (action.packets_wrap_in or 0)) % PACKETS_WRAP)


def _restart_words(action: p.Restart) -> str:
    words = ""
    if action.clock_wraps_in_ns is not None:
        words += f", its clock {action.clock_wraps_in_ns / S:g} s before it wraps"
    if action.packets_wrap_in is not None:
        words += f", its packet numbers {action.packets_wrap_in} before they wrap"
    if action.silent_ns:
        words += f", in failsafe, and no packet comes for {action.silent_ns / S:g} s"
    return words
