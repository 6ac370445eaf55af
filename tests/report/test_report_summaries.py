"""The harness writes summaries of a call in place of its own earlier ones, and of nothing else."""

from xml.etree import ElementTree as ET

import pytest
from report_samples import OUTCOME

from harness.errors import StorageError, UserError
from harness.report.junit import junit_xml
from harness.report.markdown import markdown_summary
from harness.report.summaries import Summaries


@pytest.fixture
def both(tmp_path):
    return Summaries(tmp_path / "junit.xml", tmp_path / "summary.md")


def test_writes_both_of_all_outcomes(both):
    both.clear()
    both.write((OUTCOME, OUTCOME), ("a", "b"))
    assert len(ET.parse(both.junit).getroot().findall("testsuite")) == 2
    assert both.markdown.read_text() == markdown_summary((OUTCOME, OUTCOME), ("a", "b"))
    assert sorted(file.name for file in both.junit.parent.iterdir()) == ["junit.xml", "summary.md"]


def test_takes_its_earlier_ones_away_before_a_run_begins(both):
    both.write((OUTCOME,), ("a",))
    both.clear()
    assert not both.junit.exists()
    assert not both.markdown.exists()


@pytest.mark.parametrize("name", ["junit", "markdown"])
@pytest.mark.parametrize("content", [b"", b"propsoff: 1\n", b"<?xml version='1.0'?><other/>"])
def test_leaves_other_files_alone_and_removes_nothing_then(both, name, content):
    both.write((OUTCOME,), ("a",))
    getattr(both, name).write_bytes(content)
    with pytest.raises(UserError, match="stays as it is"):
        both.clear()
    assert getattr(both, name).read_bytes() == content
    assert both.junit.exists()
    assert both.markdown.exists()


def test_tells_a_folder_that_is_not_there_and_a_name_given_twice(tmp_path):
    with pytest.raises(UserError, match="there is no folder"):
        Summaries(tmp_path / "no" / "junit.xml").clear()
    with pytest.raises(UserError, match="Is a directory"):
        Summaries(tmp_path).clear()
    with pytest.raises(UserError, match="give each a file of its own"):
        Summaries(tmp_path / "a", tmp_path / "a").clear()


def test_tells_what_cannot_be_written_and_leaves_nothing_half_written(tmp_path):
    (tmp_path / "junit.xml").mkdir()
    with pytest.raises(UserError, match="is a folder"):
        Summaries(tmp_path / "junit.xml").write((OUTCOME,), ("a",))
    with pytest.raises(StorageError, match="cannot be written"):
        Summaries(tmp_path / "nowhere" / "junit.xml").write((OUTCOME,), ("a",))
    assert [file.name for file in tmp_path.iterdir()] == ["junit.xml"]


def test_writes_nothing_that_nobody_asked_for(tmp_path):
    Summaries().clear()
    Summaries(junit=tmp_path / "j.xml").write((OUTCOME,), ("a",))
    assert (tmp_path / "j.xml").read_text() == junit_xml((OUTCOME,))
    assert len(list(tmp_path.iterdir())) == 1
