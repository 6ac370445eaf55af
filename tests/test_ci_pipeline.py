"""The harness comes with a pipeline for continuous integration that does what its page says."""

import os
import re
import stat
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import yaml

ROOT = Path(__file__).parents[1]
SCRIPT = ROOT / "shared/ci/pipeline.sh"
PLAN = """\
propsoff: 1
title: Dunlin in a hurry
link:
  packet_rate: 50 Hz
  channels: {throttle: {role: throttle, failsafe: low}, rudder: {failsafe: centre}}
  failsafe: {within: 500 ms}
steps:
  - wait: {until: linked, deadline: 3 s}
  - wander: {for: 2 s}
checks:
  - fidelity
"""
FAKE = """\
#!/bin/sh
# ends as a plan's name or the environment says, so that the script alone is tested
case $1 in
compare) echo "$*"; exit "$COMPARED" ;;
judge) echo "judged" ;;
run)
    while [ "$1" != --out ]; do plan="${plan:-} $1"; shift; done
    mkdir -p "$2"
    case $plan in *good*) ;; *bad*) exit 1 ;; *open*) exit 5 ;; *) echo "such a plan" >&2; exit 2 ;; esac ;;
esac
"""


@pytest.fixture
def folder(tmp_path):
    """An empty folder with something that passes for propsoff."""
    command = tmp_path / "propsoff"
    command.write_text(FAKE)
    command.chmod(command.stat().st_mode | stat.S_IXUSR)
    return tmp_path


def pipeline(folder, *words, **settings):
    given = {"PROPSOFF": str(folder / "propsoff"), "SEEDS": "1", "EMULATED": "no", "PLANS": "good.yaml"}
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **given, **settings}
    return subprocess.run(
        ["sh", str(SCRIPT), *words], cwd=folder, env=environment, capture_output=True, text=True, check=False
    )


@pytest.mark.slow
def test_leaves_every_result_where_its_page_says(folder):
    (folder / "propsoff").write_text(f'#!/bin/sh\nexec "{sys.executable}" -m harness "$@"\n')
    (folder / "good.yaml").write_text(PLAN)
    done = pipeline(folder, SEEDS="1 2")
    assert done.returncode == 0, done.stderr
    out = folder / "propsoff-ci"
    runs = sorted(str(path.relative_to(out)) for path in out.glob("runs/*/*/*"))
    assert runs == [f"runs/mock/good/seed-{seed}" for seed in (1, 2)]
    assert len(ET.parse(out / "junit.xml").getroot().findall("testsuite")) == 2
    assert (out / "summary.md").read_text().count("### PASS: good") == 2
    page = (ROOT / "shared/ci/README.md").read_text()
    named = set(re.findall(r"`([\w.]+\.(?:xml|md|txt))`", page)) - {"exit-codes.md", "compared.md"}
    assert {path.name for path in out.iterdir() if path.is_file()} - {".propsoff-ci"} == named


@pytest.mark.parametrize(
    ("plans", "settings", "code"),
    [
        ("good.yaml", {}, 0),
        ("bad.yaml good.yaml", {}, 1),
        ("open.yaml good.yaml", {}, 5),
        ("open.yaml", {"INCONCLUSIVE": "allow"}, 0),
        ("bad.yaml open.yaml", {"INCONCLUSIVE": "allow"}, 1),
        ("odd.yaml bad.yaml", {}, 2),
    ],
)
def test_ends_with_the_worst_exit_code(folder, plans, settings, code):
    done = pipeline(folder, PLANS=plans, **settings)
    assert done.returncode == code, done.stderr
    assert ("such a plan" in done.stderr) == ("odd" in plans)
    assert (folder / "propsoff-ci/junit.xml").read_text() == "judged\n"


@pytest.mark.parametrize(("compared", "code"), [(0, 0), (1, 1), (5, 5), (2, 2)])
def test_compares_with_a_kept_baseline(folder, compared, code):
    (folder / "propsoff-baselines/main-mock-good").mkdir(parents=True)
    done = pipeline(folder, COMPARED=str(compared))
    assert done.returncode == code, done.stderr
    told = (folder / "propsoff-ci/compared.md").read_text()
    assert told == "compare baseline:main-mock-good propsoff-ci/runs/mock/good --markdown\n"


def test_says_how_to_keep_a_baseline_where_there_is_none(folder):
    done = pipeline(folder, COMPARED="1")
    assert done.returncode == 0
    assert (
        "`propsoff baseline main-mock-good propsoff-ci/runs/mock/good` keeps these runs as one" in done.stderr
    )


def test_makes_its_own_results_anew_and_touches_no_other_folder(folder):
    (folder / "mine/runs").mkdir(parents=True)
    done = pipeline(folder, "mine")
    assert (done.returncode, "was not made by this script" in done.stderr) == (2, True)
    assert (folder / "mine/runs").is_dir()
    assert pipeline(folder).returncode == pipeline(folder).returncode == 0
    assert len(list(folder.glob("propsoff-ci/runs/*/*/*"))) == 1


@pytest.mark.parametrize("setting", [{"EMULATED": "maybe"}, {"INCONCLUSIVE": "ignore"}])
def test_refuses_a_setting_that_it_does_not_know(folder, setting):
    done = pipeline(folder, **setting)
    assert done.returncode == 2
    assert "write" in done.stderr
    assert not (folder / "propsoff-ci").exists()


def test_its_skeleton_is_yaml_and_calls_the_script():
    job = yaml.safe_load((SCRIPT.parent / "pipeline.yaml").read_text())
    assert job["steps"] == ["sh shared/ci/pipeline.sh propsoff-ci"]
    settings = set(re.findall(r"^([A-Z]+)=\$\{", SCRIPT.read_text(), re.MULTILINE))
    assert set(job["environment"]) <= settings


def test_its_page_names_every_setting_and_the_real_benchs_dangers():
    page = (SCRIPT.parent / "README.md").read_text()
    settings = re.findall(r"^([A-Z]+)=\$\{", SCRIPT.read_text(), re.MULTILINE)
    assert [name for name in settings if f"`{name}`" not in page] == []
    for caution in (
        "Propellers off",
        "model is tied down",
        "current limit",
        "lithium",
        "not permission to fly",
    ):
        assert caution in page
