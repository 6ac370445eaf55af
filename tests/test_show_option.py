"""The harness shows a run as it was asked to: a view, lines, or nothing but what somebody must know."""

import pytest
from test_cli import TINY

from harness.cli import main


@pytest.fixture(autouse=True)
def plan(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tiny.yaml").write_text(TINY)


def run(*words):
    return main(["run", "tiny.yaml", "--seed", "1", "--out", "out", *words])


def test_lines_can_be_asked_for(capfd):
    assert run("--show", "lines") == 0
    assert "tiny: step 1 of " in capfd.readouterr().err


def test_nothing_can_be_asked_for(capfd):
    assert run("--show", "nothing") == 0
    out, err = capfd.readouterr()
    assert err == ""
    assert out.startswith("PASS")


def test_a_view_needs_a_terminal_and_says_so_before_anything_else(capfd, tmp_path):
    assert run("--show", "view") == 2
    assert capfd.readouterr().err == (
        "propsoff: --show view draws on a terminal that can place text, and stderr is none; "
        "use --show lines, or leave --show out\n"
    )
    assert not (tmp_path / "out").exists()


def test_another_word_is_refused_with_those_there_are(capfd):
    with pytest.raises(SystemExit):
        run("--show", "everything")
    assert "view" in (told := capfd.readouterr().err)
    assert "lines" in told
    assert "nothing" in told


def test_what_is_shown_changes_no_byte_of_what_is_recorded(tmp_path):
    for show in ("lines", "nothing"):
        main(["run", "tiny.yaml", "--seed", "1", "--out", show, "--show", show])
    assert (tmp_path / "lines/recording.pcapng").read_bytes() == (
        tmp_path / "nothing/recording.pcapng"
    ).read_bytes()
