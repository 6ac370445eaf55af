"""The harness says in words what a plan will do."""

import re
from dataclasses import replace
from fractions import Fraction

import pytest
from test_timeline import EVERY_STEP, LINK, plan_of

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS, S
from harness.outline import MOST_ROWS, outline
from harness.plan import model as p
from harness.timeline import build_timeline

BAUD = dict.fromkeys(DEVICES, 115_200)


BENCH = p.PlanCheck(p.BenchHealth(), "bench", "checks[0]")


def text_of(*actions, checks=(BENCH,)):
    plan = plan_of(*actions)
    plan = p.Plan("x", "", format=1, title="The title", link=LINK, steps=plan.steps, checks=checks)
    return outline(build_timeline(plan, 0), BAUD)


def test_the_outline_starts_with_the_title_and_names_every_step():
    text = text_of(*EVERY_STEP)
    assert text.startswith("The title\n")
    for index in range(len(EVERY_STEP)):
        assert f"steps[{index}]" in text


def test_the_outline_adds_up_time_packets_and_cuts():
    text = text_of(p.Settle(for_ns=2 * S), p.Cut(duration_ns=S, times=3, phase=0))
    assert "8 s of link time, about 250 packets, 3 link cuts." in text
    assert "link cut for 1000 ms, 3 times" in text


def test_one_cut_is_not_called_cuts():
    assert "1 link cut." in text_of(p.Cut(duration_ns=S, phase=0))


def test_waits_count_at_their_deadline():
    assert "at most 10 s of link time (waits at their deadline)" in text_of(p.Wait(until="linked"))


def test_a_step_that_may_be_left_out_says_so():
    text = text_of(
        p.Cut(duration_ns=S, by="deaf", times=3, ability="if present"), p.Mute(for_ns=S, ability="if present")
    )
    assert "packets are acknowledged and thrown away, 3 times, if the firmware can" in text
    assert "nothing is acknowledged for 1 s, once, if the firmware can" in text
    assert "if the firmware can" not in text_of(p.Mute(for_ns=S))


def test_says_which_steps_need_something_that_the_rig_has_beside_the_devices():
    cut = p.Cut(duration_ns=S, by="power", ability="if present")
    restart = p.Restart(device="receiver", by="power", unpowered_ns=S // 2, ability="if present")
    text = text_of(cut, restart)
    assert "the transmitter has no power, if the rig can" in text
    assert "the receiver is without power for 0.5 s, once, if the rig can" in text


def test_fades_and_silent_restarts_count_as_cuts():
    fade = p.Fade(over_ns=S, duration_ns=S, times=3)
    silent = p.Restart(device=Role.RECEIVER, silent_ns=S, times=2)
    assert "5 link cuts." in text_of(fade, silent, p.Restart(device=Role.RECEIVER), p.Interfere(for_ns=S))


def test_a_soak_says_how_long_it_goes_on_in_how_many_rounds():
    plan = replace(plan_of(p.Settle(for_ns=57 * S)), checks=(BENCH,), soak=p.Soak(for_ns=7200 * S))
    text = outline(build_timeline(plan, 7), BAUD)
    assert "All steps are played again and again for 2 h 0 min, the last round to its end:" in text
    rounds, pause = (
        float(n) for n in re.search(r"about (\d+) rounds with ([\d.]+) s of rest", text).groups()
    )
    assert rounds == pytest.approx(7200 / (57 + pause), rel=0.02)
    assert f"{int(rounds) * 2850} packets" in text


def test_long_times_are_told_in_minutes():
    assert "10 min 0 s of link time" in text_of(p.Settle(for_ns=600 * S))


def test_every_serial_line_is_shown_with_its_arithmetic():
    text = text_of(p.Settle())
    for line in ("PC to transmitter", "transmitter to PC", "PC to receiver", "receiver to PC"):
        assert line in text
    assert "B/s of 11520 B/s (115200 baud, 10 bits a byte)" in text


def test_checks_show_their_limits_with_units():
    checks = (
        p.PlanCheck(p.Delivery(at_least=Fraction(99, 100), during=("walk",)), "delivery", "checks[0]"),
        p.PlanCheck(p.Latency(percentile=Fraction(95, 100), at_most_ns=12 * MS), "usual", "checks[1]"),
        p.PlanCheck(p.NoGlitch(), "no_glitch", "checks[2]"),
    )
    text = text_of(p.Settle(), checks=checks)
    assert "delivery   at least 99 %, confidence 95 %, during walk" in text
    assert "usual      latency: of packet, percentile 95 %, at most 12 ms" in text
    assert text.endswith("  no_glitch\n")


def test_a_very_long_plan_is_told_with_its_middle_left_out():
    steps = tuple(p.Hold(for_ns=S, sticks=(("roll", 1000 + n),)) for n in range(200))
    text = text_of(*steps)
    assert f"{200 - MOST_ROWS} more" in text
    assert "steps[199]" in text
    assert len(text.splitlines()) < MOST_ROWS + 20


def test_searches_count_at_their_longest_and_say_where_the_lines_end_them():
    text = text_of(p.FindThroughput(to_mhz=900_000), p.FindBackToBack(), p.Overload(times=2))
    assert "(searches at their longest)" in text
    assert "search of the highest packet rate without loss, 50 Hz to 900 Hz (practical: trials of 2 s" in text
    assert "search of the longest burst without loss, up to 64 packets, 10 times (practical)" in text
    assert "overload at 110 % of the throughput found for 2 s, then half of it for 3 s, 2 times" in text
    assert re.search(r"throughput: the search ends at 2\d\d Hz, for the lines carry no more", text)
    assert re.search(r"back_to_back: the search ends at 1\d packets, for the lines carry no more", text)


def test_searches_that_the_lines_do_not_end_say_so():
    text = text_of(p.FindThroughput(to_mhz=100_000), p.FindBackToBack(up_to=8), p.Wait(until="linked"))
    assert "throughput: the search ends at its `to`" in text
    assert "back_to_back: the search ends at 8 packets, its `up_to`" in text
    assert "(waits at their deadline, searches at their longest)" in text


def test_a_plan_that_may_be_extended_says_when_it_looks_and_how_long_it_may_take():
    plan = replace(plan_of(p.Settle(for_ns=30 * S)), checks=(BENCH,), extend=p.Extend(up_to_ns=150 * S))
    text = outline(build_timeline(plan, 7), BAUD)
    assert "looks at the data after 1, 2 and 5 rounds,\n2 min 30 s and about 7500 packets at most." in text
    assert "The first look may use 1/2 of each check's risk, each later one 1/4" in text
    assert "played again" not in text_of(p.Settle())
