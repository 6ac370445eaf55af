"""The harness searches batch after batch, shrinks what it finds, tries it again and keeps it."""

import pytest
from explore_samples import Bench, explorer, words

from harness.clock import S
from harness.explore.search import AGAIN_HARDWARE, AGAIN_SIMULATED, Limits
from harness.explore.state import STATE, State
from harness.explore.trying import Failure, Tried
from harness.plan.reader import load_plan

ON_BURST = {"order": lambda plan: "burst" in words(plan)}
HOUR = Limits(3600 * S, findings=1)


def searched(folder, play, limits=HOUR, seed=3, state=None, **more):
    state = state or State(seed, {})
    explorer(play, folder, **more).explore(state, limits)
    return state


def test_a_violation_is_found_shrunk_tried_again_and_kept(tmp_path):
    said = []
    state = searched(tmp_path, Bench(**ON_BURST), say=said.append)
    (finding,) = state.findings
    assert (finding.check, finding.steps) == ("order", 1)
    assert (finding.again, finding.turns) == (AGAIN_SIMULATED, AGAIN_SIMULATED)
    assert words(load_plan(tmp_path / finding.file)) == ["burst"]
    assert said == [f"found: order fails, 3 of 3 further runs: {tmp_path / 'order-1.yaml'}"]
    assert (tmp_path / STATE).exists()


def test_the_same_seed_gives_the_same_bytes(tmp_path):
    kept = []
    for name in ("one", "two"):
        folder = tmp_path / name
        folder.mkdir()
        state = searched(folder, Bench(**ON_BURST))
        text = (folder / "order-1.yaml").read_text().replace(str(folder), "FOLDER")
        kept.append((text, state.to_data()))
    assert kept[0] == kept[1]


def test_on_hardware_it_is_tried_again_under_its_own_seed(tmp_path):
    bench = Bench(**ON_BURST)
    (finding,) = searched(tmp_path, bench, hardware=True).findings
    assert finding.turns == AGAIN_HARDWARE
    assert set(bench.seeds[-AGAIN_HARDWARE:]) == {finding.seed}


def test_a_violation_that_does_not_come_again_is_kept_and_told_so(tmp_path):
    fits = []

    def once(plan, seed):
        if not fits and "burst" in words(plan):
            fits.append(plan.text)
            return Tried(failures=(Failure("order", "wrong once"),), link_ns=S, recording=b"evidence")
        return Tried(link_ns=S)

    (finding,) = searched(tmp_path, once, hardware=True).findings
    assert (finding.again, finding.turns) == (0, AGAIN_HARDWARE)
    assert "Reproduced: seen once, in 0 of 5 further runs." in (tmp_path / finding.file).read_text()
    assert (tmp_path / "order-1.pcapng").read_bytes() == b"evidence"


@pytest.mark.slow
def test_a_known_violation_is_not_reported_again_and_another_one_is(tmp_path):
    bench = Bench(**ON_BURST, fidelity=lambda plan: "mute" in words(plan))
    state = searched(tmp_path, bench, Limits(800 * S))
    assert sorted(finding.check for finding in state.findings) == ["fidelity", "order"]


def test_nothing_found_ends_with_the_time(tmp_path):
    bench = Bench()
    state = searched(tmp_path, bench, Limits(200 * S))
    assert (state.findings, len(bench.played), state.tally.link_ns) == ([], 50, 200 * S)


def test_an_end_of_time_while_shrinking_keeps_the_smallest_so_far(tmp_path):
    bench = Bench(order=lambda plan: len(plan.steps) > 3)
    (finding,) = searched(tmp_path, bench, Limits(20 * S)).findings
    assert len(load_plan(tmp_path / finding.file).steps) > 3


@pytest.mark.slow
def test_a_second_call_goes_on_and_repeats_nothing(tmp_path):
    parts, whole = Bench(), Bench()
    state = searched(tmp_path, parts, Limits(60 * S))
    for _ in range(3):
        state = searched(tmp_path, parts, Limits(60 * S), state=state)
    (tmp_path / "whole").mkdir()
    searched(tmp_path / "whole", whole, Limits(240 * S))
    assert parts.played == whole.played
    assert parts.seeds == whole.seeds


@pytest.mark.slow
def test_a_bench_that_dies_leaves_the_findings_so_far_and_is_told_apart(tmp_path):
    bench = Bench(**ON_BURST)

    def dies(plan, seed):
        if len(bench.played) >= 60:
            return Tried(trouble="the receiver's port is gone", gone=True, link_ns=S, recording=b"half")
        return bench(plan, seed)

    state = searched(tmp_path, dies, Limits(3600 * S))
    assert [finding.check for finding in state.findings] == ["order"]
    assert state.ended == "bench trouble"
    assert state.troubles == ["the receiver's port is gone (bench-trouble-1.yaml)"]
    assert "says nothing about the link" in (tmp_path / "bench-trouble-1.yaml").read_text()
    assert (tmp_path / "bench-trouble-1.pcapng").read_bytes() == b"half"


@pytest.mark.slow
def test_somebody_who_stops_it_can_go_on_later(tmp_path):
    bench = Bench()

    def stopped(plan, seed):
        return Tried(stopped=True) if len(bench.played) == 55 else bench(plan, seed)

    state = searched(tmp_path, stopped)
    assert state.ended == "stopped"
    assert state.batches == 1
    assert state.tally.scenarios == 56
    assert (tmp_path / STATE).exists()


@pytest.mark.parametrize("limits", [Limits(10**18, scenarios=25), Limits(10**18, scenarios=0)])
def test_the_number_of_scenarios_is_bounded_too(tmp_path, limits):
    bench = Bench()
    searched(tmp_path, bench, limits)
    assert len(bench.played) == limits.scenarios
