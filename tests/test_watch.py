"""The harness takes the sticks back at once when a throttle opens on the transmitter's own sticks."""

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import pytest
from test_runner import Run, Trip, assert_left_safe
from test_timeline import LINK, plan_of

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import messages as m
from harness.outline import outline
from harness.plan import model as p
from harness.recording import Direction
from harness.report.live import Quiet
from harness.timeline import build_timeline
from harness.watch import own_throttle_spans
from mocks.settings import MockSettings

TX, RX = Role.TRANSMITTER, Role.RECEIVER
STEPS = (p.Wait(until="linked"), p.Corners(), p.OwnSticks(for_ns=2 * S), p.Settle(for_ns=S))


def own(share, **more):
    return Run(*STEPS, settings=MockSettings(own_throttle=Fraction(share), **more))


def release_ns(run):
    return next(at for at, message in run.to(TX) if isinstance(message, m.Release))


def packets_on_own_sticks(run):
    sent = [
        message
        for at, message in run.messages(TX, Direction.TO_PC)
        if isinstance(message, m.Sent) and at > release_ns(run)
    ]
    return sum(message.set_number == m.NO_SET for message in sent)


def test_the_transmitter_uses_its_own_sticks_for_as_long_as_the_step_asks():
    run = own("0")
    assert run.end.why == "complete"
    assert packets_on_own_sticks(run) == pytest.approx(100, abs=3)
    releases = [at for at, message in run.to(TX) if isinstance(message, m.Release)]
    assert len(releases) == 3 + 1
    assert_left_safe(run)


def test_the_sticks_are_at_rest_before_they_are_let_go():
    """The corners before had the throttle up; the watch must not take that for its own stick."""
    run = own("0")
    release = release_ns(run)
    sticks = [message for at, message in run.to(TX) if isinstance(message, m.Sticks) and at < release]
    assert sticks[-1].pulses_us == LINK.rest_us


def test_keep_alives_go_on_meanwhile():
    run = own("0")
    alive = [at for at, message in run.to(TX) if isinstance(message, m.KeepAlive)]
    assert max(after - before for before, after in pairwise(alive)) < 200 * MS


@pytest.mark.parametrize(("share", "why"), [("0.25", "complete"), ("0.26", "throttle not at rest")])
def test_an_open_throttle_ends_the_run_at_once(share, why):
    """The plan allows a quarter of the travel, 1250 us."""
    run = own(share)
    assert run.end.why == why
    if why == "complete":
        return
    assert "throttle went to 1260 us" in run.end.detail
    assert "low end" in run.end.detail
    release = release_ns(run)
    back = next(at for at, message in run.to(TX) if isinstance(message, m.Sticks) and at > release)
    opened = next(
        at
        for at, message in run.messages(RX, Direction.TO_PC)
        if isinstance(message, m.Applied) and message.outputs_us[1] > 1250 and at > release
    )
    assert 0 <= back - opened <= 5 * MS
    assert_left_safe(run)


class Real(Trip):
    """A virtual bench that calls itself hardware."""

    is_hardware = True


class Heard(Quiet):
    """Keeps what was said."""

    def __init__(self):
        self.lines = []

    def say(self, line):
        self.lines.append(line)


@pytest.mark.parametrize(("share", "held"), [("0.2", 0), ("0.3", 10)])
def test_on_hardware_an_open_throttle_is_held_closed_until_somebody_closed_it(monkeypatch, share, held):
    """At the end every device is released: its own throttle stick rules again."""
    monkeypatch.setattr("test_runner.Trip", Real)
    heard = Heard()
    run = Run(
        *STEPS, settings=MockSettings(own_throttle=Fraction(share)), observer=heard, at_ns=10**18,
        trip=RuntimeError(),
    )  # fmt: skip
    assert heard.lines[0].startswith("the transmitter now uses its own sticks")
    assert any("released in 10 s" in line for line in heard.lines) == bool(held)
    if held:
        taken_back = next(
            at for at, part in run.to(TX) if isinstance(part, m.Sticks) and at > release_ns(run)
        )
        assert run.to(TX)[-1][0] - taken_back >= held * S
    assert_left_safe(run)


def test_nobody_watching_ends_the_run_too(monkeypatch):
    """With reports 20 ms apart, 5 ms without one is what a second is on a bench whose port falls silent."""
    monkeypatch.setattr("harness.watch.BLIND_NS", 5 * MS)
    run = own("0")
    assert (run.end.why, "nobody watched" in run.end.detail) == ("throttle not at rest", True)
    assert_left_safe(run)


def test_the_cap_is_the_plans_and_never_below_a_twentieth():
    plan = plan_of(p.Settle())
    assert own_throttle_spans(plan)[0][::2] == (1, 1250)
    for share, top in ((Fraction(0), 1050), (Fraction(1, 2), 1500)):
        capped = replace(plan, safety=p.Safety(throttle_up_to=share))
        assert own_throttle_spans(capped)[0][2] == top


def test_a_reversed_throttle_is_capped_on_its_other_side():
    throttle = replace(LINK.channels[1], direction="reversed")
    plan = replace(plan_of(p.Settle()), link=replace(LINK, channels=(throttle,)))
    ((_, low, high),) = own_throttle_spans(plan)
    assert low == 1750
    assert high >= 2000


def test_the_outline_warns_of_own_sticks():
    baud = dict.fromkeys((TX, RX), 115_200)
    check = p.PlanCheck(p.BenchHealth(), "bench", "checks[0]")
    warned = outline(build_timeline(replace(plan_of(p.OwnSticks()), checks=(check,)), 0), baud)
    assert "own stick at its low end" in warned
    assert "own stick" not in outline(build_timeline(replace(plan_of(p.Settle()), checks=(check,)), 0), baud)
