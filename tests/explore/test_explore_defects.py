"""The harness finds defects that no shipped step is about, shrinks them, and spares healthy links."""

import pytest

from harness.bench.rig import find_rig, parse_rig
from harness.clock import S
from harness.explore.command import explore
from harness.explore.search import Limits
from harness.explore.trying import Trier
from harness.judge import verdicts
from harness.plan.find import find_plan
from harness.plan.reader import load_plan
from harness.recording import parse_recording
from harness.report.live import Quiet
from harness.running import Request
from harness.verdict import Verdict
from mocks.defects import find_defect

pytestmark = pytest.mark.slow
SEED = 1
PLAN = load_plan(find_plan("acceptance"))
LIMITS = Limits(1200 * S, findings=1)

# Each takes something beside what the steps of the shipped plans are there for: two channels at certain
# places at once, telemetry while something else goes on, packet numbers after a restart. The number is the
# most scenarios until it is seen under SEED, measured, with a margin.
FOUND = {
    "third-channel-waits": (20, "fidelity"),  # two sticks near their ends while a third one moves
    "leaps-doubted": (20, "fidelity"),  # three sticks that leap in one packet
    "equal-channels-lag": (20, "fidelity"),  # two neighbours at the same pulse
    "telemetry-spills": (40, "fidelity"),  # a telemetry value with its top bit set, and one packet after it
    "telemetry-starved": (40, "telemetry_value"),  # injected while sticks move
    "telemetry-latches-end": (40, "telemetry_value"),  # a value after the largest one
    "end-stop-refused": (60, "control_gap"),  # a stick that stays at its high end
    "output-overshoots": (20, "fidelity"),  # a leap from one half of the travel to the other
    "number-carries-over": (60, "fidelity"),  # an even pulse in each 256th packet
    "brown-out-at-throttle": (20, "no_false_failsafe"),  # a throttle that opens at once
    "retry-from-old-buffer": (60, "fidelity"),  # a lost packet while the last channel moves
    "throttle-overflows": (40, "fidelity"),  # the very last step of the throttle's travel
    "number-refused-after-restart": (80, "recovery"),  # a restart after some time of flight
    "soft-start-in-flight": (40, "fidelity"),  # a stick that moves right after a restart
    "trims-cancel": (40, "fidelity"),  # one end of the travel alone
}


def searched(folder, defect=None, rig=None, seed=SEED, limits=LIMITS):
    request = Request(PLAN, "acceptance", rig or find_rig("mock"), 0, defect)
    return explore(request, folder, limits, seed=seed).state


def replayed(plan, seed, defect):
    trier = Trier(Request(PLAN, "acceptance", find_rig("mock"), 0, defect), Quiet(), lambda: False)
    return verdicts(plan, parse_recording(trier.play(plan, seed).recording, "again"))


@pytest.mark.parametrize("name", FOUND)
def test_a_defect_is_found_shrunk_and_kept_as_a_plan_that_a_healthy_link_passes(tmp_path, name):
    most, check = FOUND[name]
    (finding,) = searched(tmp_path, find_defect(name).name).findings
    assert finding.after <= most
    assert check in finding.checks
    plan = load_plan(tmp_path / finding.file)
    assert len(plan.steps) <= 5
    failed = {one.kind for one in replayed(plan, finding.seed, name) if one.verdict is Verdict.FAIL}
    assert failed == set(finding.checks)
    healthy = {one.kind: one.reason for one in replayed(plan, finding.seed, None) if one.verdict != "pass"}
    assert healthy == {}


@pytest.mark.parametrize("name", ["telemetry-starved", "end-stop-refused"])
def test_the_same_seed_finds_the_same_to_the_byte(tmp_path, name):
    files = []
    for turn in ("folder-1", "folder-2"):  # the path stands in the plan's head
        searched(tmp_path / turn, name)
        kept = sorted((tmp_path / turn).iterdir())
        files.append([(path.name, path.read_bytes().replace(turn.encode(), b"")) for path in kept])
    assert files[0] == files[1]


RIGS = {
    "typical": "mock: {}",
    "much loss": "mock: {loss: 12 %, ack_loss: 5 %}",
    "fast and slow clocks": "mock: {transmitter_skew_ppm: 200, receiver_skew_ppm: -200, usb_latency: 16 ms}",
    "a loop and phases": "mock: {loss: 2 %, receiver_loop: 4 ms, start_phase: 13 ms, usb_latency: 4 ms}",
    "clocks that wrap": "mock: {receiver_clock_us: 4293900000, packet_number_start: 65500, loss: 2 %}",
}


@pytest.mark.parametrize("what", RIGS)
@pytest.mark.parametrize("seed", [11, 12])
def test_a_healthy_link_explored_shows_nothing(tmp_path, what, seed):
    rig = parse_rig(f"propsoff_rig: 1\nbench: mock\n{RIGS[what]}\n", "rig.yaml")
    state = searched(tmp_path, rig=rig, seed=seed, limits=Limits(3600 * S, scenarios=30))
    assert (state.findings, state.troubles, state.tally.scenarios) == ([], [], 30)
