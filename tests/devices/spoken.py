"""Whole runs on mocks that do not speak the bench protocol, for the tests of this folder."""

import io

from harness.bench.protocol import Role
from harness.bench.rig import parse_rig
from harness.bench.translated import TranslatedBench
from harness.devices.making import make_device
from harness.plan.reader import parse_plan
from harness.recording import Header, RecordingWriter, parse_recording
from harness.report.live import Quiet
from harness.runner import Runner
from harness.running import judge_recording
from harness.timeline import build_timeline
from mocks.bench import VirtualBench
from mocks.defects import find_defect
from mocks.pair import open_pair
from mocks.speaking import Speaking

TX, RX = Role.TRANSMITTER, Role.RECEIVER
CHANNELS = ",".join(f"{{channel {number}}}" for number in range(1, 7))
STICKS = CHANNELS.replace(",", " ")
TEXT_RIG = f"""\
propsoff_rig: 1
bench: serial
transmitter:
  port: /dev/ttyUSB0
  speaks: text
  packet_rate: 50 Hz
  lines: {{sent: "TX {{packet}} {{acked}} set={{set}}"}}
  tell: {{sticks: "S {{set}} {STICKS}", silence: "Q {{ms}}"}}
receiver:
  port: /dev/ttyUSB1
  speaks: text
  lines:
    applied: "RX n={{packet}} t={{ms}} ch={CHANNELS}"
    failsafe: "FAILSAFE t={{ms}} ch={CHANNELS}"
    started: BOOT
"""
PLAN = """\
propsoff: 1
title: What a text bench can tell of Dunlin's link
link:
  packet_rate: 50 Hz
  lost_after: 150 ms
  channels:
    left motor: {range: 1000 us to 2000 us, role: throttle, failsafe: 950 us}
    right motor: {range: 1000 us to 2000 us, role: throttle, failsafe: 950 us}
    left elevon: {range: 1000 us to 2000 us, failsafe: centre}
    right elevon: {range: 1000 us to 2000 us, direction: reversed, failsafe: centre}
    camera tilt: {range: 1100 us to 1900 us, failsafe: hold}
    shutter: {range: 1000 us to 2000 us, failsafe: 1000 us}
  failsafe: {within: 500 ms, not_before: 200 ms, recover_within: 200 ms}
steps:
  - wait: {until: linked, deadline: 5 s}
  - settle: 1 s
  - sweep: {channels: all, shape: triangle, period: 3500 ms}
  - cut: {duration: 900 ms, times: 8}
  - settle: 2 s
checks:
  - delivery: {at_least: 98 %}
  - packet_rate: {at_least: 49 Hz}
  - latency: {percentile: 90 %, at_most: 100 ms}
  - control_gap: {at_most: 150 ms}
  - duplicates
  - fidelity
  - no_glitch
  - output_range
  - failsafe_entry: {share: 65 %}
  - failsafe_outputs
  - failsafe_exit
  - no_false_failsafe
  - bench
"""


class Spoken:
    """One run of `plan` on mocks with these voices, read by the rig's text."""

    def __init__(
        self,
        voices,
        *,
        rig=TEXT_RIG,
        plan=PLAN,
        seed=7,
        defect=None,
        near_miss=False,
        settings=None,
        around=None,
        mock_plan=None,
    ):
        plan = parse_plan(plan, "plan.yaml", "plan")
        found = find_defect(defect) if defect else None
        built_for = parse_plan(mock_plan, "plan.yaml", "plan") if mock_plan else plan
        mock = open_pair(built_for.link, settings, seed, found, near_miss)
        speaking = VirtualBench(Speaking(mock, voices))
        if around is not None:
            speaking = around(speaking)
        self.rig = parse_rig(rig, "rig.yaml")
        self.devices = {
            role: make_device(role, keys, plan.link.rest_us) for role, keys in self.rig.devices.items()
        }
        self.bench = TranslatedBench(speaking, self.devices)
        self.file = io.BytesIO()
        header = Header(
            "plan", plan.text, "spoken", rig, seed, (("propsoff", "0"),), "virtual", 0, False,
            dict(self.bench.baud), dict(self.bench.facts), self.bench.beside,
        )  # fmt: skip
        writer = RecordingWriter(self.file, header, 0)
        self.bench.tap(writer.beside)
        self.said = []
        observer = Quiet()
        self.runner = Runner(self.bench, writer, plan, observer)
        self.end = self.runner.run(build_timeline(plan, seed))
        writer.close()
        self.recording = parse_recording(self.file.getvalue(), "run")
        self.outcome = judge_recording(self.recording)
        self.judgement = self.outcome.judgement
        self.results = {result.name or result.kind: result for result in self.judgement.results}

    def verdicts(self):
        return {name: str(result.verdict) for name, result in self.results.items()}
