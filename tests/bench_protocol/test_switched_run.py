"""The harness cuts a transmitter's power by a supply on a serial port, in real time."""

from __future__ import annotations

import queue
from contextlib import contextmanager

import pytest
from far_ends import pty_pair, served

from harness.bench.protocol import Role
from harness.bench.rig import parse_rig
from harness.measure import gather
from harness.plan.reader import parse_plan
from harness.recording import read_recording
from harness.report.folder import RECORDING, RunFolder
from harness.report.live import Quiet
from harness.running import Request, plan_of, run
from harness.verdict import Verdict
from mocks.pair import open_pair
from mocks.ptys import serving
from mocks.settings import MockSettings

pytestmark = [pytest.mark.pty, pytest.mark.slow]

PLAN = """\
propsoff: 1
title: A supply that is switched off
link:
  packet_rate: 50 Hz
  channels:
    left motor: {range: 1000 us to 2000 us, role: throttle, failsafe: low}
    rudder: {range: 1000 us to 2000 us, failsafe: centre}
  failsafe: {within: 500 ms}
steps:
  - wait: {until: linked, deadline: 5 s}
  - cut: {duration: 800 ms, times: 2, by: power}
  - settle: 300 ms
checks:
  - failsafe_entry: {share: 10 %}
  - failsafe_exit
  - bench: {lost_at_most: 1 %}
"""


class Fed:
    """Simulated devices whose relays a supply in another thread switches."""

    def __init__(self, pair):
        self.pair, self.orders = pair, queue.SimpleQueue()

    def __getattr__(self, name):
        return getattr(self.pair, name)

    def advance(self, until_ns):
        while not self.orders.empty():
            self.pair.relays.switch("transmitter power", on=self.orders.get())
        return self.pair.advance(until_ns)

    def feed(self, data):
        """Obey one or more lines of SCPI; `*OPC?` is answered at once, the relay follows within 5 ms."""
        answer = b""
        for line in map(bytes.strip, data.split(b"\n")):
            if line.startswith(b"OUTP "):
                self.orders.put(line == b"OUTP ON")
            answer += b"1\n" if line == b"*OPC?" else b""
        return answer


@contextmanager
def bench_with_a_supply(plan):
    fed = Fed(open_pair(plan.link, MockSettings(restart_for_ns=200_000_000), 1))
    with serving(fed) as names, pty_pair() as (far, near), served(far, fed.feed):
        yield parse_rig(
            f"propsoff_rig: 1\nbench: serial\ntransmitter: {names[Role.TRANSMITTER]}\n"
            f"receiver: {names[Role.RECEIVER]}\n"
            f"switch: {{port: {near}, acts_on: transmitter power, cut: 'OUTP OFF\\n',\n"
            "         restore: 'OUTP ON\\n', ask: '*OPC?\\n', takes: 20 ms}\n",
            "supply.yaml",
        )


def test_a_supply_cuts_the_link_and_the_verdict_says_so(tmp_path):
    plan = parse_plan(PLAN, "supply.yaml", "supply")
    with bench_with_a_supply(plan) as rig, RunFolder.create(tmp_path / "run") as folder:
        ran = run(Request(plan, "supply.yaml", rig, 1, props_off=True), folder, Quiet())
    recording = read_recording(tmp_path / "run" / RECORDING)
    found = gather(plan_of(recording.header), recording)
    assert [(cut.way, cut.held) for cut in found.cuts] == [("power device", True)] * 2
    assert all(0 <= end - begin < 2_000_000_000 for begin, end in (cut.window_ns for cut in found.cuts))
    assert recording.header.beside == ("switch",)
    checks = {check.name: check for check in ran.outcome.judgement.results}
    assert checks["failsafe_entry"].verdict is Verdict.PASS, checks["failsafe_entry"].reason
    assert checks["failsafe_entry"].counts["of the transmitter's power, by a second device"] == 2
    assert checks["failsafe_exit"].verdict is Verdict.PASS, checks["failsafe_exit"].reason
