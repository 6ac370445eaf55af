"""Timer, task, frames or packets: each leaves its trace, is told by it, and is left open without one."""

import numpy as np
import pytest
from scenario import RUN_NS, S, Scenario, Silence

from harness.clock import MS
from harness.measure.evidence import gather
from harness.measure.failsafe import failsafe_entries
from harness.measure.failsafe_timing import FEWEST, Keeping, Timing, failsafe_timing, tell_timekeeping

LINK_US = 20_000.0
COUNT = 24


def times(keeping, rates=(20_000, 40_000), cuts=10, seed=1, tick=7_000, jitter=0, drift=False):
    """Failsafe by one way of keeping time, `cuts` at each packet period, packets at a new phase each time.

    With `drift` packets keep one phase, which moves by 20 us a cut, as two crystals do.
    """
    generator = np.random.default_rng(seed)
    rows = []
    for place, period in enumerate(np.repeat(rates, cuts).tolist()):
        phase = 5_000 + 20 * place if drift else int(generator.integers(period))
        packet = 1_000_000 + 2_000_000 * place + phase
        late = int(generator.integers(jitter + 1))
        due = packet + 480_000 + late
        if keeping is Keeping.TASK:
            due += -due % tick
        elif keeping is Keeping.FRAMES:
            due = (packet // 20_000 + COUNT) * 20_000 + late
        elif keeping is Keeping.PACKETS:
            due = packet + COUNT * period + late
        rows.append((due - packet, due, period))
    entry, at, period = np.array(rows).T
    return Timing(
        entry_us=entry, at_us=at, life=np.zeros(len(rows), dtype=np.int64), period_us=period.astype(float),
        usual=period == 20_000, silent_us=(),
    )  # fmt: skip


WAYS = [Keeping.TIMER, Keeping.TASK, Keeping.FRAMES, Keeping.PACKETS]


@pytest.mark.parametrize("jitter", [0, 300], ids=["sharp", "a loop of 0.3 ms"])
@pytest.mark.parametrize("keeping", WAYS)
def test_each_way_is_told_from_ten_cuts_at_each_of_two_rates(keeping, jitter):
    """19 of 20 seeds or more; over 60 seeds of the mock all were told (tests/evidence)."""
    told = [tell_timekeeping(times(keeping, seed=seed, jitter=jitter), LINK_US).keeping for seed in range(20)]
    assert told.count(keeping) >= 19


@pytest.mark.parametrize(("keeping", "tick"), [(Keeping.TASK, 7_000), (Keeping.FRAMES, 20_000)])
def test_the_tick_is_told(keeping, tick):
    assert tell_timekeeping(times(keeping), LINK_US).tick_us == pytest.approx(tick, rel=1e-4)


@pytest.mark.parametrize("keeping", [Keeping.TIMER, Keeping.PACKETS])
def test_one_packet_rate_does_not_tell_a_timer_from_a_count(keeping):
    found = tell_timekeeping(times(keeping, rates=(20_000,), cuts=20), LINK_US)
    assert found.keeping is Keeping.UNTOLD
    assert "look the same" in found.why
    assert {one.name: one.word for one in found.tested}[keeping] == "open"


@pytest.mark.parametrize("keeping", [Keeping.TASK, Keeping.FRAMES])
def test_a_grid_is_told_at_one_rate_if_packets_come_at_every_phase(keeping):
    assert tell_timekeeping(times(keeping, rates=(20_000,), cuts=20), LINK_US).keeping is keeping


def test_frames_that_hardly_move_against_the_packets_are_not_told_from_a_shorter_tick():
    found = tell_timekeeping(times(Keeping.FRAMES, rates=(20_000,), cuts=20, drift=True), LINK_US)
    assert found.keeping is Keeping.UNTOLD
    assert "divides it" in found.why


def test_rates_too_near_to_each_other_tell_nothing():
    found = tell_timekeeping(times(Keeping.PACKETS, rates=(20_000, 21_000)), LINK_US)
    assert found.keeping is Keeping.UNTOLD


def test_a_failsafe_that_does_not_come_within_the_slower_cuts_counts_packets():
    one = times(Keeping.PACKETS, rates=(20_000,))
    found = tell_timekeeping(
        Timing(one.entry_us, one.at_us, one.life, one.period_us, one.usual, (700_000,) * 5), LINK_US
    )
    assert found.keeping is Keeping.PACKETS
    assert "not within 700 ms" in found.why
    barely = tell_timekeeping(
        Timing(one.entry_us, one.at_us, one.life, one.period_us, one.usual, (500_000,) * 5), LINK_US
    )
    assert barely.keeping is Keeping.UNTOLD


def test_what_neither_stays_nor_scales_is_left_open():
    one = times(Keeping.TIMER)
    odd = np.where(one.usual, one.entry_us, one.entry_us + 200_000)
    found = tell_timekeeping(Timing(odd, one.at_us, one.life, one.period_us, one.usual, ()), LINK_US)
    assert found.keeping is Keeping.UNTOLD


@pytest.mark.parametrize(("cuts", "enough"), [(FEWEST // 2, True), (FEWEST // 2 - 1, False)])
def test_too_few_cuts_tell_nothing(cuts, enough):
    found = tell_timekeeping(times(Keeping.TIMER, cuts=cuts), LINK_US)
    assert (found.keeping is Keeping.TIMER) is enough


def test_a_count_of_periods_asks_for_the_same_number_at_every_rate():
    asks = {one.name: one.asks for one in tell_timekeeping(times(Keeping.TIMER), LINK_US).tested}
    assert asks[Keeping.PACKETS] == "the same number of packet periods after it, at any rate"


def test_a_tick_that_nobody_could_look_for_is_not_refuted():
    """A scatter of 26 us leaves more possible ticks than can be tried, none of them refuted."""
    one = times(Keeping.TIMER)
    late = np.arange(len(one.entry_us)) * 26 // (len(one.entry_us) - 1)
    found = tell_timekeeping(
        Timing(one.entry_us + late, one.at_us + late, one.life, one.period_us, one.usual, ()), LINK_US
    )
    task = next(each for each in found.tested if each.name is Keeping.TASK)
    assert "times differ by 0.026 ms, too little to look for a tick" in task.shows
    assert (found.keeping, task.word) == (Keeping.TIMER, "open")
    still = next(each for each in tell_timekeeping(one, LINK_US).tested if each.name is Keeping.TASK)
    assert (still.shows, still.word) == ("the time since the packet does not move", "refuted")


def test_no_cuts_tell_nothing():
    nothing = np.zeros(0, dtype=np.int64)
    none = Timing(nothing, nothing, nothing, nothing.astype(float), nothing > 0, ())
    assert tell_timekeeping(none, LINK_US).keeping is Keeping.UNTOLD


def test_timing_is_read_from_the_receivers_own_stamps():
    cuts = [Silence(RUN_NS + 200 * MS + place * 1200 * MS, 700 * MS) for place in range(5)]
    scenario = Scenario(seconds=6.4, silences=cuts)
    there = gather(scenario.plan, scenario.recording())
    found = failsafe_timing(there, failsafe_entries(there, S // 2))
    assert len(found) == 5
    assert found.entry_us == pytest.approx(400_000, abs=2)
    assert found.period_us == pytest.approx(20_000, abs=5)
    assert found.usual.all()
