"""The README tells the truth: its plans, rigs, reports and lists are what the harness does."""

import re
from pathlib import Path

import pytest

from harness.bench.rig import parse_rig
from harness.cli import main
from harness.errors import PlanError
from harness.plan.model import CHECK_KINDS, STEP_KINDS
from harness.plan.reader import parse_plan

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text()
BLOCKS = re.findall(r"^```(\w*)\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
YAML = [text for kind, text in BLOCKS if kind == "yaml"]
INDENTED = re.findall(r"(?:^    .*\n)+", README, re.MULTILINE)


def test_the_job_comes_first_then_two_commands():
    title, job, *_ = README.split("\n\n")
    assert title == "# propsoff"
    assert len(job) > 300
    commands = [text.strip() for text in INDENTED[:2]]
    assert commands[0].endswith("propsoff run first-look")
    assert commands[1].endswith("python -m pytest")


def test_continuous_integration_calls_the_same_test_command():
    script = (ROOT / ".ci/run").read_text()
    command = INDENTED[1].strip()
    assert script.strip().splitlines()[-1].replace("install -q -e", "install -e") == command


def test_its_plan_is_sound():
    plan = next(text for text in YAML if "propsoff: 1" in text)
    assert len(parse_plan(plan, "README.md").checks) == 4


@pytest.mark.parametrize("text", [text for text in YAML if "propsoff_rig" in text])
def test_its_rigs_are_sound(text):
    assert parse_rig(text, "README.md").kind in text


def test_its_mistakes_are_told_as_shown():
    plan = next(text for text in YAML if "propsoff: 1" in text)
    wrong = plan.replace("50 Hz", "50").replace("rudder]", "ruder]").replace("sine", "sinus")
    with pytest.raises(PlanError) as caught:
        parse_plan(wrong, "my-plan.yaml")
    shown = next(text for text in INDENTED if "my-plan.yaml:" in text and "run" not in text)
    assert shown.split() == str(caught.value).split()


def test_its_report_is_the_one_printed(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["run", "first-look", "--seed", "7"]) == 0
    shown = next(text for kind, text in BLOCKS if kind == "text")
    assert shown == capsys.readouterr().out


@pytest.mark.parametrize(("kinds", "label"), [(STEP_KINDS, "Steps"), (CHECK_KINDS, "Checks")])
def test_it_lists_every_step_and_check(kinds, label):
    listed = re.search(rf"{label}: (.*?)\.", README, re.DOTALL)
    assert listed
    assert set(re.findall(r"`(\w+)`", listed[1])) == {kind.WORD for kind in kinds}


def test_the_figures_of_the_plans_table_hold():
    table = dict(re.findall(r"^\| `([\w-]+)` \| ([^|]+) \|", README, re.MULTILINE))
    assert set(table) == {path.stem for path in (ROOT / "testplans").glob("*.yaml")}
