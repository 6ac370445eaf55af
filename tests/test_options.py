"""The harness's command line reads values, and says of wrong ones how to mend them."""

import argparse
from pathlib import Path

import pytest

from harness import options
from harness.cli import main


def refused(capsys, *words):
    """What is written to stderr when the command line itself is wrong."""
    with pytest.raises(SystemExit) as stopped:
        main(list(words))
    assert stopped.value.code == 2
    return capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "read"),
    [
        (["--for", "-1m"], ["--for=-1m"]),
        (["--seeds", "-1", "--for", "-.5h"], ["--seeds=-1", "--for=-.5h"]),
        (["--for=2m", "-1"], ["--for=2m", "-1"]),
        (["--out", "-x"], ["--out", "-x"]),
        (["plan", "-1"], ["plan", "-1"]),
        (["--", "--for", "-1m"], ["--", "--for", "-1m"]),
        ([], []),
    ],
)
def test_a_value_that_begins_with_a_minus_stays_with_its_option(words, read):
    assert options.with_values(words) == read


def test_a_value_that_is_missing_is_told_with_its_option(capsys):
    err = refused(capsys, "explore", "--for")
    assert "argument --for: no value stands behind it; write one there" in err
    assert "`propsoff explore --help` tells what is allowed" in err


def test_a_word_too_many_is_told_by_the_command_that_it_was_meant_for(capsys):
    err = refused(capsys, "explore", "first-look")
    assert err.startswith("usage: propsoff explore ")
    assert "propsoff explore: error: not understood: first-look" in err


@pytest.mark.parametrize("word", ["", " "])
def test_an_empty_name_is_not_the_current_folder(capsys, word):
    assert "names nothing" in refused(capsys, "explore", "--out", word)


@pytest.mark.parametrize(
    ("text", "names"),
    [("a", ("a",)), ("a,b", ("a", "b")), ("a, b ,a", ("a", "b"))],
)
def test_names_stand_between_commas_and_count_once(text, names):
    assert options.names(text) == names


@pytest.mark.parametrize("text", ["", ",", "a,", "a,,b", " "])
def test_a_name_that_is_missing_is_refused(text):
    with pytest.raises(argparse.ArgumentTypeError, match="a name is missing"):
        options.names(text)


def test_a_path_and_a_count_are_read():
    assert options.path("out/x") == Path("out/x")
    assert options.count("20") == 20
    with pytest.raises(argparse.ArgumentTypeError, match="give a whole number"):
        options.count("-1")


def test_ctrl_c_while_the_command_line_is_read_is_no_traceback(monkeypatch, capsys):
    def interrupted(words):
        raise KeyboardInterrupt

    monkeypatch.setattr(options, "with_values", interrupted)
    assert main(["explore"]) == 130
    assert capsys.readouterr().err == "propsoff: stopped from the keyboard\n"


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--rig", "avr", "--healthy", "6"), "healthy rigs are played on the mock alone"),
        (("--seeds", "0", "--healthy", "0"), "write --seeds 1 or --healthy 1 or more"),
        (("--rig", "avr", "--seeds", "0"), "nothing to play: no run was asked for; write --seeds 1 or more"),
        (
            ("--healthy", "0", "--defects", "failsafe-late", "--plans", "first-look"),
            "write --plans failsafe, or --everywhere",
        ),
        (("--healthy", "0", "--out", "."), "this is a folder; name a file in it"),
        (("--healthy", "0", "--out", "no/x.md"), "make its folder first, or choose another file with --out"),
    ],
)
def test_a_scoreboard_that_cannot_be_played_says_how_to_mend_it(tmp_path, monkeypatch, capsys, words, told):
    monkeypatch.chdir(tmp_path)
    assert main(["scoreboard", "--jobs", "1", *words]) == 2
    assert told in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []
