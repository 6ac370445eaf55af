"""The harness tells a new violation from a known one by what it takes."""

import pytest
from explore_samples import BURST, CUT, HOLD, RESTART, SETTLE, STRAY, planned

from harness.explore.causes import causes, in_words
from harness.explore.hunt import Known

QUIET = {"restart": {**RESTART["restart"], "silent": "1 s"}}


@pytest.mark.parametrize(
    ("steps", "told"),
    [
        ((SETTLE,), "sticks at rest"),
        ((HOLD,), "sticks"),
        ((CUT,), "cut"),
        ((STRAY,), "cut by foreign"),
        ((BURST, HOLD), "burst, sticks"),
        ((RESTART,), "restart of the receiver"),
        ((QUIET,), "restart in silence, restart of the receiver"),
        (({"fade": {"over": "1 s", "duration": "1 s"}},), "fade"),
        (({"cut": {"duration": "1 s", "burst": 9}},), "cut in a burst"),
        (({"cut": {"duration": "1 s", "packet_rate": "25 Hz"}},), "cut at another packet rate"),
        (
            ({"restart": {**RESTART["restart"], "device": "transmitter", "clock_wraps_in": "1 s",
                          "packets_wrap_in": 7}},),
            "clock wrap, packet number wrap, restart of the transmitter",
        ),
    ],
)  # fmt: skip
def test_causes_are_told_without_what_goes_without_saying(steps, told):
    assert in_words(causes(planned(*steps).steps)) == told


@pytest.mark.parametrize(
    ("known", "seen", "explained"),
    [
        ((CUT,), (STRAY,), True),
        ((STRAY,), (CUT,), False),
        ((HOLD,), (CUT,), True),
        ((CUT,), (HOLD,), False),
        ((HOLD,), ({"mute": {"for": "1 s"}},), True),
        ((SETTLE,), (RESTART,), True),
        ((RESTART,), (BURST, RESTART), True),
        ((RESTART, BURST), (RESTART,), False),
    ],
)
def test_a_finding_explains_whatever_holds_its_causes(known, seen, explained):
    finding = Known(frozenset({"order"}), causes(planned(*known).steps))
    of = causes(planned(*seen).steps)
    assert finding.explains("order", of) is explained
    assert not finding.explains("fidelity", of)
