"""The harness sees a throttle open that nobody commands: at the start, after a restart, at the release."""

from __future__ import annotations

import io
from dataclasses import replace
from fractions import Fraction

import pytest
from test_runner import HEADER
from test_timeline import LINK, plan_of

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS, S
from harness.codec import decode_piece, parse
from harness.codec import messages as m
from harness.errors import BenchError
from harness.plan import model as p
from harness.recording import Direction, RecordingWriter, parse_recording
from harness.report.live import Quiet
from harness.runner import Runner
from harness.timeline import build_timeline
from mocks.bench import open_virtual
from mocks.settings import MockSettings

TX, RX = Role.TRANSMITTER, Role.RECEIVER
THROTTLE = 1
WALK = (p.Wait(until="linked"), p.Settle(for_ns=2 * S))
RESTART = (p.Wait(until="linked"), p.Restart(device="transmitter"), p.Settle(for_ns=3 * S))


class Real:
    """A simulated bench that calls itself hardware in real time."""

    is_hardware, is_virtual = True, False

    def __init__(self, bench):
        self.inner = bench

    def __getattr__(self, name):
        return getattr(self.inner, name)


class Heard(Quiet):
    """Keeps what was said."""

    def __init__(self):
        self.lines = []

    def say(self, line):
        self.lines.append(line)


class Ran:
    """One run on such a bench."""

    def __init__(self, *actions, settings=None, around=Real, seed=7):
        self.bench = around(open_virtual(LINK, settings or MockSettings(), seed))
        self.file, observer = io.BytesIO(), Heard()
        writer = RecordingWriter(self.file, replace(HEADER, baud=dict(self.bench.baud)), 0)
        self.plan = plan_of(*actions)
        self.raised = self.end = None
        runner = Runner(self.bench, writer, self.plan, observer)
        self.prepare(runner)
        try:
            self.end = runner.run(build_timeline(self.plan, seed, throttle_share=Fraction(1, 4)))
        except BenchError as error:
            self.raised = error
        writer.close()
        self.said = observer.lines

    def prepare(self, runner):
        """Do nothing more."""

    def messages(self, role, direction):
        port = parse_recording(self.file.getvalue(), "x").ports[role]
        rows = zip(port.at_ns, port.direction, port.data, strict=True)
        return [(at, parse(decode_piece(data[:-1]))) for at, way, data in rows if way == direction]

    def to(self, role):
        return self.messages(role, Direction.TO_DEVICE)

    def assert_left_safe(self):
        sticks = [part for _, part in self.to(TX) if isinstance(part, m.Sticks)]
        assert sticks[-1].pulses_us == LINK.rest_us
        for role in DEVICES:
            assert isinstance(self.to(role)[-1][1], m.Release)


def own(share, **more):
    return MockSettings(own_throttle=Fraction(share), **more)


def sent(run, kind):
    return [part for _, part in run.to(TX) if isinstance(part, kind)]


@pytest.mark.parametrize(("share", "refused"), [("0.25", False), ("0.26", True), ("1", True)])
def test_an_open_throttle_is_refused_before_anything_moves(share, refused):
    """The plan allows a quarter of the travel."""
    run = Ran(*WALK, settings=own(share))
    if not refused:
        assert run.end.why == "complete"
        return
    assert "only 1000 us to 1250 us is allowed; put the throttle's own stick" in str(run.raised)
    assert "then run again; nothing was commanded" in str(run.raised)
    assert (run.raised.role, run.raised.port) == (TX, "virtual transmitter")
    assert not sent(run, m.Sticks)
    assert not sent(run, m.KeepAlive)
    assert isinstance(run.to(TX)[-1][1], m.Release)


def test_a_link_that_is_not_up_is_not_waited_for():
    """Nothing is reported, so nothing can be seen; the first step waits for the link itself."""
    run = Ran(*WALK, settings=own("0", loss=Fraction(1)))
    assert run.end.why == "wait missed"
    first = next(at for at, part in run.to(TX) if isinstance(part, m.Sticks))
    assert first < 2 * S


def test_a_simulated_bench_waits_for_nothing():
    run = Ran(*WALK, settings=own("1"), around=lambda bench: bench)
    assert run.end.why == "complete"


class OpensLater(Real):
    """The transmitter's own throttle stick is put up once the run has sent sticks."""

    def send(self, role, data):
        if isinstance(parse(decode_piece(data[:-1])), m.Sticks):
            self.own_stick(1600)
        return self.inner.send(role, data)

    def own_stick(self, pulse_us):
        span = LINK.channels[THROTTLE].range
        self.inner.transmitter.inputs._channels[THROTTLE] = (span.low_us, span.high_us, pulse_us)


def outputs(run):
    return [
        (at, part.outputs_us[THROTTLE])
        for at, part in run.messages(RX, Direction.TO_PC)
        if isinstance(part, m.Applied)
    ]


def held_closed_ns(run):
    """From the first sticks after the throttle was seen open to the transmitter's last release."""
    seen = min(at for at, pulse in outputs(run) if pulse == 1600)
    back = min(at for at, part in run.to(TX) if isinstance(part, m.Sticks) and at >= seen)
    assert back - seen <= 60 * MS
    return max(at for at, part in run.to(TX) if isinstance(part, m.Release)) - back


def test_a_throttle_that_opens_after_a_restart_ends_the_run_and_is_held_closed():
    run = Ran(*RESTART, settings=own("0.01"), around=OpensLater)
    assert run.end.why == "throttle not at rest"
    assert "throttle went to 1600 us with the transmitter's own sticks" in run.end.detail
    assert held_closed_ns(run) >= 9.9 * S
    assert any("the devices are released in 10 s" in line for line in run.said)
    run.assert_left_safe()


def test_a_restart_with_the_stick_at_its_low_end_ends_nothing():
    assert Ran(*RESTART, settings=own("0.04")).end.why == "complete"


def test_commanded_sticks_after_a_restart_end_nothing():
    """They may stand at the cap, and outputs may be off a little."""
    hold = p.Hold(for_ns=2 * S, sticks=((LINK.channels[THROTTLE].name, 2000),))
    run = Ran(*RESTART[:1], hold, RESTART[1], hold)
    assert max(pulse for _, pulse in outputs(run)) == 1250
    assert run.end.why == "complete"


def test_a_throttle_that_opens_at_the_release_is_closed_again_for_ten_seconds():
    run = Ran(*WALK, settings=own("0.01"), around=OpensLater)
    assert run.end.why == "complete"  # what was judged was whole
    assert held_closed_ns(run) >= 9.9 * S
    open_ns = [at for at, pulse in outputs(run) if pulse == 1600]
    first = [at for at in open_ns if at < open_ns[0] + S]
    assert first[-1] - first[0] <= 120 * MS
    assert any("the devices are released in 10 s" in line for line in run.said)
    run.assert_left_safe()


def test_a_release_with_the_stick_at_its_low_end_waits_for_nothing():
    run = Ran(*WALK, settings=own("0.04"))
    releases = [at for at, part in run.to(TX) if isinstance(part, m.Release)]
    assert len(releases) == 2
    assert releases[1] - releases[0] < 300 * MS
    assert not any("released" in line for line in run.said)


@pytest.mark.parametrize("role", DEVICES)
def test_a_port_that_goes_at_the_release_does_not_stop_the_other_one(role):
    class Goes(Real):
        gone = False

        def send(self, to, data):
            kind = parse(decode_piece(data[:-1]))
            self.gone = self.gone or isinstance(kind, m.Release)
            if self.gone and to is role:
                raise BenchError("pulled", role=role, port="x")
            return self.inner.send(to, data)

    run = Ran(*WALK, settings=own("0.01"), around=Goes)
    other = RX if role is TX else TX
    assert isinstance(run.to(other)[-1][1], m.Release)
    assert run.end.why == "port gone"


def test_a_device_that_does_not_fit_is_named_with_its_port():
    run = Ran(*WALK, settings=MockSettings(swapped_ports=True))
    assert str(run.raised).startswith("transmitter port virtual transmitter: the transmitter port leads to")
