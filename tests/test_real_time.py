"""The harness on real serial ports: pseudo-terminals that pyserial opens, in real time.

Every run here takes a few seconds of real time; nothing depends on how many.
"""

import contextlib
import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

import harness
from harness.bench.ports import PortSpec
from harness.bench.protocol import Role
from harness.bench.rig import find_rig, serial_rig_text
from harness.codec import decode_piece, parse
from harness.codec import messages as m
from harness.plan.reader import parse_plan
from harness.recording import Direction, read_recording
from harness.running import stop_on_signals
from mocks.pair import open_pair
from mocks.ptys import serving

pytestmark = [pytest.mark.pty, pytest.mark.slow]
PLAN = """\
propsoff: 1
title: A few seconds
link:
  packet_rate: 50 Hz
  channels:
    throttle: {role: throttle, failsafe: low}
    rudder: {failsafe: centre}
  failsafe: {within: 500 ms}
steps:
  - wait: {until: linked, deadline: 3 s}
  - wander: {for: 1500 ms}
  - cut: {duration: 600 ms, times: 1, before: 300 ms, after: 300 ms}
checks:
  - delivery: {at_least: 60 %}
  - latency: {percentile: 50 %, at_most: 50 ms}
  - failsafe_entry: {share: 1 %}
  - failsafe_outputs
  - failsafe_exit
  - fidelity
"""
ROOT = Path(harness.__file__).parents[1]
SIGNALS = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]


@pytest.fixture(autouse=True)
def no_signal_ignored():
    """A run inherits what is ignored, such as SIGHUP under nohup: these tests may be run so too."""
    before = {number: signal.getsignal(number) for number in SIGNALS}
    for number, handler in before.items():
        if handler is signal.SIG_IGN:
            signal.signal(number, signal.SIG_DFL)
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """A rig file whose two ports are the mock devices on pseudo-terminals."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plan.yaml").write_text(PLAN)
    link = parse_plan(PLAN, "plan.yaml").link
    with contextlib.ExitStack() as stack:
        ports = stack.enter_context(serving(open_pair(link, find_rig("ideal-mock").simulated, 7)))
        (tmp_path / "rig.yaml").write_text(
            serial_rig_text({role: PortSpec(port) for role, port in ports.items()}, "the mock")
        )
        yield stack


def start(*words):
    command = [sys.executable, "-m", "harness", *words]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment
    )


def running():
    """Start a run on the bench and return once its second step has begun."""
    process = start("run", "plan.yaml", "--rig", "rig.yaml", "--props-off", "--seed", "7", "--out", "out")
    for line in process.stderr:
        if "step 2" in line:
            return process
    raise AssertionError(process.communicate())


def last_calls(recording, role):
    port = recording.ports[role]
    rows = zip(port.direction, port.data, strict=True)
    return [parse(decode_piece(data)) for way, data in rows if way == Direction.TO_DEVICE]


def test_the_same_plan_passes_through_two_pseudo_terminals(bench):
    process = start("run", "plan.yaml", "--rig", "rig.yaml", "--props-off", "--out", "out")
    out, err = process.communicate()
    assert process.returncode == 0, out + err
    assert "propellers off" in err
    document = json.loads(Path("out/verdict.json").read_text())
    assert (document["verdict"], document["clock"]) == ("pass", "monotonic")


def test_the_throttle_is_capped_on_real_ports(bench):
    start("run", "plan.yaml", "--rig", "rig.yaml", "--props-off", "--out", "out").communicate()
    sent = last_calls(read_recording(Path("out/recording.pcapng")), Role.TRANSMITTER)
    throttle = [message.pulses_us[0] for message in sent if isinstance(message, m.Sticks)]
    assert 1000 < max(throttle) <= 1250


@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_closes_the_throttle_and_leaves_a_judged_folder(bench, number):
    process = running()
    process.send_signal(number)
    out, err = process.communicate()
    assert process.returncode == 5, out + err
    assert "stopped" in out
    recording = read_recording(Path("out/recording.pcapng"))
    assert recording.marks[-1].fields["why"] == "interrupted"
    sent = last_calls(recording, Role.TRANSMITTER)
    assert [message for message in sent if isinstance(message, m.Sticks)][-1].pulses_us[0] == 1000
    assert isinstance(sent[-1], m.Release)


def test_a_signal_that_was_ignored_stays_so():
    signal.signal(signal.SIGHUP, signal.SIG_IGN)
    with stop_on_signals() as stop_requested:
        os.kill(os.getpid(), signal.SIGHUP)
        assert not stop_requested()
        os.kill(os.getpid(), signal.SIGTERM)
        assert stop_requested()


def test_a_killed_run_leaves_a_recording_that_is_still_judged_as_far_as_it_goes(bench):
    process = running()
    process.kill()
    process.communicate()
    assert not Path("out").exists()
    (part,) = Path().glob(".out.partial-*/recording.pcapng")
    again = start("judge", str(part))
    out, err = again.communicate()
    assert again.returncode in (3, 5), out + err
    assert "cut short" in out


def test_a_port_that_vanishes_is_an_error_naming_port_and_time_with_the_recording_intact(bench):
    process = running()
    bench.close()
    out, err = process.communicate()
    assert process.returncode == 3, out + err
    assert "ERROR" in out.splitlines()[0]
    last = read_recording(Path("out/recording.pcapng")).marks[-1]
    assert last.fields["why"] == "port gone"
    assert last.fields["port"] in out
    assert last.fields["role"] in out


def test_a_second_harness_on_the_same_ports_is_told_that_they_are_busy(bench):
    process = running()
    second = start("run", "plan.yaml", "--rig", "rig.yaml", "--props-off", "--out", "second")
    out, err = second.communicate()
    process.communicate()
    assert second.returncode == 3, out + err
    assert "busy" in err or "in use" in err
    assert not Path("second").exists()
    assert process.returncode == 0
