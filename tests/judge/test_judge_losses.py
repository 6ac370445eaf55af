"""Verdicts on the loss pattern: runs at and beyond the limit, a rhythm, its near miss, too little to tell."""

import numpy as np
import pytest
from imaginary import RUN_NS, RX, Scenario, Silence, judged

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.plan import model as p
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
FIRST = 25
RULE = p.LossPattern(longest_run=3)


def lose(*places):
    return lambda packet: packet.index - FIRST in places


def at_random(share, seed=1, packets=20_000):
    lost = np.random.default_rng(seed).random(packets) < share
    return lambda packet: bool(lost[packet.index])


@pytest.mark.parametrize(("length", "verdict"), [(3, PASS), (4, FAIL)])
def test_a_run_beyond_the_limit_fails_and_one_at_it_passes(length, verdict):
    found = judged(RULE, seconds=30.0, lost=lose(*range(300, 300 + length)))
    assert (found.verdict, found.value) == (verdict, float(length))
    assert (found.limit, found.side) == (3.0, "at most")


def test_the_longest_run_is_named_with_its_time():
    found = judged(RULE, seconds=30.0, lost=lose(*range(300, 305)))
    assert found.examples == ("5 packets from 325 on at 6 s in go, 120 ms between applied ones",)
    assert "5 in a row and 120 ms" in found.reason
    assert "retransmission" in found.advice[1]


def test_losses_on_either_side_of_a_cut_are_no_run():
    cut = Silence(RUN_NS + S, 700 * MS)
    assert judged(RULE, seconds=30.0, lost=lose(48, 49, 50, 86, 87), silences=[cut]).verdict is PASS


def test_unknown_packets_prevent_a_pass_and_never_fail():
    def drop(role, place, message):
        return role == RX and isinstance(message, wire.Applied) and 300 <= message.packet < 306

    found = judged(RULE, seconds=30.0, drop=drop)
    assert found.verdict is OPEN
    assert "6 packets of unknown fate: up to 6 in a row may be lost" in found.reason


def test_losses_in_step_fail_and_as_many_at_random_pass():
    rhythm = judged(RULE, seconds=90.0, lost=lambda packet: packet.index % 50 == 7)
    assert rhythm.verdict is FAIL
    assert "every 1000 ms or 50 packets" in rhythm.reason
    assert "routine with that period" in rhythm.advice[0]
    near = judged(RULE, seconds=90.0, lost=at_random(1 / 50))
    assert near.counts["lost"] > 50
    assert near.verdict is PASS


def test_a_rhythm_is_no_matter_where_it_is_allowed():
    rule = p.LossPattern(periodic="allowed")
    assert judged(rule, seconds=90.0, lost=lambda packet: packet.index % 50 == 7).verdict is PASS


def test_few_losses_show_that_no_routine_costs_a_packet_every_other_time():
    """60 s hold 30 turns of a routine of 2 s: 9 losses are too few for every second. In 19 s 4 are not."""
    few = judged(RULE, seconds=60.0, lost=lose(*range(100, 2_800, 300)))
    assert (few.verdict, few.counts["lost"]) == (PASS, 9)
    assert "would lose more" in few.reason
    some = judged(RULE, seconds=19.0, lost=lose(100, 260, 430, 660))
    assert some.verdict is OPEN
    assert 50 < some.needed < 2_000
    assert "too short to tell" in some.reason


def mixed(share, every, seed=3):
    """Lose a packet in each turn of a routine of `every` packets, and others at random."""
    others = at_random(share, seed)
    return lambda packet: others(packet) or packet.index % every == 7


@pytest.mark.parametrize("seconds", [30.0, 48.0, 70.0])
def test_a_routine_among_other_losses_never_passes_where_the_search_could_not_find_it(seconds):
    """5 s fit 6 to 14 times into the run: 3 % of other packets lost hide what is lost every time."""
    rule = p.LossPattern(longest_run=5, period_up_to_ns=5 * S)
    found = judged(rule, seconds=seconds, lost=mixed(0.03, 250))
    assert found.verdict is OPEN
    assert found.needed > 1_000
    assert "too short to tell" in found.reason


@pytest.mark.parametrize(("share", "seconds"), [(0.005, 60.0), (0.01, 90.0), (0.02, 120.0)])
def test_other_losses_pass_once_a_routine_among_them_would_show(share, seconds):
    clear = judged(RULE, seconds=seconds, lost=at_random(share, 4))
    assert clear.verdict is PASS, clear.reason
    rhythm = judged(RULE, seconds=seconds, lost=mixed(share, 100, 4))
    assert rhythm.verdict is not PASS


def test_a_routine_that_costs_a_packet_every_other_time_never_passes():
    """One such routine in 20 makes fewer losses than is allowed for; none of these three does."""
    for seed in range(3):
        costs = np.random.default_rng(seed).random(200) < 0.5
        background = at_random(0.005, seed + 50)
        found = judged(
            RULE,
            seconds=90.0,
            lost=lambda packet, costs=costs, others=background: (
                others(packet) or (packet.index % 100 == 7 and bool(costs[packet.index // 100]))
            ),
        )
        assert found.verdict is not PASS


def test_a_run_too_short_for_five_turns_is_left_open():
    found = judged(RULE, seconds=8.0)
    assert (found.verdict, found.counts["lost"]) == (OPEN, 0)
    assert 90 < found.needed < 130
    assert judged(RULE, seconds=11.0).verdict is PASS


def test_no_packets_are_no_verdict():
    assert judged(p.LossPattern(during=("nowhere",)), seconds=4.0).verdict is OPEN


@pytest.mark.parametrize("seed", range(5))
def test_random_losses_raise_no_alarm(seed):
    """0.1 % each: one of these five fails by chance once in 200 seeds at most."""
    assert judged(RULE, Scenario(seconds=90.0, lost=at_random(0.01, seed + 10))).verdict is PASS
