"""The harness survives real ports that go and come back under their stable names, in real time."""

from threading import Timer

import pytest
from plugging import PluggedServer, PluggedTerminal, Rfc2217Server, listening, plugged

from harness.bench.ports import PortSpec
from harness.bench.protocol import DEVICES, Role
from harness.bench.rig import find_rig, parse_rig, serial_rig_text
from harness.codec import decode_piece, parse
from harness.codec import messages as m
from harness.plan.reader import parse_plan
from harness.recording import Direction, read_recording
from harness.report.folder import RECORDING, RunFolder
from harness.report.live import Quiet
from harness.running import Request, run
from mocks.pair import open_pair

pytestmark = [pytest.mark.pty, pytest.mark.slow]
PLAN = """\
propsoff: 1
title: A few seconds
{safety}link:
  packet_rate: 50 Hz
  channels:
    throttle: {{role: throttle, failsafe: low}}
    rudder: {{failsafe: centre}}
  failsafe: {{within: 500 ms}}
steps:
  - wait: {{until: linked, deadline: 3 s}}
  - name: wandering
    wander: {{for: 2 s}}
  - settle: {{}}
checks:
  - delivery: {{at_least: 40 %}}
  - duplicates
  - no_glitch
  - no_false_failsafe
  - bench
"""
GONE_S, AWAY_S = 0.5, 1.5


def link_of(folder):
    return lambda role: PluggedTerminal(folder / f"usb-adapter-{role}")


class Outage:
    """One run on devices behind plugs, one of which is pulled in the wandering step."""

    def __init__(self, folder, make, url, role, *, comes_back, how="wanted"):
        text = PLAN.format(safety="safety: {replug_within: 10 s}\n" if comes_back else "")
        plan = parse_plan(text, "plan.yaml")
        self.said = []
        with plugged(open_pair(plan.link, find_rig("ideal-mock").simulated, 7), make) as ends:
            specs = {one: PortSpec(url(end)) for one, end in ends.items()}
            rig = parse_rig(serial_rig_text(specs, "plugs"), "plugs.yaml")
            request = Request(plan=plan, file="plan.yaml", rig=rig, seed=7, props_off=True)
            observer, timers = Quiet(), []

            def pull(snapshot):
                if snapshot.step_path == "steps[1]" and not timers:
                    timers.extend((
                        Timer(GONE_S, setattr, (ends[role], how, how != "wanted")),
                        Timer(GONE_S + AWAY_S, setattr, (ends[role], how, how == "wanted")),
                    ))  # fmt: skip
                    for timer in timers[: 1 + comes_back]:
                        timer.start()

            observer = type("Watching", (), {"update": lambda _, shot: pull(shot), "say": self.said.append})()
            folder = RunFolder.create(folder / "out")
            with folder:
                self.ran = run(request, folder, observer)
            for timer in timers[: 1 + comes_back]:
                timer.join()
        self.recording = read_recording(folder.final / RECORDING)
        self.results = {one.kind: one for one in self.ran.outcome.judgement.results}
        self.verdicts = {kind: str(one.verdict) for kind, one in self.results.items()}

    def marks(self, *kinds):
        return [mark for mark in self.recording.marks if mark.kind in kinds]

    @property
    def end(self):
        return self.recording.marks[-1].fields

    def told(self, role):
        port = self.recording.ports[role]
        rows = zip(port.direction, port.data, strict=True)
        return [parse(decode_piece(data[:-1])) for way, data in rows if way == Direction.TO_DEVICE]


KINDS = {"pty": lambda end: str(end.link), "socket": lambda end: end.url, "rfc2217": lambda end: end.url}


def maker(kind, folder):
    servers = {"socket": PluggedServer, "rfc2217": Rfc2217Server}
    return link_of(folder) if kind == "pty" else listening(servers[kind])


@pytest.mark.parametrize("role", DEVICES)
@pytest.mark.parametrize("kind", KINDS)
def test_a_port_that_comes_back_by_its_name_lets_the_run_go_on(kind, role, tmp_path):
    outage = Outage(tmp_path, maker(kind, tmp_path), KINDS[kind], role, comes_back=True)
    assert outage.end["why"] == "complete", outage.end
    assert [mark.kind for mark in outage.marks("port gone", "port back")] == ["port gone", "port back"]
    assert "fail" not in outage.verdicts.values(), outage.results
    assert outage.verdicts["delivery"] == outage.verdicts["bench"] == "pass", outage.results
    assert [mark.fields["path"] for mark in outage.marks("step")].count("steps[1]") == 2


@pytest.mark.parametrize("kind", KINDS)
def test_a_port_that_stays_away_ends_the_run_with_the_throttle_closed(kind, tmp_path):
    outage = Outage(tmp_path, maker(kind, tmp_path), KINDS[kind], Role.RECEIVER, comes_back=False)
    assert (outage.end["why"], outage.end["role"]) == ("port gone", "receiver")
    assert "fail" not in outage.verdicts.values()
    assert outage.verdicts["bench"] == "error"
    sent = outage.told(Role.TRANSMITTER)
    assert [one for one in sent if isinstance(one, m.Sticks)][-1].pulses_us == (1000, 1500)
    assert isinstance(sent[-1], m.Release)


@pytest.mark.parametrize("kind", ["socket", "rfc2217"])
def test_a_network_that_stalls_is_bench_trouble_and_no_fault_of_the_link(kind, tmp_path):
    make, url = maker(kind, tmp_path), KINDS[kind]
    outage = Outage(tmp_path, make, url, Role.RECEIVER, comes_back=True, how="silent")
    assert "fail" not in outage.verdicts.values(), outage.results
    assert "pass" not in (outage.verdicts["no_glitch"], str(outage.ran.outcome.judgement.verdict))


def test_the_report_of_a_network_bench_tells_so(tmp_path):
    outage = Outage(tmp_path, maker("socket", tmp_path), KINDS["socket"], Role.RECEIVER, comes_back=True)
    facts = outage.recording.header.facts
    assert facts["receiver network"].startswith("socket, round trip ")
    assert facts["transmitter latency timer"].startswith("not known")
    text = (tmp_path / "out" / "report.txt").read_text()
    assert "the receiver's port is reached through a network (socket, round trip" in " ".join(text.split())
