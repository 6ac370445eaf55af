"""The harness's command line lists, exports and names runs, and keeps to its exit codes."""

import contextlib
import csv
import io
import json
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from history_samples import document, wings, write

from harness.cli import main
from harness.recording import read_recording

TINY = """\
propsoff: 1
title: Tiny
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
RIG = "propsoff_rig: 1\nbench: mock\nunit: 7\nmodule: bought in May\nmock: {loss: 2 %}\n"


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def run(*words):
    return main([str(word) for word in words])


def refused(capsys, *words):
    """What is said where the command line is refused."""
    code = None
    with contextlib.suppress(SystemExit):  # which argparse raises with its own exit code 2
        code = run(*words)
    assert code in (None, 2)
    return capsys.readouterr().err


@pytest.fixture
def tiny():
    Path("tiny.yaml").write_text(TINY)
    Path("rig.yaml").write_text(RIG)


def verdict(folder):
    return json.loads((Path("propsoff-runs") / folder / "verdict.json").read_text())


def test_a_rig_names_the_unit_and_the_module_and_the_command_line_goes_before_it(tiny, capsys):
    assert run("run", "tiny.yaml", "--rig", "rig.yaml", "--seed", 1) == 0
    assert run("run", "tiny.yaml", "--rig", "rig.yaml", "--seed", 2, "--unit", " left wing ") == 0
    shown = capsys.readouterr().out
    for folder, unit in (("tiny-1", "7"), ("tiny-2", "left wing")):
        facts = verdict(folder)["rig"]["facts"]
        assert (facts["unit"], facts["module"]) == (unit, "bought in May")
        report = (Path("propsoff-runs") / folder / "report.txt").read_text()
        assert f"\nunit: {unit}\nmodule: bought in May\n" in report
        assert f"\nunit: {unit}\n" in shown
        suite = ET.parse(Path("propsoff-runs") / folder / "junit.xml").getroot().find("testsuite")
        told = {one.get("name"): one.get("value") for one in suite.iter("property")}
        assert (told["unit"], told["module"]) == (unit, "bought in May")
    assert "--unit 'left wing'" in shown.splitlines()[-2]
    told = verdict("tiny-1")["units"]["receiver"]
    assert (told["firmware"], told["serial"], told["channels"]) == ("mock receiver", "mock-1", 2)
    assert told["packet_rate"] == 50.0


def test_a_recording_without_names_holds_none(tiny):
    assert run("run", "tiny.yaml", "--seed", 1) == 0
    assert {"unit", "module"}.isdisjoint(
        read_recording(Path("propsoff-runs/tiny-1/recording.pcapng")).header.facts
    )
    assert "unit" not in verdict("tiny-1")["rig"]["facts"]


@pytest.mark.parametrize("name", ["", "  ", "a\nb", "\x1b[2J", "x" * 81])
def test_a_unit_needs_a_name_of_one_line(tiny, capsys, name):
    assert "names no unit; write up to 80 printable characters" in refused(
        capsys, "run", "tiny.yaml", "--unit", name
    )


def test_a_rig_with_too_long_a_name_is_told_its_place(tiny, capsys):
    Path("rig.yaml").write_text(RIG.replace("unit: 7", f"unit: {'x' * 81}"))
    assert "rig.yaml:3:7: unit: text of 81 characters" in refused(
        capsys, "run", "tiny.yaml", "--rig", "rig.yaml"
    )


def test_lists_what_was_run_by_unit(tiny, capsys):
    for seed in (1, 2):
        run("run", "tiny.yaml", "--rig", "rig.yaml", "--seed", seed)
    capsys.readouterr()
    assert run("history") == 0
    shown = capsys.readouterr().out
    assert "2 runs in propsoff-runs: 1 unit, 1 firmware, 1 plan" in shown
    assert "unit 7 (module bought in May)\nfirmware transmitter mock transmitter" in shown
    assert "the same in every run: 0 for fidelity" in shown


def test_prints_json_and_writes_files_with_nothing_else_on_stdout(capsys):
    wings(Path("propsoff-runs"), 3)
    assert run("history", "--json", "--csv", "x.csv", "--parquet", "x.parquet") == 0
    said = capsys.readouterr()
    assert len(json.loads(said.out)["groups"][0]["runs"]) == 3
    assert "x.csv: written (3 rows, 3 runs)" in said.err
    assert len(list(csv.reader(io.StringIO(Path("x.csv").read_text())))) == 4


def test_exports_nothing_twice_unless_told(capsys):
    wings(Path("propsoff-runs"), 1)
    Path("x.csv").write_text("mine")
    assert "add --overwrite" in refused(capsys, "history", "--csv", "x.csv")
    assert Path("x.csv").read_text() == "mine"
    assert run("history", "--csv", "x.csv", "--overwrite") == 0
    assert Path("x.csv").read_text().startswith("folder,at,")


def test_does_without_blocks_where_stdout_has_no_such_letters(monkeypatch):
    wings(Path("propsoff-runs"), 3)
    out = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", out)
    assert run("history") == 0
    out.seek(0)
    assert "_-^" in out.read()


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ([], "propsoff-runs: is not there; name a folder of runs"),
        (["tiny.yaml"], "tiny.yaml: is no folder; name a folder of runs"),
        (["."], "no run in here (no verdict.json)"),
        (["--since", "yesterday"], "'yesterday' is no date; write 2026-11-25, or 2026-11-25T14:30"),
        (["--last", "0"], "0 leaves none; write 1 or more"),
        (["--last", "few"], "'few' is no count"),
        (["--csv", ""], "names nothing; write a name"),
        (["--figure"], "expected at least one argument"),
        ([""], "names nothing; write a name"),
    ],
)
def test_says_what_is_wrong_and_how_to_mend_it(tiny, capsys, words, told):
    assert told in refused(capsys, "history", *words)


def test_a_folder_of_unreadable_runs_is_no_history(capsys):
    write(Path("propsoff-runs/a"), "{")
    assert "none of 1 run can be read; a: cannot read: Expecting property name" in refused(capsys, "history")


def test_a_folder_of_broken_off_runs_names_one(capsys):
    Path("propsoff-runs/.a.partial-1").mkdir(parents=True)
    Path("propsoff-runs/.a.partial-1/recording.pcapng").write_bytes(b"x")
    assert "propsoff-runs/.a.partial-1 holds a recording: `propsoff judge`" in refused(capsys, "history")


def test_since_takes_a_date_in_utc(capsys):
    wings(Path("propsoff-runs"), 3)
    assert run("history", "--since", "2026-11-02T09:00:00+00:00", "--json") == 0
    assert len(json.loads(capsys.readouterr().out)["groups"][0]["runs"]) == 2
    assert run("history", "--since", "2026-11-03", "--json") == 0
    assert len(json.loads(capsys.readouterr().out)["groups"][0]["runs"]) == 1


def test_a_run_of_several_plans_leaves_one_summary_of_all(tiny, capsys):
    Path("other.yaml").write_text(TINY)
    assert run("run", "tiny.yaml", "other.yaml", "--seed", 1, "--junit", "j.xml", "--markdown", "s.md") == 0
    suites = ET.parse("j.xml").getroot().findall("testsuite")
    assert [suite.get("name") for suite in suites] == ["tiny", "other"]
    assert Path("s.md").read_text().count("### PASS: ") == 2


def test_a_summary_of_another_run_is_gone_when_a_run_breaks_off(tiny, capsys):
    run("run", "tiny.yaml", "--seed", 1, "--junit", "j.xml")
    serial = "propsoff_rig: 1\nbench: serial\ntransmitter: /dev/nowhere-1\nreceiver: /dev/nowhere-2\n"
    Path("nowhere.yaml").write_text(serial)
    assert run("run", "tiny.yaml", "--rig", "nowhere.yaml", "--props-off", "--junit", "j.xml") == 3
    assert not Path("j.xml").exists()


def test_a_file_that_is_no_summary_stays_and_nothing_runs(tiny, capsys):
    assert "stays as it is" in refused(capsys, "run", "tiny.yaml", "--markdown", "tiny.yaml")
    assert Path("tiny.yaml").read_text() == TINY
    assert not Path("propsoff-runs").exists()


def test_judges_recordings_again_into_one_summary(tiny, capsys):
    run("run", "tiny.yaml", "--seed", 1, "--markdown", "s.md", "--unit", "left")
    capsys.readouterr()
    assert run("judge", "propsoff-runs/tiny-1", "propsoff-runs/tiny-1", "--markdown") == 0
    assert capsys.readouterr().out.count("### PASS: tiny") == 2


def test_a_hostile_history_prints_nothing_raw(capsys):
    write(Path("propsoff-runs/\x1b[2Ja"), document(unit="\x1b]0;x\x07"))
    assert run("history") == 0
    assert all(line.isprintable() for line in capsys.readouterr().out.split("\n"))
