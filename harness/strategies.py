"""What may happen to a link on the bench? Hypothesis strategies for steps, scenarios and whole plans.

    from hypothesis import given
    from harness import load_plan, strategies

    link = load_plan("my-plan.yaml").link

    @given(strategies.plans(link))
    def test_every_plan_is_legal(plan): ...

A step is plain data, as it stands in a plan: `{"cut": {"duration": "700 ms", "by": "deaf"}}`. Everything is
drawn from booleans alone, so that a seed gives the same plans whatever code is loaded beside: Hypothesis
also tries numbers that it finds in the source of other modules. Simplest values come first, and examples
shrink towards them: fewest steps, shortest times, sticks at rest, silence before other ways of cutting.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cache, reduce
from typing import Any, Final, TypeVar

from hypothesis import assume
from hypothesis import strategies as st

from harness.clock import MS, S
from harness.codec.messages import Ability
from harness.plan import model as p
from harness.plan.extent import total_ns
from harness.plan.invariants import invariants
from harness.plan.reader import parse_plan
from harness.plan.units import format_duration, format_frequency, format_pulse
from harness.plan.writing import Data, plan_text

T = TypeVar("T")
Draw = Callable[[st.SearchStrategy[Any]], Any]

BEGIN: Final = "at rest"
"""Name of the settle that every generated plan begins with: what was before it is over."""
END: Final = "back again"
"""Name of the settle that it ends with: the link must have come back."""
BEGIN_NS: Final = 500 * MS
FADE_PERIODS: Final = 6
"""A fade over fewer packet periods has no two silences on its way, and is a cut."""
END_PACKETS: Final = 62
"""Packets in the last settle: a few more than the 59 that a check needs to say that something never was."""


@dataclass(frozen=True, slots=True)
class Bounds:
    """How far generated steps may go, and what the devices can do.

    `steps` and `length_ns` bound what lies between the first and the last rest of a plan, which may be longer
    by twice the link's failsafe time; `burst` and `spacing_us` the packets in a row and the time between
    them; `restart_ms` is the time that a device gets to come back. `transmitter` and `receiver` are what each
    says that it can do (`harness.codec.messages.Ability`).
    """

    steps: int = 5
    length_ns: int = 6 * S
    burst: int = 32
    spacing_us: int = 0
    restart_ms: int = 800
    transmitter: int = ~0
    receiver: int = ~0

    def can(self, ability: Ability) -> bool:
        """Whether the device that this concerns says that it has the ability."""
        of_receiver = Ability.INJECT | Ability.MUTE_ACKS | Ability.DEAFEN
        return bool((self.receiver if ability & of_receiver else self.transmitter) & ability)


SIMULATED: Final = Bounds()
POLITE: Final = Bounds(length_ns=12 * S, burst=8, spacing_us=5_000, restart_ms=3_000)
"""For hardware: no faster than 200 packets a second, and time for a boot loader (common practice: 2 s)."""


# -- numbers ------------------------------------------------------------------------------------------------


@cache  # a strategy that is known already need not be looked through again
def whole(low: int, high: int) -> st.SearchStrategy[int]:
    """Yield whole numbers from `low` to `high`, towards `low`; the lower ones may come a little oftener."""
    bits = st.tuples(*(st.booleans(),) * (high - low).bit_length())
    return bits.map(lambda drawn: low + _number(drawn) % (high - low + 1))


def _number(bits: Iterable[bool]) -> int:
    """Return the number that these bits are, highest first."""
    return reduce(lambda number, bit: 2 * number + bit, bits, 0)


def among(values: Sequence[T]) -> st.SearchStrategy[T]:
    """Yield one of `values`, towards the first."""
    return whole(0, len(values) - 1).map(values.__getitem__)


@st.composite
def either(draw: Draw, *strategies: st.SearchStrategy[T]) -> T:
    """Yield from one of the strategies, towards the first."""
    found: T = draw(draw(among(strategies)))
    return found


def durations(low_ms: int, high_ms: int, *, in_steps_of_ms: int = 1) -> st.SearchStrategy[str]:
    """Yield times such as `120 ms`, towards the shortest."""
    turns = (high_ms - low_ms) // in_steps_of_ms
    return whole(0, turns).map(lambda turn: format_duration((low_ms + turn * in_steps_of_ms) * MS))


def pulses(channel: p.Channel) -> st.SearchStrategy[int]:
    """Yield pulses in us that a stick may show: at rest, at an end, or anywhere."""
    low, high = channel.range.low_us, channel.range.high_us
    return either(among((channel.rest_us, low, high)), whole(low, high))


def _times(number: int) -> Data:
    """Return the key `times`, unless it says nothing."""
    return {"times": number} if number > 1 else {}


# -- sticks -------------------------------------------------------------------------------------------------


def settles() -> st.SearchStrategy[Data]:
    """Yield rests of all sticks."""
    return durations(100, 500, in_steps_of_ms=100).map(lambda time: {"settle": time})


@st.composite
def holds(draw: Draw, link: p.Link) -> Data:
    """Yield stick positions of one channel or of all."""
    one = draw(st.booleans().map(lambda several: not several))
    channels = [draw(among(link.channels))] if one else link.channels
    sticks = {channel.name: format_pulse(draw(pulses(channel))) for channel in channels}
    return {"hold": {"for": draw(durations(100, 700, in_steps_of_ms=100)), "sticks": sticks}}


@st.composite
def _ends(draw: Draw, channel: p.Channel) -> Data:
    """Yield two different pulses as `from` and `to`, or none for the whole span."""
    if not draw(st.booleans()):
        return {}
    start, end = draw(pulses(channel)), draw(pulses(channel))
    return {} if start == end else {"from": format_pulse(start), "to": format_pulse(end)}


@st.composite
def jumps(draw: Draw, link: p.Link) -> Data:
    """Yield jumps of one stick: the plan's `step`."""
    channel = draw(among(link.channels))
    dwell, times = draw(durations(40, 200, in_steps_of_ms=20)), draw(whole(1, 4))
    return {"step": {"channel": channel.name, **draw(_ends(channel)), "dwell": dwell, **_times(times)}}


@st.composite
def ramps(draw: Draw, link: p.Link) -> Data:
    """Yield even movements of one stick."""
    channel = draw(among(link.channels))
    over = draw(durations(200, 800, in_steps_of_ms=100))
    return {"ramp": {"channel": channel.name, **draw(_ends(channel)), "over": over}}


@st.composite
def sweeps(draw: Draw, link: p.Link) -> Data:
    """Yield movements to and fro of one stick, of all in turn, or of all together; stairs on a few values."""
    channel = draw(among(link.channels))
    if draw(st.booleans()):
        low = draw(whole(channel.range.low_us, channel.range.high_us - channel.resolution_us))
        high = min(low + draw(whole(1, 16)) * channel.resolution_us, channel.range.high_us)
        span = {"from": format_pulse(low), "to": format_pulse(high)}
        return {"sweep": {"channels": [channel.name], "shape": "staircase", **span}}
    shape, together = draw(among(("triangle", "sine"))), draw(st.booleans())
    if together:
        period = draw(durations(400, 2000, in_steps_of_ms=200))
        return {"sweep": {"channels": "all", "shape": shape, "period": period, "together": True}}
    period = draw(durations(200, 800, in_steps_of_ms=100))
    return {"sweep": {"channels": [channel.name], "shape": shape, "period": period}}


def corners() -> st.SearchStrategy[Data]:
    """Yield all channels at their ends, every two in all four ways."""
    return durations(40, 200, in_steps_of_ms=20).map(lambda time: {"corners": {"dwell": time}})


@st.composite
def wanders(draw: Draw) -> Data:
    """Yield random walks of all sticks."""
    time, stride = draw(durations(200, 1000, in_steps_of_ms=200)), draw(among((40, 1, 5, 200, 1000)))
    return {"wander": {"for": time, "stride": format_pulse(stride)}}


# -- packets, and none of them ------------------------------------------------------------------------------


@st.composite
def bursts(draw: Draw, bounds: Bounds = SIMULATED) -> Data:
    """Yield extra packets."""
    spacings = [us for us in (5_000, 2_000, 1_000, 500, 0) if us >= bounds.spacing_us] or [bounds.spacing_us]
    return {
        "burst": {
            "count": draw(whole(1, bounds.burst)),
            "spacing": format_duration(draw(among(spacings)) * 1_000),
            **_times(draw(whole(1, 3))),
            "pause": draw(durations(100, 500, in_steps_of_ms=100)),
        }
    }


def cut_ways(bounds: Bounds = SIMULATED) -> tuple[p.CutBy, ...]:
    """Return how these devices can have their link cut."""
    disturbs, deafens = bounds.can(Ability.DISTURB), bounds.can(Ability.DEAFEN)
    needs = {"corrupted": disturbs, "foreign": disturbs, "repeated": disturbs, "deaf": deafens}
    return tuple(way for way in p.CUT_WAYS if needs.get(way, True))


def _cut_times(link: p.Link) -> st.SearchStrategy[str]:
    """Yield cuts long enough for failsafe, too short for it, and around both of its times."""
    within, early = link.failsafe.within_ns // MS, link.failsafe.earliest_ns // MS
    period = -(-link.packet_period_ns // MS)
    long = durations(within + 4 * period, within + 600, in_steps_of_ms=20)
    short = durations(1, max(1, early - 2 * period))
    edge = durations(max(1, early - 2 * period), within + 4 * period)
    return either(long, long, short, edge)


@st.composite
def cuts(draw: Draw, link: p.Link, bounds: Bounds = SIMULATED) -> Data:
    """Yield link cuts of every way, length and phase."""
    way, sticks = draw(among(cut_ways(bounds))), draw(among(("drawn", "ends", "high")))
    bursts_too = bounds.spacing_us == 0 and bounds.can(Ability.BURST) and way != "deaf"
    burst = draw(whole(1, bounds.burst)) if bursts_too and draw(st.booleans()) else 0
    period_ms = max(1, link.packet_period_ns // MS)
    keys: Data = {"duration": draw(_cut_times(link))}
    keys |= _times(draw(whole(1, 4)))
    keys |= {"by": way, "ability": "if present"} if way != "silence" else {}
    keys |= {"sticks": sticks} if sticks != "drawn" else {}
    keys |= {"burst": burst} if burst else {}
    keys |= {"phase": draw(durations(0, period_ms))} if draw(st.booleans()) else {}
    keys |= {"before": draw(durations(100, 500, in_steps_of_ms=100))}
    keys |= {"after": draw(durations(200, 600, in_steps_of_ms=100))}
    rate = link.packet_rate_mhz // 2
    slow = bounds.can(Ability.SET_PACKET_RATE) and not burst and way == "silence"
    if slow and rate * link.failsafe.within_ns >= 4 * 10**12 and draw(_seldom()):
        keys["packet_rate"] = format_frequency(rate)
    return {"cut": keys}


def _seldom() -> st.SearchStrategy[bool]:
    return whole(0, 7).map(lambda drawn: drawn == 7)


def _now_and_then() -> st.SearchStrategy[bool]:
    return whole(0, 3).map(lambda drawn: drawn == 3)


@st.composite
def fades(draw: Draw, link: p.Link) -> Data:
    """Yield flights out of range and back, with failsafe or without."""
    least_ms = max(300, -(-FADE_PERIODS * link.packet_period_ns // MS))
    over = draw(durations(least_ms, least_ms + 1200, in_steps_of_ms=100))
    time = draw(durations(100, link.failsafe.within_ns // MS + 400, in_steps_of_ms=100))
    return {"fade": {"over": over, "duration": time, "before": "200 ms", "after": "400 ms"}}


@st.composite
def mutes(draw: Draw) -> Data:
    """Yield times without acknowledgements."""
    time = draw(durations(100, 1500, in_steps_of_ms=100))
    times = _times(draw(whole(1, 2)))
    return {"mute": {"for": time, **times, "pause": "300 ms", "ability": "if present"}}


@st.composite
def interferences(draw: Draw) -> Data:
    """Yield packets of another transmitter between the link's own."""
    time = draw(durations(100, 1500, in_steps_of_ms=100))
    times = _times(draw(whole(1, 2)))
    return {"interfere": {"for": time, **times, "pause": "300 ms", "ability": "if present"}}


@st.composite
def restarts(draw: Draw, bounds: Bounds = SIMULATED) -> Data:
    """Yield restarts of either device: in flight, during failsafe, and with counters about to wrap."""
    able = [role for role in ("receiver", "transmitter") if getattr(bounds, role) & Ability.RESTART]
    device = draw(among(able))
    keys: Data = {"device": device}
    if device == "receiver" and draw(st.booleans()):
        keys["silent"] = draw(durations(200, 1000, in_steps_of_ms=200))
    elif getattr(bounds, device) & Ability.RESTART_AT and draw(st.booleans()):
        keys["clock_wraps_in"] = draw(durations(250, 3250, in_steps_of_ms=250))
        if device == "transmitter":
            keys["packets_wrap_in"] = draw(whole(1, 128))
        keys["ability"] = "if present"
    after = durations(bounds.restart_ms, bounds.restart_ms + 600, in_steps_of_ms=200)
    return {"restart": keys | {"before": draw(durations(100, 500, in_steps_of_ms=100)), "after": draw(after)}}


@st.composite
def injections(draw: Draw) -> Data:
    """Yield telemetry values of every field."""
    times, every = draw(whole(1, 8)), draw(durations(100, 300, in_steps_of_ms=50))
    return {"inject": {"times": times, "every": every}}


# -- whole plans --------------------------------------------------------------------------------------------


def steps(link: p.Link, bounds: Bounds = SIMULATED) -> st.SearchStrategy[Data]:
    """Yield any one step that these devices can carry out."""
    cut = cuts(link, bounds)
    burst = bursts(bounds) if bounds.can(Ability.BURST) else cut
    restart = restarts(bounds) if _restartable(bounds) else cut
    mute = mutes() if bounds.can(Ability.MUTE_ACKS) else cut
    interfere = interferences() if bounds.can(Ability.DISTURB) else cut
    injects = bounds.can(Ability.INJECT) and any(field.source == "injected" for field in link.telemetry)
    movements = (holds(link), jumps(link), ramps(link), sweeps(link), wanders(), corners())
    others = (burst, restart, restart, fades(link), mute, interfere, injections() if injects else cut)
    return either(settles(), *movements, cut, cut, *others)  # sixteen: each is as likely as any other


def _restartable(bounds: Bounds) -> bool:
    return bool((bounds.receiver | bounds.transmitter) & Ability.RESTART)


@st.composite
def scenarios(draw: Draw, link: p.Link, bounds: Bounds = SIMULATED) -> list[Data]:
    """Yield one step or a few; many are followed by a cut, in which what they spoilt can show."""
    found: list[Data] = []
    while not found or (len(found) < bounds.steps and draw(whole(0, 3))):  # go on in three cases of four
        found.append(draw(steps(link, bounds)))
        if "cut" not in found[-1] and draw(_now_and_then()):
            found.append(draw(cuts(link, bounds)))
    return found[: bounds.steps]


def framed(scenario: Sequence[Data], link: p.Link) -> list[Data]:
    """Return the steps of a plan: a rest, the scenario, and a rest in which the link must be back."""
    end_ns = max(S, END_PACKETS * link.packet_period_ns)
    begin = {"settle": format_duration(BEGIN_NS), "name": BEGIN}
    return [begin, *scenario, {"settle": format_duration(end_ns), "name": END}]


def plan_of(written: Sequence[Data], link: p.Link, safety: p.Safety | None = None) -> p.Plan:
    """Return the plan of these steps with the invariants as its checks. Raises PlanError."""
    text = plan_text(link, written, invariants(written, link), title=TITLE, safety=safety)
    return parse_plan(text, TITLE, TITLE)


@st.composite
def plans(draw: Draw, link: p.Link, bounds: Bounds = SIMULATED, safety: p.Safety | None = None) -> p.Plan:
    """Yield whole plans that every healthy link with these declarations passes, `text` as in a file.

    Their checks are the invariants of `harness.plan.invariants`. Each begins and ends with every stick at
    rest. Steps for which `bounds` leave no time are left out.
    """
    scenario = draw(scenarios(link, bounds))
    plan = plan_of(framed(scenario, link), link, safety)
    most_ns = bounds.length_ns + 2 * link.failsafe.within_ns
    fitting = _fitting(plan.steps[1:-1], most_ns, link)
    assume(fitting)
    return plan if fitting == len(scenario) else plan_of(framed(scenario[:fitting], link), link, safety)


def _fitting(between: Sequence[p.PlanStep], most_ns: int, link: p.Link) -> int:
    """Return how many of the steps fit into a time."""
    return sum(total_ns(between[:count], link) <= most_ns for count in range(1, len(between) + 1))


TITLE: Final = "explored"
"""Title of a plan that nobody has looked at yet."""
