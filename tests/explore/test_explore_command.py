"""The harness's `explore` command: exit codes, calm lines, one clear error for each mistake."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from explore_samples import SHIPPED

from harness.bench.rig import find_rig, parse_rig
from harness.cli import main
from harness.clock import S
from harness.explore.command import HARDWARE_NS, SIMULATED_NS, limits_for, scene_for
from harness.explore.finding import Finding, Scene
from harness.explore.hunt import Tally
from harness.explore.state import State
from harness.explore.telling import exit_code, report
from harness.running import Request
from harness.strategies import SIMULATED

PORTS = "propsoff_rig: 1\nbench: serial\ntransmitter: /dev/nowhere-1\nreceiver: /dev/nowhere-2\n"
OTHER = "propsoff_rig: 1\nbench: mock\nmock: {channels: 3}\n"
OUT = Path("propsoff-explored")


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def run(*words):
    return main([str(word) for word in words])


@pytest.mark.slow
def test_a_healthy_mock_gives_0_and_says_how_much_was_tried(capsys):
    assert run("explore", "--seed", 7, "--for", "40s") == 0
    out = capsys.readouterr().out
    assert out.startswith("explored mock with seed 7: ")
    assert "not looked at: latency" in out
    assert out.endswith("That is not a proof, and no permission to fly.\n")
    assert [path.name for path in OUT.iterdir()] == ["explore.json"]


@pytest.mark.slow
def test_a_violation_gives_1_and_a_plan_that_fails_again_and_passes_on_a_healthy_mock(capsys):
    assert run("explore", "--seed", 7, "--for", "60s", "--defect", "duplicates-applied") == 1
    out = capsys.readouterr().out
    (replay,) = [line.strip() for line in out.splitlines() if "duplicates-1.yaml" in line]
    plan = OUT / "duplicates-1.yaml"
    assert f"# Replay: {replay}" in plan.read_text()
    words = replay.split()[1:]
    assert run(*words) == 1
    assert capsys.readouterr().out.startswith("FAIL: duplicates-1: ")
    defect = words.index("--defect")
    assert run(*words[:defect], *words[defect + 2 :]) == 0
    assert run("judge", plan.with_suffix(".pcapng")) == 1


@pytest.mark.slow
def test_a_second_call_goes_on(capsys):
    for total in (20, 40):
        assert run("explore", "--seed", 7, "--for", "20s") == 0
        state = json.loads((OUT / "explore.json").read_text())
        assert total * S <= state["link_ns"] < (total + 20) * S
    assert run("explore", "--seed", 8) == 2
    assert "begun with seed 7" in capsys.readouterr().err


def test_devices_that_do_not_fit_give_3_and_leave_no_folder(tmp_path, capsys):
    (tmp_path / "rig.yaml").write_text(OTHER)
    assert run("explore", "--rig", "rig.yaml") == 3
    assert "3 channels" in capsys.readouterr().err
    assert not OUT.exists()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--near-miss",), "--near-miss goes with --defect"),
        (("--defect", "duplicates-aplied"), "did you mean duplicates-applied?"),
        (("--link", "failsave"), "failsave"),
        (("--rig", "ports.yaml"), "add --props-off once the propellers are off"),
        (("--out", "ports.yaml/x"), "choose another with --out"),
    ],
)
def test_a_mistake_gives_2_and_one_clear_error(tmp_path, capsys, words, told):
    (tmp_path / "ports.yaml").write_text(PORTS)
    assert run("explore", "--for", "5s", *words) == 2
    assert told in capsys.readouterr().err


def test_ports_that_are_not_there_give_3(tmp_path, capsys):
    (tmp_path / "ports.yaml").write_text(PORTS)
    assert run("explore", "--rig", "ports.yaml", "--props-off") == 3
    err = capsys.readouterr().err
    assert "take the propellers off" in err
    assert "nowhere" in err


@pytest.mark.parametrize("words", [("--for", "-1m"), ("--for=-1m",), ("--for", "0"), ("--for", "five")])
def test_a_time_that_is_none_is_refused_before_anything_starts(words, capsys):
    with pytest.raises(SystemExit) as caught:
        run("explore", *words)
    assert caught.value.code == 2
    err = capsys.readouterr().err
    assert f"argument --for: {words[-1].removeprefix('--for=')!r} is " in err
    assert "such as 5m" in err
    assert not OUT.exists()


def test_hardware_is_explored_for_less_than_what_is_simulated():
    assert limits_for(parse_rig(PORTS, "x"), None).link_ns == HARDWARE_NS
    assert limits_for(find_rig("mock"), None).link_ns == SIMULATED_NS
    assert limits_for(find_rig("mock"), S).link_ns == S


def test_a_replay_on_real_ports_says_that_the_propellers_are_off():
    request = Request(
        SHIPPED, "failsafe", parse_rig(PORTS, "ports.yaml"), 0, words=("failsafe", "ports.yaml")
    )
    assert scene_for(request).words() == "--rig ports.yaml --props-off"
    mock = Request(SHIPPED, "failsafe", find_rig("mock"), 0, defect="failsafe-late", near_miss=True)
    assert scene_for(mock).words() == "--rig mock --defect failsafe-late --near-miss"


FLAKY = Finding(
    "order", ("order", "no_glitch"), "3 of 90", frozenset({"burst"}), 5, 1, 4, 9, 0, 5, "order-1.yaml"
)


def told(*findings, troubles=(), ended="", bounds=SIMULATED):
    state = State(7, {}, tally=Tally(50, 200 * S, 31, 1), findings=list(findings), troubles=list(troubles))
    state.ended = ended
    return report(state, Scene("mock"), Path("out"), SHIPPED.link, bounds), exit_code(state)


def test_a_violation_is_told_with_what_it_takes_and_how_often_it_came():
    text, code = told(FLAKY)
    assert code == 1
    assert text.splitlines()[:5] == [
        "explored mock with seed 7: 50 scenarios, 3.33 min of link time, 31 link cuts, 1 violation found; "
        "1 scenario too much for the serial lines",
        "violated: order (and no_glitch), with a burst of packets",
        "  3 of 90",
        "  seen once, in 0 of 5 further runs; shrunk from 4 steps to 1 step between two rests",
        "  propsoff run out/order-1.yaml --rig mock --seed 5",
    ]


def test_nothing_tried_is_told_as_nothing():
    text = report(State(7, {}), Scene("mock"), Path("out"), SHIPPED.link, SIMULATED)
    assert text.startswith(
        "explored mock with seed 7: 0 scenarios, 0 s of link time, 0 link cuts, 0 violations"
    )
    assert text.endswith("Nothing was tried. That is not a proof, and no permission to fly.\n")


def test_bench_trouble_is_told_apart_and_rules_the_exit_code():
    text, code = told(FLAKY, troubles=["port gone (bench-trouble-1.yaml)"])
    assert code == 3
    assert "bench trouble, apart from the link: port gone (bench-trouble-1.yaml)" in text
    assert "violated: order" in text


def test_what_the_firmware_cannot_do_is_named_as_not_looked_at():
    text, code = told(bounds=replace(SIMULATED, transmitter=7, receiver=0))
    assert code == 0
    assert (
        "cuts by corrupted packets, by another transmitter's packets, by repeats of the last packet, with "
        "acknowledgements alive, which the firmware cannot do" in text
    )
    assert "lost acknowledgements" in text
    assert "telemetry, of which the link declares none" in text
