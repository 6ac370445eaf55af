"""The harness measures a thing once, however many checks and tables ask for it."""

from dataclasses import replace

from scenario import Scenario

from harness.measure.delivery import packet_fates
from harness.measure.evidence import gather
from harness.measure.memo import remembered


def evidence():
    scenario = Scenario(seconds=1.0)
    return gather(scenario.plan, scenario.recording())


def test_it_gives_the_same_result_again_for_the_same_steps_only():
    found = evidence()
    whole = packet_fates(found)
    assert packet_fates(found, ()) is whole
    assert packet_fates(found, during=("go",)) is not whole
    assert packet_fates(found, ("go",)) is packet_fates(found, ("go",))


def test_changed_evidence_remembers_nothing():
    found = evidence()
    whole = packet_fates(found)
    assert packet_fates(replace(found, slack_ns=10**9)) is not whole
    assert packet_fates(replace(found, slack_ns=10**9)).unknown.all()


def test_two_measurements_are_kept_apart():
    found = evidence()
    assert remembered(_one)(found) == 1
    assert remembered(_two)(found) == 2


def _one(_, during):
    return 1


def _two(_, during):
    return 2
