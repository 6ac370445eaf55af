"""The harness tells each round of a soak in a few figures, which are those of its checks."""

from dataclasses import replace

import pytest
from soaked import plan_text, played

from harness.bench.protocol import Role
from harness.clock import MS
from harness.measure.evidence import gather
from harness.measure.hours import round_figures
from harness.plan.reader import parse_plan
from harness.recording import Recording, parse_windows

TEXT = plan_text()
PLAN = parse_plan(TEXT, "soaked")


@pytest.fixture
def windows():
    return [window.recording for window in parse_windows(played(TEXT), "soaked")]


def test_a_round_is_told_by_what_the_mock_is_made_of(windows):
    found = round_figures(2, gather(PLAN, windows[1]))
    assert found.number == 2
    assert found.sent == found.applied + found.lost > 600
    assert found.delivery == found.applied / found.sent
    assert 0 <= found.latency_ns < 5 * MS
    assert 19 * MS < found.gap_ns < 140 * MS
    assert 20 * MS < found.age_ns < 100 * MS
    assert found.free_memory == 1024
    assert abs(found.skew_ppm) < 500


def test_the_difference_of_the_clocks_is_that_of_their_skews(tmp_path):
    rig = tmp_path / "skewed.yaml"
    rig.write_text(
        "propsoff_rig: 1\nbench: mock\nmock: {transmitter_skew_ppm: 150, receiver_skew_ppm: -50}\n"
    )
    for window in parse_windows(played(TEXT, 1, str(rig)), "soaked"):
        assert round_figures(1, gather(PLAN, window.recording)).skew_ppm == pytest.approx(200, abs=40)


def test_a_round_without_anything_has_no_figures(windows):
    bare = replace(windows[0], ports={}, marks=())
    assert isinstance(bare, Recording)
    found = round_figures(1, gather(PLAN, bare))
    assert (found.sent, found.applied, found.lost) == (0, 0, 0)
    for figure in (found.delivery, found.latency_ns, found.gap_ns, found.age_ns, found.free_memory):
        assert figure is None


def test_a_port_that_said_nothing_leaves_its_figures_unknown(windows):
    ports = {role: port for role, port in windows[0].ports.items() if role is Role.TRANSMITTER}
    found = round_figures(1, gather(PLAN, replace(windows[0], ports=ports)))
    assert found.sent > 600
    assert (found.free_memory, found.skew_ppm, found.gap_ns) == (None, None, None)
