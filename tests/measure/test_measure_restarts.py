"""The harness sees a start of either device in a stretch of time, announced or not."""

import pytest
from scenario import RUN_NS, RX, TX, Reset, Scenario, plan_for

from harness.clock import MS, S
from harness.measure.evidence import gather
from harness.measure.restarts import restarted

AT_NS = RUN_NS + 2 * S


@pytest.fixture(scope="module", params=[TX, RX])
def evidence(request):
    link = Scenario(plan=plan_for(), seconds=4.0, resets=[Reset(request.param, AT_NS, commanded=False)])
    return gather(link.plan, link.recording())


@pytest.mark.parametrize(
    ("from_ms", "to_ms", "expected"),
    [
        (-500, 500, True),
        (-500, -100, False),
        (-500, 100, True),  # gone, and not back yet
        (100, 200, True),
        (100, 900, True),
        (500, 900, False),
    ],
)
def test_a_start_is_seen_from_the_last_word_before_it_to_the_first_after_it(
    evidence, from_ms, to_ms, expected
):
    assert restarted(evidence, AT_NS + from_ms * MS, AT_NS + to_ms * MS) is expected


def test_a_recording_without_a_word_shows_none():
    link = Scenario(plan=plan_for(), seconds=1.0)
    assert not restarted(gather(link.plan, link.recording()), RUN_NS, RUN_NS + S)
