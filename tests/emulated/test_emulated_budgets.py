"""What the C library costs on the part, counted cycle by cycle, stays within its limits."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.codec.messages import Applied, Sent, Telemetry
from mocks.avr import budgets


@pytest.fixture(scope="module")
def costs():
    return budgets.measure()


def test_the_library_keeps_every_budget(costs):
    assert [cost for cost in costs if not cost.is_within] == []
    assert len([cost for cost in costs if cost.limit is not None]) > 10


def test_every_cost_was_really_measured(costs):
    assert all(cost.value > 0 for cost in costs)
    named = {cost.what: cost.value for cost in costs}
    assert named["bench_pulses, 16 channels"] > named["bench_sent"], "a longer frame takes longer"


def test_bytes_on_the_line_are_those_of_the_reports_and_little_more(costs):
    """Frames as shared/protocol.md gives them: 7 bytes about each payload; then Counters and the like."""
    sent = 7 + Sent.LAYOUT.size + 7 + Telemetry.HEAD.size + 10
    applied = 7 + len(Applied(0, 0, 0, (1500,) * 6).pack())
    lines = {
        cost.what.split()[3].rstrip(","): cost.value for cost in costs if cost.what.startswith("line from")
    }
    assert sent - 0.5 <= lines["transmitter"] < sent + 0.5
    assert applied <= lines["receiver"] < applied + 1


def test_the_command_says_no_when_something_is_above_its_limit(costs, monkeypatch, capsys):
    monkeypatch.setattr(budgets, "measure", lambda: costs)
    assert budgets.main() == 0
    assert "ABOVE" not in capsys.readouterr().out
    above = [replace(costs[0], limit=costs[0].value - 1), *costs[1:]]
    monkeypatch.setattr(budgets, "measure", lambda: above)
    assert budgets.main() == 1
    assert "ABOVE" in capsys.readouterr().out
