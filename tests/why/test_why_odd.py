"""The harness asks every suspect of a recording that is cut short, damaged or empty, and none raises."""

import dataclasses

import pytest
from why_runs import all_failed, plan_for, record

from harness.bench.protocol import Role
from harness.chance import stream
from harness.measure.evidence import gather
from harness.recording.model import Recording
from harness.why import likely_causes


@pytest.fixture(scope="module")
def runs() -> dict[str, Recording]:
    """Runs whose suspects have the most to say."""
    return {
        "failsafe": record("failsafe", "failsafe-trimmed-to-rate"),
        "first-look": record("first-look", "leaps-doubted"),
    }


def kept(recording, keep):
    """Return the recording with those packets of each port for which `keep(role, place, share)` is true."""
    ports = {}
    for role, port in recording.ports.items():
        rows = [row for row in range(len(port.at_ns)) if keep(role, row, row / len(port.at_ns))]
        columns = {
            one.name: [getattr(port, one.name)[row] for row in rows] for one in dataclasses.fields(port)
        }
        ports[role] = dataclasses.replace(port, **columns)
    return dataclasses.replace(recording, ports=ports)


def asked(plan, recording):
    evidence = gather(plan_for(plan), recording)
    return likely_causes(evidence, all_failed(evidence.plan))


CUTS = {
    "nothing at all": lambda _role, _row, _share: False,
    "no receiver": lambda role, _row, _share: role is not Role.RECEIVER,
    "no transmitter": lambda role, _row, _share: role is not Role.TRANSMITTER,
    "its first twentieth": lambda _role, _row, share: share < 0.05,
    "its middle twentieth": lambda _role, _row, share: 0.5 <= share < 0.55,
    "its last third": lambda _role, _row, share: share > 0.67,
    "every other packet": lambda _role, row, _share: row % 2 == 0,
}


@pytest.mark.parametrize("plan", ["failsafe", "first-look"])
@pytest.mark.parametrize("cut", CUTS, ids=str)
def test_no_suspect_raises_where_only_a_part_is_there(runs, plan, cut):
    assert isinstance(asked(plan, kept(runs[plan], CUTS[cut])), tuple)


@pytest.mark.parametrize("plan", ["failsafe", "first-look"])
def test_no_suspect_raises_on_damaged_frames(runs, plan):
    draw = stream(1, "damage")
    recording = runs[plan]
    ports = {}
    for role, port in recording.ports.items():
        data = [
            bytes((byte ^ draw.randrange(256)) if draw.random() < 0.01 else byte for byte in one)
            for one in port.data
        ]
        ports[role] = dataclasses.replace(port, data=data)
    assert isinstance(asked(plan, dataclasses.replace(recording, ports=ports)), tuple)


def test_no_suspect_raises_without_marks(runs):
    assert isinstance(asked("failsafe", dataclasses.replace(runs["failsafe"], marks=())), tuple)
