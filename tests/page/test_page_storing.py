"""`--page` means the same to every command: over an older page of ours, and over nothing else."""

import pytest
from test_cli import TINY

from harness.cli import main

FOREIGN = "<!DOCTYPE html>\n<title>Notes of the shoreline survey</title>\n"


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    top = tmp_path_factory.mktemp("pages")
    plan = top / "tiny.yaml"
    plan.write_text(TINY)
    for n, unit in enumerate(("left", "right"), 1):
        main(["run", str(plan), "--seed", str(n), "--unit", unit, "--out", str(top / "runs" / unit)])
    return top / "runs"


@pytest.fixture(params=["judge", "compare", "units", "history"])
def written(request, runs, tmp_path, monkeypatch):
    """A call of one command with --page and this file; returns its exit code."""
    monkeypatch.chdir(tmp_path)
    words = {
        "judge": ["judge", runs / "left"],
        "compare": ["compare", runs / "left", runs / "right"],
        "units": ["compare", runs],
        "history": ["history", runs],
    }[request.param]
    return lambda file: main([str(word) for word in (*words, "--page", file)])


def test_a_page_is_written_over_an_older_one_and_told(written, tmp_path, capsys):
    for _ in range(2):
        assert written("page.html") in (0, 1, 5)
        assert "propsoff: page.html: written" in capsys.readouterr().err
    assert (tmp_path / "page.html").read_bytes().startswith(b"<!DOCTYPE html>\n<html")
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]


def test_what_is_no_page_of_ours_stays_as_it_is(written, tmp_path, capsys):
    (tmp_path / "notes.html").write_text(FOREIGN)
    assert written("notes.html") == 2
    told = capsys.readouterr()
    assert "--page notes.html: is there already, is no page, and stays as it is" in told.err
    assert not told.out  # and nobody waited for a report first
    assert (tmp_path / "notes.html").read_text() == FOREIGN


@pytest.mark.parametrize(
    ("file", "why"),
    [("nowhere/page.html", "there is no folder nowhere"), (".", "is a folder; name a file in it")],
)
def test_a_place_that_can_be_none_is_told_alike(written, file, why, capsys):
    assert written(file) == 2
    assert f"--page {file}: {why}" in capsys.readouterr().err
