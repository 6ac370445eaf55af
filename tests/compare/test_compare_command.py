"""`propsoff compare` and `propsoff baseline`: exit codes, output, and one clear error for each mistake."""

import json
import shutil
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from compare_runs import SHORT, play_into
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.cli import main
from harness.report.folder import RECORDING


@pytest.fixture(scope="module")
def played_folders(tmp_path_factory):
    top = tmp_path_factory.mktemp("runs")
    play_into(top / "good" / "one", 1)
    play_into(top / "good" / "two", 2)
    play_into(top / "same", 3)
    play_into(top / "late", 4, defect="failsafe-late")
    play_into(top / "other", 5, "baud: 57600")
    return top


@pytest.fixture
def runs(played_folders, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    shutil.copytree(played_folders, tmp_path / "runs")
    return Path("runs")


def call(*words):
    return main([str(word) for word in words])


def refused(capsys, *words):
    """The message of a call that ends with exit code 2."""
    assert call(*words) == 2
    return capsys.readouterr().err


def test_exit_codes_tell_the_answer(runs, capsys):
    assert call("compare", runs / "good", runs / "same") == 0
    assert capsys.readouterr().out.startswith("NO WORSE: ")
    assert call("compare", runs / "good" / "one", runs / "late") == 1
    assert capsys.readouterr().out.startswith("WORSE: failsafe entry")
    assert call("compare", runs / "same", runs / "good" / "one", "--margin", "latency=0.01 ms") == 5
    assert "no number of runs will tell" in " ".join(capsys.readouterr().out.split())
    assert call("compare", runs / "same", runs / "other") == 2
    assert "other baud rate" in capsys.readouterr().out


def test_bisect_codes_are_those_that_git_wants(runs, capsys):
    assert call("compare", runs / "good", runs / "same", "--bisect") == 0
    assert call("compare", runs / "good", runs / "late", "--bisect") == 1
    assert call("compare", runs / "good", runs / "other", "--bisect") == 125
    assert call("compare", runs / "same", runs / "good", "--margin", "latency=0.01 ms", "--bisect") == 125
    assert call("compare", runs / "good", runs / "nowhere", "--bisect") == 130
    assert call("compare", "--bisect", "--no-such-option") == 130


def test_a_fault_of_ours_stops_a_bisection(runs, monkeypatch, capsys):
    def broken(*_all):
        raise ZeroDivisionError

    monkeypatch.setattr("harness.compare.comparison.compare", broken)
    assert call("compare", runs / "good", runs / "same", "--bisect") == 132
    assert "our fault" in capsys.readouterr().err


def test_json_tells_the_same_as_the_exit_code(runs, capsys):
    assert call("compare", runs / "good", runs / "late", "--json") == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["answer"], told["exit_code"], told["comparable"]) == ("worse", 1, True)
    assert [len(told[side]) for side in ("base", "candidate")] == [2, 1]


def test_markdown_is_a_short_table(runs, capsys):
    assert call("compare", runs / "good", runs / "late", "--markdown") == 1
    told = capsys.readouterr().out
    assert told.startswith("### WORSE: failsafe entry")
    assert "| failsafe entry (worst case) | worse (beyond margin) |" in told


def test_a_missing_side_says_what_to_name(runs, capsys):
    assert "CANDIDATE: nowhere: is not there; name a run folder" in refused(
        capsys, "compare", runs, "nowhere"
    )
    Path("empty").mkdir()
    assert "BASE: empty: no run in here" in refused(capsys, "compare", "empty", runs / "same")
    assert "no baseline 'good' in propsoff-baselines; none is kept" in refused(
        capsys, "compare", "baseline:good", runs / "same"
    )


def test_a_run_on_both_sides_is_refused(runs, capsys):
    told = refused(capsys, "compare", runs, runs / "good" / "one")
    assert "stands on both sides" in told


def test_a_missing_recording_is_told_with_its_file(runs, capsys):
    (runs / "same" / RECORDING).unlink()
    told = refused(capsys, "compare", runs / "good", runs / "same")
    assert "runs/same/recording.pcapng: is not there; comparing needs single packets" in told


def test_a_recording_that_is_none_is_told_with_its_file(runs, capsys):
    (runs / "same" / RECORDING).write_bytes(b"not a recording")
    assert "runs/same/recording.pcapng: " in refused(capsys, "compare", runs / "good", runs / "same")


def test_a_recording_that_was_cut_short_is_not_compared(runs, capsys):
    path = runs / "same" / RECORDING
    path.write_bytes(path.read_bytes()[:-3000])
    assert call("compare", runs / "good", runs / "same") == 2
    assert "not played to its end" in capsys.readouterr().out


def test_a_soak_is_refused_with_its_reason(runs, tmp_path, capsys):
    plan = SHORT.replace("steps:", "soak: {for: 60 s}\nsteps:")
    play_into(tmp_path / "soak", 1, plan=plan)
    told = refused(capsys, "compare", runs / "good", "soak")
    assert "soak" in told
    assert "compare runs of the same steps without `soak`" in told


def test_wrong_margins_and_confidences_are_told_before_anything_is_read(runs, capsys):
    told = refused(capsys, "compare", runs / "good", "nowhere", "--margin", "latncy_p50=1 ms")
    assert "did you mean latency_p50?" in told
    assert "write 50 % to 99.9 %" in refused(capsys, "compare", runs, "nowhere", "--confidence", "20 %")


def test_a_baseline_is_kept_listed_and_compared_with(runs, capsys):
    assert call("baseline") == 0
    assert "no baseline is kept" in capsys.readouterr().out
    assert call("baseline", "good", runs / "good", runs / "same") == 0
    assert "3 runs kept; compare with baseline:good" in capsys.readouterr().out
    assert call("baseline") == 0
    assert "baseline:good  3 runs of short: 3 pass; " in capsys.readouterr().out
    assert call("compare", "baseline:good", runs / "late") == 1
    assert "did you mean baseline:good?" in refused(capsys, "compare", "baseline:goood", runs / "late")


def test_a_kept_baseline_is_never_written_over(runs, capsys):
    assert call("baseline", "good", runs / "good") == 0
    before = sorted(Path("propsoff-baselines").rglob("*"))
    assert "is kept already and stays as it is" in refused(capsys, "baseline", "good", runs / "late")
    assert sorted(Path("propsoff-baselines").rglob("*")) == before


@pytest.mark.parametrize("name", ["../good", "a/b", ".hidden", "con", ""])
def test_a_name_that_is_none_is_refused(runs, capsys, name):
    assert "is no name for a baseline" in refused(capsys, "baseline", name, runs / "good")
    assert not Path("propsoff-baselines").exists()


def test_a_baseline_that_cannot_be_copied_leaves_nothing(runs, capsys, monkeypatch):
    def full(*_all):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("harness.compare.baselines.shutil.copytree", full)
    assert "cannot keep the baseline: No space left" in refused(capsys, "baseline", "good", runs / "good")
    assert not list(Path("propsoff-baselines").iterdir())
    assert "name the run folders" in refused(capsys, "baseline", "good")


def test_a_page_is_written_and_one_that_cannot_be_is_told(runs, capsys):
    pytest.importorskip("harness.page.writing")
    assert call("compare", runs / "good", runs / "late", "--page", "comparison.html") == 1
    page = Path("comparison.html").read_text()
    assert "failsafe entry (worst case)" in page
    assert "comparison.html: written" in capsys.readouterr().err
    told = refused(capsys, "compare", runs / "good", runs / "late", "--page", "nowhere/comparison.html")
    assert "--page nowhere/comparison.html: there is no folder nowhere" in told


def test_a_page_is_never_written_over_anything_else(runs, capsys):
    notes = Path("notes.txt")
    notes.write_text("the only copy")
    told = refused(capsys, "compare", runs / "good", runs / "late", "--page", notes)
    assert "notes.txt: is there already, is no page" in told
    assert notes.read_text() == "the only copy"
    assert "is a folder" in refused(capsys, "compare", runs / "good", runs / "late", "--page", runs)


@pytest.mark.parametrize(
    "odd", ["{}", '{"plan": 3}', '{"plan": {"name": [1]}, "verdict": {}}', '{"rig": []}']
)
def test_a_kept_baseline_with_an_odd_verdict_json_is_listed_all_the_same(odd, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    run = tmp_path / "propsoff-baselines" / "good" / "run"
    run.mkdir(parents=True)
    (run / "verdict.json").write_text(odd)
    assert call("baseline") == 0
    assert "baseline:good  1 run of " in capsys.readouterr().out


@settings(max_examples=25)
@given(st.lists(st.tuples(st.floats(0, 1), st.integers(0, 255)), min_size=1, max_size=30), st.floats(0, 1))
def test_no_recording_gets_past_an_answer_or_one_clear_error(played_folders, changes, kept):
    with TemporaryDirectory() as made:
        odd = Path(made) / "odd"
        shutil.copytree(played_folders / "same", odd)
        data = bytearray((odd / RECORDING).read_bytes())
        for place, value in changes:
            data[int(place * (len(data) - 1))] = value
        (odd / RECORDING).write_bytes(data[: max(1, int(len(data) * max(kept, 0.2)))])
        assert call("compare", played_folders / "good" / "one", odd) in (0, 1, 2, 5)
