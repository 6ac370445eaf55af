"""The latency section tells percentiles, jitter and delay variation of a link whose truth is known."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import RX, TX, DeviceClock, Scenario, drop_every, every

from harness.account.latency import account
from harness.clock import MS
from harness.measure import gather


def told(**fields):
    scenario = Scenario(**fields)
    section = account(gather(scenario.plan, scenario.recording()))
    return section, {figure.name: figure for figure in section.figures}


def test_section_tells_percentiles_of_all_three_kinds():
    """2 ms of latency, 12 ms of waiting less 1.56 ms on the line, 3 ms to the acknowledgement."""
    section, figures = told(seconds=16.0)
    assert section.key == "latency"
    for kind, ms in (
        ("packet latency", 2), ("stick-to-output time", 12.44), ("acknowledgement round trip", 3),
    ):  # fmt: skip
        for share in (50, 90, 95, 99):
            figure = figures[f"{kind}, p{share}"]
            assert figure.value == pytest.approx(ms, abs=0.3)
            assert figure.interval[0] <= figure.value
            assert figure.interval[1] is None or figure.value <= figure.interval[1] <= figure.value + 1


def test_section_tells_jitter_and_delay_variation():
    """Latencies of 2 and 6 ms in turn: |D| is 4 ms always, both variations 4 ms, one packet lost."""
    _, figures = told(
        latency_ns=lambda packet: (2 + 4 * (packet.index % 2)) * MS, lost=lambda p: p.index == 100
    )
    assert figures["jitter, largest"].value == pytest.approx(4, abs=0.05)
    assert figures["delay above the least, most"].value == pytest.approx(4, abs=0.1)
    assert figures["delay above the least, p99"].value == pytest.approx(4, abs=0.1)
    assert figures["change between packets, most"].value == pytest.approx(4, abs=0.1)
    assert figures["pairs of packets without a change"].value == 2


def test_section_counts_what_the_times_rest_on():
    section, figures = told(lost=every(30, 10), seconds=16.0)
    rows = {row[0]: row for row in section.grids[0].rows}
    assert rows["packet latency"][1:4] == (800, 80, 0)
    assert rows["stick-to-output time"][2] == 0
    assert figures["packet latency, p99"].value is None
    assert figures["packet latency, p99"].note == "without end"
    assert figures["packet latency, p50"].value == pytest.approx(2, abs=0.2)


def test_skew_and_missing_reports_change_little():
    clocks = {TX: DeviceClock(2**32 - 102_000_000, 60.0), RX: DeviceClock(4_000_000_000, -80.0)}
    section, figures = told(clocks=clocks, drop=drop_every(RX, 40), seconds=16.0)
    assert figures["packet latency, p50"].value == pytest.approx(2, abs=0.2)
    assert {row[0]: row[3] > 0 for row in section.grids[0].rows} == {
        "packet latency": True, "stick-to-output time": True, "acknowledgement round trip": False,
    }  # fmt: skip


def test_a_run_without_packets_has_no_section():
    scenario = Scenario(seconds=0.0, pings=False, drop=lambda role, *_: role == TX)
    assert account(gather(scenario.plan, scenario.recording())) is None
