"""The harness under pytest: a test of every check, and a bench for tests in Python."""

import json

import pytest
from test_cli import NOWHERE, TINY

pytest_plugins = ["pytester"]
pytestmark = pytest.mark.slow  # each test is a process of its own: NumPy loads only once in one


@pytest.fixture
def project(pytester):
    (pytester.path / "tiny.yaml").write_text(TINY)
    return pytester


def test_every_check_of_a_plan_is_a_test(project):
    result = project.runpytest_subprocess("--rig", "mock", "-v")
    result.assert_outcomes(passed=3)
    result.stdout.fnmatch_lines(
        ["*tiny.yaml::delivery PASSED*", "*tiny.yaml::fidelity PASSED*", "*tiny.yaml::bench PASSED*"]
    )


def test_a_failed_check_tells_the_figure_and_the_limit_not_a_traceback(project):
    bad = TINY.replace("- fidelity", "- latency: {percentile: 50 %, at_most: 10 us}")
    (project.path / "tiny.yaml").write_text(bad)
    result = project.runpytest_subprocess()
    result.assert_outcomes(passed=2, failed=1)
    text = result.stdout.str()
    assert "latency" in text
    assert "seed" in text
    assert "Traceback" not in text
    assert "runtest" not in text


def test_inconclusive_is_a_failure_in_its_own_words(project):
    (project.path / "tiny.yaml").write_text(TINY.replace("80 %", "99.99 %"))
    result = project.runpytest_subprocess()
    result.assert_outcomes(passed=2, failed=1)
    assert "inconclusive" in result.stdout.str().lower()


def test_only_what_the_plan_lets_go_unjudged_is_skipped(project):
    (project.path / "tiny.yaml").write_text(TINY.replace("- fidelity", "- pins: {witness: if present}"))
    (project.path / "rig.yaml").write_text("propsoff_rig: 1\nbench: mock\nmock: {witness: true}\n")
    result = project.runpytest_subprocess("-rs")
    result.assert_outcomes(passed=2, skipped=1)
    assert "not judged: no witness on this bench" in result.stdout.str()
    project.runpytest_subprocess("--rig", "rig.yaml").assert_outcomes(passed=3)


def test_a_plan_with_errors_is_a_collection_error_with_all_of_them(project):
    (project.path / "tiny.yaml").write_text(TINY.replace("50 Hz", "50").replace("wander", "wonder"))
    result = project.runpytest_subprocess()
    result.assert_outcomes(errors=1)
    text = result.stdout.str()
    assert "tiny.yaml:4:" in text
    assert "wonder" in text


def test_bench_trouble_fails_every_check_with_the_reason(project):
    (project.path / "rig.yaml").write_text(NOWHERE)
    result = project.runpytest_subprocess("--rig", "rig.yaml", "--props-off")
    result.assert_outcomes(failed=3)
    assert "/dev/nowhere-1" in result.stdout.str()
    assert "take the propellers off" in result.stdout.str()


def test_real_ports_need_the_propellers_off(project):
    (project.path / "rig.yaml").write_text(NOWHERE)
    result = project.runpytest_subprocess("--rig", "rig.yaml")
    result.assert_outcomes(failed=3)
    assert "--props-off" in result.stdout.str()


def test_other_yaml_files_are_left_alone(pytester):
    (pytester.path / "compose.yaml").write_text("services: {}\n")
    (pytester.path / "rig.yaml").write_text("propsoff_rig: 1\nbench: mock\n")
    (pytester.path / "binary.yml").write_bytes(bytes(range(256)))
    result = pytester.runpytest_subprocess()
    assert "no tests ran" in result.stdout.str()


def test_one_run_serves_all_checks_of_a_plan(project):
    project.runpytest_subprocess("--propsoff-seed", "7")
    assert [path.name for path in (project.path / "propsoff-runs").iterdir()] == ["tiny-7"]


def test_a_defect_is_caught_and_its_near_miss_passes(project):
    project.runpytest_subprocess("--propsoff-defect", "low-bit-lost").assert_outcomes(passed=2, failed=1)
    project.runpytest_subprocess("--propsoff-defect", "low-bit-lost", "--propsoff-near-miss").assert_outcomes(
        passed=3
    )


SCRIPT = """
import json

import pytest
from harness import PlanError

@pytest.mark.propsoff(plan="tiny.yaml")
def test_cuts(bench):
    bench.do("cut", duration="700 ms", times=3)
    entry = bench.require("failsafe_entry", share="10 %")
    assert entry.samples == 3
    bench.require("failsafe_outputs")
    bench.require("bench")
    bench.do("hold", sticks={"rudder": "1700 us"}, **{"for": "1 s"})
    bench.require("fidelity")

@pytest.mark.propsoff(plan="tiny.yaml")
def test_fails(bench):
    bench.do("wander", **{"for": "1 s"})
    bench.require("latency", percentile="50 %", at_most="10 us")

@pytest.mark.propsoff(plan="tiny.yaml")
def test_mistake(bench):
    with pytest.raises(PlanError, match="wander"):
        bench.do("wonder", **{"for": "1 s"})
"""


def test_a_python_test_uses_the_same_steps_and_checks(pytester):
    (pytester.path / "tiny.yaml").write_text(TINY)
    pytester.makepyfile(SCRIPT)
    result = pytester.runpytest_subprocess("-k", "test_cuts or test_fails or test_mistake")
    result.assert_outcomes(passed=2, failed=1)
    assert "latency" in result.stdout.str()


def test_the_throttles_cap_can_be_lowered_and_not_raised(project):
    result = project.runpytest_subprocess("--throttle-up-to", "10 %")
    result.assert_outcomes(passed=3)
    result = project.runpytest_subprocess("--throttle-up-to", "60 %")
    assert "give at most 25 %" in result.stdout.str()
    result = project.runpytest_subprocess("--throttle-up-to", "much")
    assert "--throttle-up-to: " in result.stdout.str() + result.stderr.str()


def test_the_unit_under_test_can_be_named(project):
    result = project.runpytest_subprocess("--unit", "left wing", "--propsoff-seed", "7")
    result.assert_outcomes(passed=3)
    verdict = json.loads((project.path / "propsoff-runs/tiny-7/verdict.json").read_text())
    assert verdict["rig"]["facts"]["unit"] == "left wing"
    result = project.runpytest_subprocess("--unit", "x" * 81)
    assert "names no unit; write up to 80 printable characters" in result.stdout.str() + result.stderr.str()
