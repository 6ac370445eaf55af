"""The harness writes a page whole or not at all, over an older page, and over nothing else."""

import errno
import os

import pytest

from harness.errors import StorageError, UserError
from harness.page.saving import save_page
from harness.page.writing import BEGINNING

PAGE = f"{BEGINNING}<html></html>\n"


def test_a_page_replaces_an_older_page(tmp_path):
    file = tmp_path / "report.html"
    save_page(PAGE, file)
    save_page(PAGE.replace("<html>", "<html lang='en'>"), file)
    assert "lang" in file.read_text("utf-8")
    assert list(tmp_path.iterdir()) == [file]


@pytest.mark.parametrize("other", ["", "my notes\n", "<!DOCTYPE htm"], ids=["empty", "text", "cut off"])
def test_a_page_leaves_other_files_alone(tmp_path, other):
    file = tmp_path / "notes.txt"
    file.write_text(other)
    with pytest.raises(UserError, match="is no page; choose another name for --page"):
        save_page(PAGE, file)
    assert file.read_text() == other


def test_a_page_asks_for_a_file_in_a_folder(tmp_path):
    with pytest.raises(UserError, match="is a folder; name a file in it"):
        save_page(PAGE, tmp_path)
    with pytest.raises(StorageError, match="cannot write: No such file or directory"):
        save_page(PAGE, tmp_path / "nowhere" / "report.html")


def test_a_full_disk_leaves_the_older_page_whole(tmp_path, monkeypatch):
    file = tmp_path / "report.html"
    save_page(PAGE, file)

    def full(descriptor):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("harness.page.saving.os.fsync", full)
    with pytest.raises(StorageError, match="No space left on device"):
        save_page(PAGE + "more", file)
    assert file.read_text("utf-8") == PAGE
    assert list(tmp_path.iterdir()) == [file]


def test_a_page_behind_a_link_is_written_where_the_link_leads(tmp_path):
    (tmp_path / "pages").mkdir()
    kept, link = tmp_path / "pages" / "report.html", tmp_path / "latest.html"
    save_page(PAGE, kept)
    link.symlink_to(kept)
    save_page(PAGE + "<!-- newer -->", link)
    assert link.is_symlink()
    assert "newer" in kept.read_text("utf-8")
