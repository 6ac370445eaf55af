"""The harness makes its last calls whatever goes wrong at any of them: sticks at rest, then the release."""

import io
from dataclasses import replace
from fractions import Fraction

import pytest
from test_runner import HEADER
from test_timeline import LINK, plan_of
from test_unattended import Real

from harness.bench.protocol import DEVICES, Role
from harness.clock import S
from harness.codec import decode_piece, parse
from harness.codec import messages as m
from harness.errors import BenchError, StorageError
from harness.plan import model as p
from harness.recording import RecordingWriter
from harness.report.live import Quiet
from harness.runner import Runner
from harness.timeline import build_timeline
from mocks.bench import open_virtual
from mocks.settings import MockSettings

TX, RX = Role.TRANSMITTER, Role.RECEIVER
STEPS = (p.Wait(until="linked"), p.Hold(for_ns=S, sticks=((LINK.channels[1].name, 1200),)))
STOP_NS = 2 * S


class Ending(Real):
    """A bench that fails at the call number `at` since the run was asked to stop; keeps what it was sent."""

    def __init__(self, bench, at, error, gone):
        super().__init__(bench)
        self.at, self.error, self.gone = at, error, gone
        self.calls = 0
        self.is_gone = False
        self.sent = {role: [] for role in DEVICES}

    def fail(self, role=None, data=b""):
        if self.inner.now_ns() < STOP_NS:
            return
        self.calls += 1
        if self.calls == self.at:
            self.failed = role, parse(decode_piece(data[:-1])) if data else None
            self.is_gone = self.gone is not None
        if (self.calls == self.at and (self.gone is None or role is None)) or (
            self.is_gone and role is self.gone
        ):
            raise self.error

    def send(self, role, data):
        self.fail(role, data)
        self.sent[role].append(parse(decode_piece(data[:-1])))
        return self.inner.send(role, data)

    def advance(self, until_ns):
        self.fail()
        return self.inner.advance(until_ns)


class Disk(io.BytesIO):
    """A disk that is full after so many writes."""

    def __init__(self, room):
        super().__init__()
        self.room, self.writes = room, 0

    def write(self, data):
        self.writes += 1
        if self.writes > self.room:
            raise OSError(28, "No space left on device")
        return super().write(data)


def run(at=0, error=None, gone=None, room=10**9):
    bench = Ending(open_virtual(LINK, MockSettings(), 7), at, error, gone)
    disk = Disk(room)
    writer = RecordingWriter(disk, replace(HEADER, baud=dict(bench.baud)), 0)
    plan = plan_of(*STEPS)
    runner = Runner(bench, writer, plan, Quiet())
    runner.talk.stop_requested = lambda: bench.inner.now_ns() >= STOP_NS
    raised = None
    try:
        runner.run(build_timeline(plan, 7, throttle_share=Fraction(1, 4)))
        writer.close()
    except (StorageError, BenchError, RuntimeError) as trouble:
        raised = trouble
    bench.disk = disk
    return bench, raised


def assert_safe(bench, roles=DEVICES):
    assert any(one.pulses_us[1] == 1200 for one in bench.sent[TX] if isinstance(one, m.Sticks))
    if TX in roles:
        assert [one for one in bench.sent[TX] if isinstance(one, m.Sticks)][-1].pulses_us == LINK.rest_us
    for role in roles:
        assert isinstance(bench.sent[role][-1], m.Release)


LAST = run()[0].calls


def test_a_stopped_run_has_many_last_calls():
    assert LAST > 30
    assert_safe(run()[0])


@pytest.mark.parametrize("at", range(1, LAST + 1))
def test_an_interrupt_at_any_of_them_stops_none(at):
    """A third Ctrl-C raises wherever it finds the program."""
    assert_safe(run(at, KeyboardInterrupt())[0])


@pytest.mark.parametrize("role", DEVICES)
@pytest.mark.parametrize("at", range(1, LAST + 1, 3))
def test_a_port_that_goes_at_any_of_them_leaves_the_other_one_safe(at, role):
    bench, _ = run(at, BenchError("pulled", role=role, port="x"), role)
    assert_safe(bench, [one for one in DEVICES if one is not role])


@pytest.mark.parametrize("at", range(1, LAST + 1))
def test_a_fault_of_our_own_at_any_of_them_stops_none_that_comes_after(at):
    bench, raised = run(at, RuntimeError("ours"))
    assert isinstance(raised, RuntimeError)
    role, message = bench.failed
    assert_safe(bench, [one for one in DEVICES if one is not role or not isinstance(message, m.Release)])


@pytest.mark.parametrize("room", range(1, 12))
def test_a_disk_that_is_full_at_any_moment_leaves_both_devices_safe(room):
    bench, raised = run(room=room)
    if bench.disk.writes <= room:
        assert raised is None
        return
    assert isinstance(raised, StorageError)
    assert "No space left on device" in str(raised)
    for role in DEVICES:
        assert not bench.sent[role] or isinstance(bench.sent[role][-1], m.Release)
    sticks = [one for one in bench.sent[TX] if isinstance(one, m.Sticks)]
    assert not sticks or sticks[-1].pulses_us == LINK.rest_us
