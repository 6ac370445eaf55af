"""The harness keeps each finding as a plan that a person can read, replay and edit."""

import os

import pytest
from explore_samples import BURST, CUT, SHIPPED, Bench, hunt, planned, words

from harness.errors import PlanError, StorageError
from harness.explore.causes import PHRASES
from harness.explore.finding import Finding, Scene, finding_of, kept_plan, store
from harness.explore.trying import Failure, Tried
from harness.plan.model import BenchHealth, FailsafeEntry, Order
from harness.plan.reader import load_plan, parse_plan

HEAD = ["Found by exploring.", "Replay: propsoff run FILE --rig mock --seed 5"]


@pytest.fixture
def found():
    plan = planned(BURST, CUT)
    batch = hunt(Bench(order=lambda plan: True, failsafe_entry=lambda plan: "cut" in words(plan)))
    assert batch.violates(plan)
    return plan, finding_of(plan, batch.outcome(plan), batch)


def test_a_finding_says_which_check_failed_and_what_it_takes(found):
    _, finding = found
    assert (finding.check, finding.checks, finding.seed) == ("order", ("order", "failsafe_entry"), 5)
    assert (finding.steps, finding.first_steps, finding.after) == (2, 2, 1)
    assert finding.known.explains("failsafe_entry", frozenset(("burst", "cut", "sticks", "hold")))


def test_the_kept_plan_has_the_same_steps_and_only_the_checks_that_failed(found):
    plan, finding = found
    kept = kept_plan(plan, finding)
    assert [step.action for step in kept.steps] == [step.action for step in plan.steps]
    assert [type(check.rule) for check in kept.checks] == [FailsafeEntry, Order, BenchHealth]
    assert kept.title == "Found by exploring: order fails with a burst of packets and a link cut"
    assert kept.about.splitlines() == [
        "The check order fails: order was wrong.",
        "So does failsafe_entry.",
        "It shows with a burst of packets and a link cut: 2 steps between two rests.",
        "Every link that does what is declared here passes this plan.",
    ]
    assert kept.safety == SHIPPED.safety


def test_what_a_device_says_cannot_break_the_plan(found):
    plan, _ = found
    batch = hunt(lambda plan, seed: Tried(failures=(Failure("order", "\x1b[31m: }\n- bad\u202e" * 90),)))
    assert batch.violates(plan)
    kept = kept_plan(plan, finding_of(plan, batch.outcome(plan), batch))
    assert "\x1b" not in kept.text
    assert parse_plan(kept.text, "x").checks == kept.checks


def test_a_stored_plan_says_how_to_replay_it_and_has_its_recording_beside_it(found, tmp_path):
    path = store(tmp_path, "order", kept_plan(*found), HEAD, b"recording")
    assert path == tmp_path / "order-1.yaml"
    assert path.read_text().startswith(
        f"# Found by exploring.\n# Replay: propsoff run {path} --rig mock --seed 5\n"
    )
    assert path.with_suffix(".pcapng").read_bytes() == b"recording"
    assert load_plan(path).steps == kept_plan(*found).steps
    assert sorted(os.listdir(tmp_path)) == ["order-1.pcapng", "order-1.yaml"]


def test_nothing_is_overwritten(found, tmp_path):
    (tmp_path / "order-1.yaml").write_text("mine")
    (tmp_path / "order-2.pcapng").write_text("mine too")
    assert store(tmp_path, "order", kept_plan(*found), HEAD, b"x").name == "order-3.yaml"
    assert (tmp_path / "order-1.yaml").read_text() == "mine"
    assert not (tmp_path / "order-2.yaml").exists()


def test_a_folder_that_cannot_be_written_is_one_clear_error(found, tmp_path):
    with pytest.raises(StorageError, match=r"order-1\.yaml: cannot be written"):
        store(tmp_path / "nowhere", "order", kept_plan(*found), HEAD, b"x")


def test_a_kept_plan_edited_into_nonsense_gets_the_usual_error_with_its_place(found, tmp_path):
    path = store(tmp_path, "order", kept_plan(*found), HEAD, b"x")
    path.write_text(path.read_text().replace("duration: 700 ms", "duration: 700 mph"))
    with pytest.raises(PlanError) as caught:
        load_plan(path)
    line = next(n for n, text in enumerate(path.read_text().splitlines(), 1) if "mph" in text)
    assert str(caught.value).startswith(f"{path}:{line}:")


@pytest.mark.parametrize(
    ("again", "turns", "told"),
    [
        (3, 3, "3 of 3 further runs"),
        (1, 1, "1 of 1 further run"),
        (0, 5, "seen once, in 0 of 5 further runs"),
        (0, 0, "not tried again"),
    ],
)
def test_how_often_it_came_again_is_told_in_words(found, again, turns, told):
    finding = Finding.from_data({**found[1].to_data(), "again": again, "turns": turns})
    assert finding.reproduced() == told


@pytest.mark.parametrize(
    ("steps", "first", "told"),
    [(1, 4, "shrunk from 4 steps to 1 step"), (2, 5, "shrunk from 5 steps to 2 steps"), (1, 1, "1 step")],
)
def test_what_was_not_shrunk_is_not_told_as_shrunk(found, steps, first, told):
    finding = Finding.from_data({**found[1].to_data(), "steps": steps, "first_steps": first})
    assert finding.shrunk() == told


def test_a_title_too_long_for_a_plan_leaves_out_what_stands_below_it(found):
    every = Finding.from_data({**found[1].to_data(), "causes": list(PHRASES)})
    kept = kept_plan(found[0], every)
    assert kept.title == "Found by exploring: order fails"
    assert "a link cut by repeats of the last packet" in " ".join(kept.about.split())


def test_a_finding_comes_through_json(found):
    assert Finding.from_data(found[1].to_data()) == found[1]


def test_a_scene_is_typed_as_it_was(found):
    assert Scene("my bench.yaml", "packets-queued", near_miss=True).words() == (
        "--rig 'my bench.yaml' --defect packets-queued --near-miss"
    )
    assert Scene("mock").words() == "--rig mock"
    assert Scene("ports.yaml", props_off=True).words() == "--rig ports.yaml --props-off"


@pytest.mark.parametrize(
    ("scene", "told"),
    [
        (Scene("mock"), "the rig mock"),
        (Scene("mock", "failsafe-late"), "the rig mock with the defect failsafe-late"),
        (
            Scene("avr", "failsafe-late", near_miss=True),
            "the rig avr with a near miss of the defect failsafe-late",
        ),
    ],
)
def test_a_scene_is_told_with_its_defect(scene, told):
    assert scene.bench() == told
