"""The harness's command line: exit codes, output, and one clear error for each mistake."""

import hashlib
import json
import os
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import pytest

import harness
from harness.cli import COMMANDS, main
from harness.plan.find import shipped_plans

TINY = """\
propsoff: 1
title: Tiny
link:
  packet_rate: 50 Hz
  channels:
    throttle: {role: throttle, failsafe: low}
    rudder: {failsafe: centre}
  failsafe: {within: 500 ms}
steps:
  - wait: {until: linked, deadline: 3 s}
  - wander: {for: 4 s}
checks:
  - delivery: {at_least: 80 %}
  - fidelity
"""

NOWHERE = "propsoff_rig: 1\nbench: serial\ntransmitter: /dev/nowhere-1\nreceiver: /dev/nowhere-2\n"


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def tiny(tmp_path):
    path = tmp_path / "tiny.yaml"
    path.write_text(TINY)
    return path


def run(*words):
    return main([str(word) for word in words])


def test_a_healthy_run_passes_with_exit_code_0_and_a_complete_folder(tiny, capsys):
    assert run("run", tiny, "--seed", 7) == 0
    folder = Path("propsoff-runs/tiny-7")
    assert {file.name for file in folder.iterdir()} == {
        "recording.pcapng",
        "verdict.json",
        "junit.xml",
        "report.txt",
        "report.html",
    }
    out = capsys.readouterr().out
    assert out.splitlines()[0].lower().startswith("pass")
    assert "propsoff run" in out.splitlines()[-2] + out.splitlines()[-1]
    assert "--seed 7" in out


def test_the_report_printed_in_full_is_the_one_in_the_folder(tiny, capsys):
    run("run", tiny, "--seed", 7, "--full")
    stored = Path("propsoff-runs/tiny-7/report.txt").read_text()
    look = "To look at it, in a browser:\n  propsoff-runs/tiny-7/report.html\n\n"
    printed = capsys.readouterr().out
    assert look in printed
    assert printed.replace(look, "") == stored
    run("judge", "propsoff-runs/tiny-7", "--full")
    assert capsys.readouterr().out.splitlines()[:-3] == stored.splitlines()[:-3]
    run("judge", "propsoff-runs/tiny-7")
    assert "Measured as well, in report.txt or with --full: Clocks" in capsys.readouterr().out


def test_the_same_seed_gives_the_same_bytes(tiny, capsys):
    for out in ("one", "two"):
        run("run", tiny, "--seed", 7, "--out", out)
    one, two = (
        hashlib.sha256(Path(out, "recording.pcapng").read_bytes()).hexdigest() for out in ("one", "two")
    )
    assert one == two


def test_judging_a_recording_gives_the_same_verdict_to_the_bit(tiny, capsys):
    run("run", tiny, "--seed", 7, "--out", "kept")
    capsys.readouterr()
    assert run("judge", "kept", "--json") == 0
    assert capsys.readouterr().out == Path("kept/verdict.json").read_text()
    assert run("judge", "kept/recording.pcapng", "--junit") == 0
    assert capsys.readouterr().out == Path("kept/junit.xml").read_text()


def test_a_taken_folder_is_left_alone(tiny, capsys):
    run("run", tiny, "--seed", 7, "--out", "kept")
    before = Path("kept/verdict.json").stat().st_mtime_ns
    assert run("run", tiny, "--out", "kept") == 2
    assert Path("kept/verdict.json").stat().st_mtime_ns == before
    assert "kept" in capsys.readouterr().err


def test_several_plans_get_a_folder_each(tiny, tmp_path, capsys):
    other = tmp_path / "other.yaml"
    other.write_text(TINY)
    assert run("run", tiny, other, "--out", "both") == 0
    assert {path.name for path in Path("both").iterdir()} == {"tiny", "other"}


def test_a_failing_check_gives_exit_code_1(tiny, capsys):
    assert run("run", tiny, "--defect", "low-bit-lost") == 1
    document = json.loads(next(Path("propsoff-runs").glob("*/verdict.json")).read_text())
    assert document["verdict"] == "fail"
    assert [check["name"] for check in document["checks"] if check["verdict"] == "fail"] == ["fidelity"]


def test_too_little_evidence_gives_exit_code_5(tiny, capsys):
    tiny.write_text(TINY.replace("80 %", "99.99 %"))
    assert run("run", tiny) == 5


def test_a_plan_with_errors_gives_all_of_them_and_exit_code_2(tiny, capsys):
    tiny.write_text(TINY.replace("50 Hz", "50").replace("wander", "wonder"))
    assert run("run", tiny) == 2
    err = capsys.readouterr().err
    assert "tiny.yaml:4:" in err
    assert "wander" in err
    assert not Path("propsoff-runs").exists()


def test_an_unknown_plan_names_the_nearest_shipped_one(capsys):
    assert run("run", "first-lok") == 2
    assert "first-look" in capsys.readouterr().err


@pytest.mark.parametrize(
    "words", [["--seed", "x"], ["--seed", "-1"], ["--seed", "99999999999"], ["--nonsense"]]
)
def test_a_wrong_option_gives_exit_code_2(tiny, words, capsys):
    with pytest.raises(SystemExit) as stopped:
        run("run", tiny, *words)
    assert stopped.value.code == 2


@pytest.mark.parametrize("words", [("run", "tiny.yaml"), ("explore",), ("mock",)])
def test_a_near_miss_needs_a_defect(tiny, words, capsys):
    assert run(*words, "--near-miss") == 2
    assert "--near-miss goes with --defect NAME" in capsys.readouterr().err


def test_an_unknown_defect_names_the_nearest(tiny, capsys):
    assert run("run", tiny, "--defect", "failsafe-nevr") == 2
    assert "failsafe-never" in capsys.readouterr().err
    assert not list(Path().glob("propsoff-runs/*"))


def test_real_ports_need_the_word_that_the_propellers_are_off(tiny, tmp_path, capsys):
    rig = tmp_path / "rig.yaml"
    rig.write_text(NOWHERE)
    assert run("run", tiny, "--rig", rig) == 2
    err = capsys.readouterr().err
    assert "--props-off" in err
    assert "propellers off" in err


def test_a_port_that_does_not_exist_is_bench_trouble(tiny, tmp_path, capsys):
    rig = tmp_path / "rig.yaml"
    rig.write_text(NOWHERE)
    assert run("run", tiny, "--rig", rig, "--props-off") == 3
    assert "/dev/nowhere-1" in capsys.readouterr().err
    assert not list(Path().glob("propsoff-runs/*"))


def test_a_bench_that_is_refused_leaves_nothing_behind(tiny, tmp_path, capsys):
    rig = tmp_path / "swapped.yaml"
    rig.write_text("propsoff_rig: 1\nbench: mock\nmock: {swapped_ports: true}\n")
    assert run("run", tiny, "--rig", rig, "--out", "out/x") == 3
    assert "swap the two ports" in capsys.readouterr().err
    assert list(Path("out").iterdir()) == []


def test_a_pipe_is_not_read_as_a_plan(tmp_path, capsys):
    os.mkfifo(tmp_path / "pipe.yaml")
    assert run("check", tmp_path / "pipe.yaml") == 2
    assert "no ordinary file" in capsys.readouterr().err


def test_a_stop_in_one_plan_starts_no_other(tiny, tmp_path, monkeypatch, capsys):
    other = tmp_path / "other.yaml"
    other.write_text(TINY)
    asked = []

    @contextmanager
    def stopped():
        yield lambda: asked.append(1) or len(asked) > 200  # a while after the run began

    monkeypatch.setattr("harness.running.stop_on_signals", stopped)
    assert run("run", tiny, other, "--out", "both") == 5
    assert {path.name for path in Path("both").iterdir()} == {"tiny"}


def test_plans_of_one_name_are_refused_before_anything_runs(tiny, tmp_path, capsys):
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "tiny.yaml").write_text(TINY)
    assert run("run", tiny, tmp_path / "sub" / "tiny.yaml", "--out", "both") == 2
    assert not Path("both").exists()


def test_an_overloaded_line_is_a_plan_error_with_its_place(tiny, tmp_path, capsys):
    rig = tmp_path / "slow.yaml"
    rig.write_text("propsoff_rig: 1\nbench: mock\nmock: {baud: 9600}\n")
    assert run("check", tiny, "--rig", rig) == 2
    err = capsys.readouterr().err
    assert "tiny.yaml:4:16: link.packet_rate" in err
    assert "9600 baud, 10 bits a byte" in err


def test_check_tells_what_a_plan_will_do_without_any_bench(tiny, capsys):
    assert run("check", tiny) == 0
    out = capsys.readouterr().out
    assert "every stick wanders" in out
    assert not Path("propsoff-runs").exists()


@pytest.mark.parametrize("name", shipped_plans())
def test_shipped_plans_are_found_by_name(name, capsys):
    assert run("check", name) == 0


def test_defects_are_listed_by_what_the_pilot_would_feel_and_told_in_full(capsys):
    assert run("defects") == 0
    shown = capsys.readouterr().out
    assert "\nCommands go missing\n" in shown
    assert "`propsoff defects NAME` tells one in full, `propsoff run PLAN --defect NAME` plays it." in shown
    assert sum(line.startswith("  ") for line in shown.splitlines()) >= 60
    assert run("defects", "failsafe-late") == 0
    assert "caught by        the check failsafe_entry in the plan failsafe" in capsys.readouterr().out
    assert run("defects", "failsafe-lat") == 2
    assert "did you mean failsafe-late" in capsys.readouterr().err


def test_defects_of_another_rig_are_told_with_that_rig(tmp_path, capsys):
    rig = tmp_path / "my bench.yaml"
    rig.write_text("propsoff_rig: 1\nbench: avr\n")
    assert run("defects", "--rig", "my bench.yaml") == 0
    shown = capsys.readouterr().out
    assert "`propsoff defects NAME --rig 'my bench.yaml'` tells one in full" in shown
    assert "`propsoff run PLAN --rig 'my bench.yaml' --defect NAME` plays it" in shown
    assert run("defects", "float-swapped", "--rig", "my bench.yaml") == 0
    assert "--rig 'my bench.yaml' --defect float-swapped --near-miss" in capsys.readouterr().out


@pytest.mark.parametrize(
    "content", [b"", b"not a recording", bytes(range(256)) * 40], ids=["empty", "text", "binary"]
)
def test_judging_something_else_says_that_it_is_not_ours(tmp_path, content, capsys):
    path = tmp_path / "odd.pcapng"
    path.write_bytes(content)
    assert run("judge", path) == 2
    assert "odd.pcapng" in capsys.readouterr().err


def test_judging_nothing_says_so(capsys):
    assert run("judge", "nowhere") == 2
    assert "nowhere" in capsys.readouterr().err


def test_a_recording_cut_short_is_judged_as_far_as_it_goes_and_never_passes(tiny, tmp_path, capsys):
    run("run", tiny, "--seed", 7, "--out", "kept")
    whole = Path("kept/recording.pcapng").read_bytes()
    part = tmp_path / "part.pcapng"
    part.write_bytes(whole[: len(whole) * 2 // 3])
    capsys.readouterr()
    assert run("judge", part) in (3, 5)
    assert "cut short" in capsys.readouterr().out


def test_an_out_folder_that_cannot_be_written_is_told_before_the_run(tiny, tmp_path, capsys):
    (tmp_path / "file").write_text("")
    assert run("run", tiny, "--out", tmp_path / "file" / "x") == 2
    assert "file" in capsys.readouterr().err


def test_version_and_module_form_agree():
    words = [sys.executable, "-m", "harness", "--version"]
    told = subprocess.run(
        words, capture_output=True, text=True, check=True, cwd=Path(harness.__file__).parents[1]
    )
    assert told.stdout == f"propsoff {harness.__version__}\n"


def loaded_by(cwd, *calls):
    """The dear modules that calls of the command line load, one after the other in one new process."""
    code = (
        "import sys; from harness.cli import main\n"
        f"for words in {calls!r}:\n"
        "    try: main(list(words))\n"
        "    except SystemExit: pass\n"
        "dear = {'numpy', 'scipy', 'rich', 'yaml', 'serial', 'mocks', 'pytest', 'matplotlib', 'pyarrow'}\n"
        "print('loaded:', *sorted(dear & set(sys.modules)))\n"
    )
    env = {**os.environ, "PYTHONPATH": str(Path(harness.__file__).parents[1])}
    words = [sys.executable, "-c", code]
    told = subprocess.run(words, capture_output=True, text=True, check=True, cwd=cwd, env=env)
    return told.stdout.splitlines()[-1].split()[1:]


def test_help_imports_nothing_dear(tmp_path):
    assert loaded_by(tmp_path, ("--help",), *((command, "--help") for command in COMMANDS)) == []


def test_a_list_of_baselines_imports_nothing_dear(tmp_path):
    assert loaded_by(tmp_path, ("baseline",)) == []


def test_a_history_is_listed_without_what_draws_pages(tiny):
    run("run", tiny, "--seed", 7)
    assert not {"scipy", "matplotlib", "pyarrow"} & set(loaded_by(Path.cwd(), ("history",)))


def test_a_fault_of_our_own_is_called_so_and_gives_exit_code_4(tiny, monkeypatch, capsys):
    def broken(*_words):
        raise ZeroDivisionError("our bug")

    monkeypatch.setattr("harness.plan.reader.load_plan", broken)
    assert run("check", tiny) == 4
    assert "our fault" in capsys.readouterr().err
