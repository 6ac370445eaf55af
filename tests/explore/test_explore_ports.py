"""The harness explores real serial ports politely: pseudo-terminals that stay open, in real time."""

import pytest
from explore_samples import SHIPPED, STRAY, planned

from harness.bench.ports import PortSpec
from harness.bench.rig import find_rig, parse_rig, serial_rig_text
from harness.clock import S
from harness.errors import UserError
from harness.explore.command import explore
from harness.explore.search import Limits
from harness.explore.trying import Trier
from harness.report.live import Quiet
from harness.running import Request
from harness.strategies import POLITE
from mocks.pair import open_pair
from mocks.ptys import serving

pytestmark = [pytest.mark.pty, pytest.mark.slow]


@pytest.fixture
def request_for():
    with serving(open_pair(SHIPPED.link, find_rig("ideal-mock").simulated, 7)) as ports:
        text = serial_rig_text({role: PortSpec(port) for role, port in ports.items()}, "the mock")
        rig = parse_rig(text, "rig.yaml")
        yield lambda props_off: Request(SHIPPED, "failsafe", rig, 0, props_off=props_off)


def test_a_few_seconds_on_ports_show_nothing_and_can_be_gone_on_with(request_for, tmp_path):
    with pytest.raises(UserError, match="propellers are off"):
        explore(request_for(False), tmp_path, Limits(S), seed=1)
    for total in (1, 2):
        state = explore(request_for(True), tmp_path, Limits(S), seed=1).state
        assert state.findings == []
        assert state.tally.scenarios >= total


def test_ports_stay_open_and_bounds_are_polite(request_for):
    trier = Trier(request_for(True), Quiet(), lambda: False)
    bounds = trier.probe()
    assert (bounds.burst, bounds.spacing_us, bounds.restart_ms) == (8, 5_000, POLITE.restart_ms)
    opened = trier._bench
    tried = trier.play(planned(STRAY), 1)
    assert trier._bench is opened
    assert tried.failures == ()
    trier.close()
