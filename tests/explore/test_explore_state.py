"""The harness goes on with a search where it was left, and never with another one's."""

import json

import pytest
from explore_samples import SHIPPED

from harness.bench.rig import find_rig
from harness.errors import StorageError, UserError
from harness.explore.finding import Finding
from harness.explore.hunt import Tally
from harness.explore.state import STATE, State, load_state, save_state, scene_of
from harness.running import Request

REQUEST = Request(plan=SHIPPED, file="failsafe", rig=find_rig("mock"), seed=0)
FINDING = Finding(
    "order", ("order", "fidelity"), "why", frozenset({"cut"}), 5, 1, 4, 12, 2, 3, "order-1.yaml"
)


@pytest.fixture
def state():
    tally = Tally(scenarios=50, link_ns=10**11, cuts=31, refused=2)
    return State(7, scene_of(REQUEST), 3, 11, tally, [FINDING], ["lost messages"])


def test_a_state_comes_back_as_it_was(state, tmp_path):
    save_state(tmp_path, state)
    assert load_state(tmp_path, REQUEST, None, 1) == state
    assert load_state(tmp_path, REQUEST, 7, 1) == state


def test_a_new_folder_begins_with_the_seed_asked_for_or_a_fresh_one(tmp_path):
    assert load_state(tmp_path, REQUEST, None, 99).seed == 99
    assert load_state(tmp_path, REQUEST, 0, 99).seed == 0


def test_another_seed_is_refused(state, tmp_path):
    save_state(tmp_path, state)
    with pytest.raises(UserError, match=r"begun with seed 7; leave --seed out .*--out"):
        load_state(tmp_path, REQUEST, 8, 1)


@pytest.mark.parametrize(
    ("other", "told"),
    [
        ({"rig": find_rig("ideal-mock")}, "another rig"),
        ({"defect": "failsafe-late"}, "another defect"),
        ({"plan": None}, "a changed rig, link or safety"),
    ],
)
def test_another_scene_is_refused(state, tmp_path, other, told):
    save_state(tmp_path, state)
    if "plan" in other:
        state.scene["digest"] = "0" * 16
        save_state(tmp_path, state)
        other = {}
    request = Request(**{"plan": SHIPPED, "file": "x", "rig": find_rig("mock"), "seed": 0, **other})
    with pytest.raises(UserError, match=told):
        load_state(tmp_path, request, None, 1)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "no JSON from line 1, column 1 on"),
        ("[]", "its values are not what a search writes"),
        ("7", "its values are not what a search writes"),
        ("{}", "the key 'propsoff_explore' is missing"),
        ('{\n "seed": }', "no JSON from line 2, column 10 on"),
        ('{"propsoff_explore": 2}', "its values are not what a search writes"),
        ("[" * 100_000, "its values are not what a search writes"),
        ('{"propsoff_explore": 1, "scenarios": -1}', "its values are not what a search writes"),
        ('{"propsoff_explore": 1}', "the key 'scenarios' is missing"),
    ],
)
def test_a_state_that_is_none_is_one_clear_error(tmp_path, text, why):
    (tmp_path / STATE).write_text(text)
    with pytest.raises(UserError) as caught:
        load_state(tmp_path, REQUEST, None, 1)
    assert f"explore.json: this is not the state of a search: {why}; move it away" in str(caught.value)


def test_a_finding_of_another_shape_is_no_finding(state, tmp_path):
    save_state(tmp_path, state)
    data = json.loads((tmp_path / STATE).read_text())
    data["findings"][0]["steps"] = "many"
    (tmp_path / STATE).write_text(json.dumps(data))
    with pytest.raises(UserError, match="not the state"):
        load_state(tmp_path, REQUEST, None, 1)


def test_a_state_that_cannot_be_written_is_one_clear_error(state, tmp_path):
    with pytest.raises(StorageError, match=r"explore\.json: cannot be written"):
        save_state(tmp_path / "nowhere", state)
