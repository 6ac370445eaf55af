"""A healthy link never fails, whatever the bench loses, cuts off or delays, and whoever is restarted."""

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st
from imaginary import RUN_NS, RX, TX, DeviceClock, Reset, Scenario, Silence, as_reported, plan_for
from test_judge_bench import all_rules

from harness.bench.protocol import Role
from harness.chance import stream
from harness.clock import MS, US, S
from harness.judge import judge
from harness.recording.model import Direction, PortPackets
from harness.verdict import Verdict

PLAN = plan_for(*all_rules())


def losing(chance, ports, share, run):
    """Lose messages of `ports` in runs of `run`."""
    left = dict.fromkeys(Role, 0)

    def drop(role, _, __):
        if left[role] == 0 and chance.random() < share / run:
            left[role] = run
        left[role] = max(0, left[role] - 1) if role in ports else 0
        return left[role] > 0

    return drop


def cut_off(recording, at_ns, roles):
    """The recording with these ports' device messages ending at `at_ns`; with all, everything ends."""
    ports = {}
    for role, port in recording.ports.items():
        keep = [
            place
            for place, time in enumerate(port.at_ns)
            if time <= at_ns
            or role not in roles
            or (len(roles) < len(Role) and port.direction[place] != Direction.TO_PC)
        ]
        ports[role] = PortPackets(
            *([column[n] for n in keep] for column in (port.at_ns, port.direction, port.data))
        )
    marks = tuple(mark for mark in recording.marks if len(roles) < len(Role) or mark.at_ns <= at_ns)
    return replace(recording, ports=ports, marks=marks)


@settings(max_examples=30)
@given(
    seed=st.integers(0, 2**32 - 1),
    share=st.sampled_from([0.0, 0.003, 0.03, 0.3]),
    run=st.sampled_from([1, 5, 30]),
    ports=st.sets(st.sampled_from(Role)),
    off=st.sets(st.sampled_from(Role)),
    restarts=st.lists(st.sampled_from([TX, RX]), max_size=2),
    pings=st.booleans(),
)
def test_a_healthy_link_never_fails(seed, share, run, ports, off, restarts, pings):
    chance = stream(seed, "bench")
    clocks = {role: DeviceClock(chance.randrange(2**32), chance.uniform(-5000, 5000)) for role in Role}
    scenario = Scenario(
        plan=PLAN,
        seconds=4.5,
        clocks=clocks,
        pings=pings,
        first_number=chance.choice([0, 65_400]),
        latency_ns=lambda _: chance.choice([1, 2, 3]) * MS,
        pong_after_ns=lambda _: chance.choice([30 * US, chance.randrange(16 * MS)]),
        silences=[
            Silence(RUN_NS + 200 * MS + n * 2 * S, 700 * MS, chance.randrange(20) * MS) for n in range(2)
        ],
        resets=[
            Reset(
                role,
                RUN_NS + 1400 * MS + n * 2 * S + chance.randrange(300) * MS,
                chance.choice([50, 200]) * MS,
            )
            for n, role in enumerate(restarts)
        ],
        drop=losing(chance, ports, share, run),
        pins=as_reported,
    )
    scenario.inject_often(seed)
    recording = cut_off(scenario.recording(), RUN_NS + chance.randrange(5 * S), off)
    failed = [result for result in judge(PLAN, recording).results if result.verdict is Verdict.FAIL]
    assert failed == []
