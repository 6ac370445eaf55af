"""The harness asks for a packet rate until the transmitter confirms it."""

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from test_runner import SLOW_CUTS, Run, assert_left_safe, rates_set
from test_timeline import LINK

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import decode_piece
from harness.codec import messages as m
from harness.judge import judge
from harness.measure.evidence import gather
from harness.measure.rates import other_rate_spans
from harness.plan import model as p
from harness.recording import Direction, parse_recording
from harness.report.live import Quiet
from harness.verdict import Verdict
from mocks.transmitter import Transmitter

TX = Role.TRANSMITTER


class Spoilt:
    """A bench on whose line one bit of some packet-rate commands is flipped, counted from 0.

    With `rate_mhz` only commands for that rate count.
    """

    def __init__(self, bench, which, rate_mhz=None):
        self.inner, self.which, self.rate_mhz, self.count = bench, which, rate_mhz, 0

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def send(self, role, data):
        message = m.parse(decode_piece(data[:-1]))
        if isinstance(message, m.Setting) and self.rate_mhz in (None, message.value):
            data = bytes([data[0], data[1] ^ (self.count in self.which), *data[2:]])
            self.count += 1
        return self.inner.send(role, data)


class Told(Quiet):
    """Keeps what was said."""

    def __init__(self):
        self.lines = []

    def say(self, line):
        self.lines.append(line)


def spoilt(*which, steps=SLOW_CUTS, rate_mhz=None, **more):
    return Run(*steps, around=lambda bench: Spoilt(bench, which, rate_mhz), **more)


def last_period_us(run):
    sent = [one.at_us for _, one in run.messages(TX, Direction.TO_PC) if isinstance(one, m.Sent)]
    return {after - before for before, after in pairwise(sent[-10:])}


def test_a_confirmed_rate_is_asked_for_once():
    assert rates_set(spoilt()) == [25_000, 50_000] * 2


@pytest.mark.parametrize("which", [0, 1, 2, 3])
def test_one_lost_command_is_sent_again(which):
    run = spoilt(which)
    rates = [25_000, 50_000] * 2
    if which != 1:  # the next cut asked for its rate meanwhile
        rates.insert(which, rates[which])
    assert rates_set(run) == rates
    assert last_period_us(run) == {20_000}
    assert_left_safe(run)


def test_a_rate_is_asked_for_again_until_it_is_confirmed():
    run = spoilt(3, 4, 5, 6, 7)
    assert rates_set(run) == [25_000, 50_000] * 2 + [50_000] * 5
    assert last_period_us(run) == {20_000}
    assert not [mark for mark in run.marks if mark.kind == "packet rate not confirmed"]


def test_a_rate_that_is_never_confirmed_is_asked_for_at_the_very_end_and_told_once():
    told = Told()
    run = spoilt(*range(3, 1000), observer=told)
    assert rates_set(run)[-1] == LINK.packet_rate_mhz
    assert 10 < len(rates_set(run)) < 30
    (line,) = told.lines
    assert line.startswith("the transmitter did not confirm 50 packets a second: restart it")
    marks = [mark.fields["rate_mhz"] for mark in run.marks if mark.kind == "packet rate not confirmed"]
    assert marks == [50_000] * 2
    assert_left_safe(run)


def test_a_refused_rate_is_told_and_not_asked_for_again(monkeypatch):
    monkeypatch.setattr(Transmitter, "_set", lambda self, setting: m.Result.OUT_OF_RANGE)
    told = Told()
    run = spoilt(observer=told, steps=SLOW_CUTS[:2])
    assert told.lines[0].startswith("the transmitter did not confirm 25 packets a second")
    assert [mark for mark in run.marks if mark.kind == "packet rate not confirmed"]
    assert_left_safe(run)


def test_a_stop_right_after_the_command_got_lost_still_brings_the_links_rate_back():
    """The command that sets the rate back goes out at the stop, and is the one that is damaged."""
    run = spoilt(1, trip=KeyboardInterrupt(), at_ns=S + 300 * MS)
    assert run.end.why == "interrupted"
    assert rates_set(run) == [25_000, 50_000, 50_000]
    assert last_period_us(run) == {20_000}
    assert_left_safe(run)


CHECKS = (
    p.PlanCheck(p.PacketRate(at_least_mhz=49_000), "rate", "checks[0]"),
    p.PlanCheck(p.ControlGap(at_most_ns=35 * MS), "gap", "checks[1]"),
)
ONE_CUT = (
    p.Wait(until="linked"), p.Cut(duration_ns=700 * MS, packet_rate_mhz=25_000), p.Wander(for_ns=10 * S),
)  # fmt: skip


def verdicts(run):
    judged = judge(run.plan, parse_recording(run.data, "x"))
    return [result.verdict for result in judged.results]


@pytest.mark.parametrize("which", [(), (0,), (1,), (1, 2, 3)], ids=str)
def test_lost_commands_are_no_fault_of_the_link(which):
    assert verdicts(spoilt(*which, steps=ONE_CUT, checks=CHECKS)) == [Verdict.PASS] * 2


def test_a_rate_that_never_came_back_is_no_fault_of_the_link_either():
    """All that came after the cut was at another rate: too little is left to tell, but nothing is blamed."""
    run = spoilt(*range(1, 1000), steps=ONE_CUT, checks=CHECKS)
    assert last_period_us(run) == {40_000}
    assert Verdict.FAIL not in verdicts(run)


def test_a_link_that_is_really_slow_fails_although_the_rate_was_set_elsewhere(monkeypatch):
    """The transmitter confirms the rate and does not take it: that is its own fault, and is found."""
    true_rate = Transmitter._set_rate
    monkeypatch.setattr(Transmitter, "_set_rate", lambda self, rate: true_rate(self, min(rate, 25_000)))
    assert verdicts(spoilt(steps=ONE_CUT, checks=CHECKS)) == [Verdict.FAIL] * 2


def test_a_cut_whose_slow_rate_got_lost_was_made_at_the_links_own():
    run = spoilt(*range(100), steps=ONE_CUT, rate_mhz=25_000)
    evidence = gather(run.plan, parse_recording(run.data, "x"))
    assert len(evidence.cuts) == 1
    assert len(other_rate_spans(evidence)) == 0


def test_a_check_of_failsafe_counts_that_cut():
    entry = p.PlanCheck(p.FailsafeEntry(share=Fraction(1, 2), within_ns=600 * MS), "entry", "checks[0]")
    for which, counted in (((), 0), (range(100), 1)):
        run = spoilt(*which, steps=ONE_CUT, checks=(entry,), rate_mhz=25_000)
        (found,) = judge(run.plan, parse_recording(run.data, "x")).results
        assert found.samples == counted


def test_a_transmitter_that_restarts_at_another_rate_is_set_to_it_again():
    """It restarts in the second before its cut, and its first command after that is damaged too."""
    restarted = []

    class Restarts(Spoilt):
        def advance(self, until_ns):
            if self.count == 1 and not restarted and self.inner.now_ns() > 600 * MS:
                restarted.append(True)
                self.inner.send(TX, m.encode(m.Restart(), 60_000))
            return self.inner.advance(until_ns)

    steps = (ONE_CUT[0], replace(ONE_CUT[1], before_ns=3 * S))
    run = Run(*steps, around=lambda bench: Restarts(bench, [1]))
    assert rates_set(run) == [25_000] * 3 + [50_000]
    assert last_period_us(run) == {20_000}
