"""The harness tells a new violation from a known one by what it takes."""

import pytest
from explore_samples import BURST, CUT, HOLD, RESTART, SETTLE, STRAY, planned

from harness.explore.causes import PHRASES, causes, in_words
from harness.explore.hunt import Known
from harness.plan.model import CUT_WAYS
from harness.plan.steps import STEP_KINDS

QUIET = {"restart": {**RESTART["restart"], "silent": "1 s"}}


@pytest.mark.parametrize(
    ("steps", "told"),
    [
        ((SETTLE,), "the sticks at rest"),
        ((HOLD,), "moving sticks"),
        ((CUT,), "a link cut"),
        ((STRAY,), "a link cut by another transmitter's packets"),
        ((BURST, HOLD), "a burst of packets and moving sticks"),
        ((RESTART,), "a restart of the receiver"),
        ((QUIET,), "a restart of the receiver during a link cut"),
        (({"fade": {"over": "1 s", "duration": "1 s"}},), "a fade out and back"),
        (({"mute": {"for": "1 s"}},), "lost acknowledgements"),
        (({"interfere": {"for": "1 s"}},), "packets of another transmitter in between"),
        (({"cut": {"duration": "1 s", "burst": 9}},), "a link cut during a burst of packets"),
        (({"cut": {"duration": "1 s", "packet_rate": "25 Hz"}},), "a link cut at another packet rate"),
        (
            ({"restart": {**RESTART["restart"], "device": "transmitter", "clock_wraps_in": "1 s",
                          "packets_wrap_in": 7}},),
            "a wrap of a device's clock, a wrap of the packet number and a restart of the transmitter",
        ),
    ],
)  # fmt: skip
def test_causes_are_told_without_what_goes_without_saying(steps, told):
    assert in_words(causes(planned(*steps).steps)) == told


SAID_AS_STICKS = {"hold", "step", "ramp", "sweep", "corners", "wander"}
SAID_BY_KIND = {"settle", "wait", "repeat", "restart"}
"""Nothing is done to the link, or each kind of it has a word of its own."""


def test_every_step_and_every_way_of_cutting_has_a_phrase():
    words = {kind.WORD for kind in STEP_KINDS} - SAID_AS_STICKS - SAID_BY_KIND
    words |= {f"cut by {way}" for way in CUT_WAYS} | {"sticks"}
    words |= {f"restart of the {role}" for role in ("receiver", "transmitter")}
    assert words <= set(PHRASES)
    assert in_words(frozenset(("inject", "burst"))) == "a burst of packets and injected telemetry values"


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
