"""The harness opens a throttle only while somebody holds the space bar, if it is told so."""

from fractions import Fraction

import pytest
from test_timeline import LINK, plan_of
from test_unattended import Ran, Real

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import messages as m
from harness.holding import ASK, LET_GO, NOBODY, PATIENCE_NS, HoldToRun, opens
from harness.plan import model as p
from harness.recording import Direction

TX, RX = Role.TRANSMITTER, Role.RECEIVER
THROTTLE = 1
STEPS = (
    p.Wait(until="linked"),
    p.Hold(for_ns=S, sticks=((LINK.channels[0].name, 1700),)),
    p.Hold(for_ns=2 * S, sticks=((LINK.channels[THROTTLE].name, 1200),)),
    p.Settle(for_ns=S),
)


class Held(Ran):
    """A run whose space bar is held in the times given."""

    def __init__(self, *spans):
        self.spans = spans
        super().__init__(*STEPS)

    def prepare(self, runner):
        runner.hold = HoldToRun(runner.talk, LINK, self.is_held, runner.observer.say)

    def is_held(self):
        return any(begin <= self.bench.now_ns() < end for begin, end in self.spans)

    def opened(self):
        """When throttle sticks above rest were sent, and when the first closed ones after that."""
        sticks = [(at, part.pulses_us) for at, part in self.to(TX) if isinstance(part, m.Sticks)]
        up = [at for at, pulses in sticks if pulses[THROTTLE] > 1000]
        return up, min(
            (at for at, pulses in sticks if up and at > up[-1] and pulses[THROTTLE] == 1000), default=0
        )


@pytest.mark.parametrize(("pulse", "is_open"), [(1000, False), (1001, False), (1002, True), (900, False)])
def test_a_throttle_is_open_above_its_rest_by_more_than_its_resolution(pulse, is_open):
    assert LINK.channels[THROTTLE].resolution_us == 1
    assert opens(LINK, (2000, pulse, 2000, 2000)) == is_open


def test_a_bar_that_is_held_throughout_changes_nothing():
    run = Held((0, 10**18))
    assert run.end.why == "complete"
    assert ASK not in run.said
    assert run.opened()[0]


def test_sticks_that_open_no_throttle_move_without_it():
    run = Held()
    rudder = {part.pulses_us[0] for _, part in run.to(TX) if isinstance(part, m.Sticks)}
    assert 1700 in rudder
    assert not run.opened()[0]
    assert (run.end.why, run.end.detail) == ("interrupted", NOBODY)
    assert run.to(TX)[-1][0] > PATIENCE_NS


def test_the_run_waits_with_the_throttle_closed_and_then_takes_its_whole_time():
    run = Held((10 * S, 10**18))
    up, closed = run.opened()
    assert run.said.count(ASK) == 1
    assert run.end.why == "complete"
    assert up[0] >= 10 * S
    assert closed - up[0] == pytest.approx(2 * S, abs=50 * MS)


def test_letting_go_closes_the_throttle_at_once_and_ends_the_run():
    held = Held((0, 10**18)).opened()[0][0] + S
    run = Held((0, held))
    up, closed = run.opened()
    assert (run.end.why, run.end.detail) == ("interrupted", LET_GO)
    assert up[-1] < held
    assert closed - held <= 60 * MS
    outputs = [
        (at, part.outputs_us[THROTTLE])
        for at, part in run.messages(RX, Direction.TO_PC)
        if isinstance(part, m.Applied)
    ]
    assert max(at for at, pulse in outputs if pulse > 1000) - held <= 120 * MS


def test_letting_go_with_every_throttle_closed_ends_nothing():
    up, closed = Held((0, 10**18)).opened()
    run = Held((up[0] - 100 * MS, closed + MS))
    assert run.end.why == "complete"


def test_the_gate_is_open_again_for_the_last_calls():
    """They close the throttle, and wait for nobody."""
    run = Held((0, Held((0, 10**18)).opened()[0][0] + S))
    run.assert_left_safe()
    assert Fraction(run.to(TX)[-1][0], S) < 20


def test_real_benches_are_what_it_is_for():
    assert Real.is_hardware
    assert plan_of(p.Settle()).safety.throttle_up_to == Fraction(1, 4)
