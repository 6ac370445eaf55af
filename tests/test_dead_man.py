"""The harness may be killed, or lose a port: the devices then let go by themselves, soon enough."""

from contextlib import closing

import pytest
from killed import closed_after_ns

from harness.bench.rig import find_rig
from harness.clock import MS, S
from harness.codec.messages import DEAD_MAN_MS
from harness.plan.find import shipped_plans
from harness.plan.reader import load_plan
from harness.running import Request, open_for

LATEST_NS = 600 * MS


@pytest.fixture(scope="module")
def request_():
    return Request(
        plan=load_plan(shipped_plans()["first-look"]), file="x", rig=find_rig("ideal-mock"), seed=7
    )


@pytest.mark.parametrize("phase_ms", range(0, 160, 20))
def test_a_killed_harness_leaves_a_closed_throttle_within_600_ms_of_the_last_keep_alive(request_, phase_ms):
    """Whenever it dies between two keep-alives, which are 150 ms apart."""
    with closing(open_for(request_)) as bench:
        after_ns = closed_after_ns(request_, bench, 4 * S + phase_ms * MS)
    assert DEAD_MAN_MS * MS <= after_ns <= LATEST_NS


def test_a_transmitter_whose_port_is_gone_closes_its_throttle_by_itself(request_):
    with closing(open_for(request_)) as bench:
        after_ns = closed_after_ns(request_, bench, 4 * S, only_transmitter=True)
    assert DEAD_MAN_MS * MS <= after_ns <= LATEST_NS


def test_a_device_that_lets_go_too_late_is_told_apart(request_, monkeypatch):
    """What these tests could miss, they do not: 650 ms is too late."""
    monkeypatch.setattr("mocks.device.DEAD_MAN_NS", 650 * MS)
    with closing(open_for(request_)) as bench:
        assert closed_after_ns(request_, bench, 4 * S) > LATEST_NS
