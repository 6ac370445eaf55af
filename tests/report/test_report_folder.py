"""The harness leaves a run folder that is complete, or none."""

import errno
import os
from pathlib import Path

import pytest

from harness.errors import ExitCode, StorageError
from harness.report.folder import RECORDING, RunFolder, default_out


def fill(folder):
    with folder.open_recording() as file:
        file.write(b"evidence")
    folder.write("report.txt", "\u00e4\n")


def refuse(name, code, monkeypatch, owner=os):
    def refused(*_words, **_more):
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(owner, name, refused)


def break_off(folder, error):
    """Leave the folder by `error`."""

    def work():
        with folder:
            raise error

    with pytest.raises(type(error)):
        work()


class TestFinished:
    def test_appears_under_its_name_with_all_its_files(self, tmp_path):
        out = tmp_path / "a" / "b"
        with RunFolder.create(out) as folder:
            fill(folder)
            assert not out.exists()
        assert sorted(path.name for path in out.iterdir()) == [RECORDING, "report.txt"]
        assert (out / "report.txt").read_bytes() == "\u00e4\n".encode()
        assert [path.name for path in out.parent.iterdir()] == ["b"]
        assert (folder.final, folder.kept) == (out, None)

    def test_is_written_beside_its_place(self, tmp_path):
        with RunFolder.create(tmp_path / "run") as folder:
            assert folder.path == tmp_path / f".run.partial-{os.getpid()}"

    def test_is_synced_before_it_gets_its_name(self, tmp_path, monkeypatch):
        events = []
        sync, rename = os.fsync, Path.rename
        monkeypatch.setattr(os, "fsync", lambda number: (events.append("sync"), sync(number))[1])
        monkeypatch.setattr(Path, "rename", lambda path, to: (events.append("rename"), rename(path, to))[1])
        with RunFolder.create(tmp_path / "run") as folder:
            fill(folder)
        assert events == ["sync", "sync", "sync", "rename", "sync"]


class TestTaken:
    def test_refuses_a_name_that_is_there(self, tmp_path):
        with pytest.raises(StorageError, match="is there already") as caught:
            RunFolder.create(tmp_path)
        assert caught.value.exit_code is ExitCode.USER_ERROR
        assert "--out" in str(caught.value)

    def test_refuses_a_dangling_link_too(self, tmp_path):
        (tmp_path / "run").symlink_to(tmp_path / "nowhere")
        with pytest.raises(StorageError, match="is there already"):
            RunFolder.create(tmp_path / "run")

    def test_counts_up_when_it_may(self, tmp_path):
        for name in ("run", "run-2", "run-3"):
            with RunFolder.create(tmp_path / "run", numbered=True) as folder:
                fill(folder)
            assert folder.final == tmp_path / name
            assert folder.final.is_dir()

    def test_takes_the_next_number_if_another_run_was_faster(self, tmp_path):
        with RunFolder.create(tmp_path / "run", numbered=True) as folder:
            fill(folder)
            (tmp_path / "run").mkdir()
        assert folder.final == tmp_path / "run-2"
        assert (tmp_path / "run-2" / RECORDING).read_bytes() == b"evidence"

    def test_keeps_what_it_has_if_another_run_took_the_name(self, tmp_path):
        folder = RunFolder.create(tmp_path / "run")
        fill(folder)
        (tmp_path / "run").mkdir()
        with pytest.raises(StorageError, match="the results of this run are in"), folder:
            pass
        assert (folder.kept / RECORDING).read_bytes() == b"evidence"

    def test_passes_over_what_an_earlier_run_left(self, tmp_path):
        old = tmp_path / f".run.partial-{os.getpid()}"
        old.mkdir()
        with RunFolder.create(tmp_path / "run") as folder:
            assert folder.path.name == f"{old.name}-2"
        assert old.is_dir()


class TestBrokenOff:
    def test_keeps_the_recording_aside(self, tmp_path):
        folder = RunFolder.create(tmp_path / "run")
        fill(folder)
        break_off(folder, KeyboardInterrupt())
        assert not (tmp_path / "run").exists()
        assert folder.kept == folder.path
        assert (folder.kept / RECORDING).read_bytes() == b"evidence"

    def test_leaves_nothing_where_nothing_was_recorded(self, tmp_path):
        folder = RunFolder.create(tmp_path / "run")
        folder.open_recording().close()
        break_off(folder, ValueError("oops"))
        assert folder.kept is None
        assert list(tmp_path.iterdir()) == []

    def test_keeps_the_results_if_they_cannot_be_renamed(self, tmp_path, monkeypatch):
        folder = RunFolder.create(tmp_path / "run")
        fill(folder)
        refuse("rename", errno.EACCES, monkeypatch, Path)
        with (
            pytest.raises(
                StorageError, match=r"cannot finish the run folder: Permission denied; see .*partial"
            ),
            folder,
        ):
            pass
        assert (folder.kept / RECORDING).is_file()


class TestNotWritable:
    def test_says_so_where_a_file_stands_in_the_way(self, tmp_path):
        (tmp_path / "file").write_text("")
        with pytest.raises(
            StorageError, match=r"cannot make a run folder here: .*; choose another with --out"
        ):
            RunFolder.create(tmp_path / "file" / "run")

    def test_says_so_without_permission(self, tmp_path, monkeypatch):
        refuse("mkdir", errno.EACCES, monkeypatch, Path)
        with pytest.raises(StorageError, match="run: cannot make a run folder here: Permission denied"):
            RunFolder.create(tmp_path / "run")

    def test_says_so_where_the_disk_is_full(self, tmp_path, monkeypatch):
        with RunFolder.create(tmp_path / "run") as folder:
            refuse("write_text", errno.ENOSPC, monkeypatch, Path)
            with pytest.raises(
                StorageError, match=r"report\.txt: cannot write: No space left on device; free some"
            ):
                folder.write("report.txt", "x")

    def test_never_writes_over_a_recording(self, tmp_path):
        with RunFolder.create(tmp_path / "run") as folder:
            fill(folder)
            with pytest.raises(StorageError, match="File exists"):
                folder.open_recording()

    def test_bounds_what_broken_off_runs_may_leave(self, tmp_path, monkeypatch):
        monkeypatch.setattr("harness.report.folder.NUMBERS_MAX", 2)
        for end in ("", "-2"):
            (tmp_path / f".run.partial-{os.getpid()}{end}").mkdir()
        with pytest.raises(StorageError, match="too many broken-off runs"):
            RunFolder.create(tmp_path / "run")

    def test_bounds_its_search_for_a_number(self, tmp_path, monkeypatch):
        monkeypatch.setattr(os.path, "lexists", lambda path: True)
        with pytest.raises(StorageError, match="runs are stored under this name"):
            RunFolder.create(tmp_path / "run", numbered=True)


@pytest.mark.parametrize(
    ("name", "path"),
    [
        ("first-look", "propsoff-runs/first-look-7"),
        ("../../etc", "propsoff-runs/_.._etc-7"),
        ("a b:c\x1b", "propsoff-runs/a_b_c_-7"),
        ("", "propsoff-runs/plan-7"),
        ("x" * 300, f"propsoff-runs/{'x' * 100}-7"),
    ],
)
def test_names_a_run_after_plan_and_seed(name, path):
    assert default_out(name, 7) == Path(path)
