"""The harness keeps an index that only saves time: whatever becomes of it, the folders have the word."""

import os
import sqlite3
import subprocess
import sys
from contextlib import closing

import pytest
from history_samples import check, document, wings, write

from harness.history import index
from harness.history.command import history
from harness.history.index import INDEX
from harness.history.rows import Wanted


def told(root, said=None):
    """Return each run's folder with its failsafe time, and every line that was said."""
    said = [] if said is None else said
    found = history(root, Wanted(), said.append)
    return {
        run.folder: value
        for one in found.groups
        for course in one.courses
        for run, value in zip(course.line.runs, course.line.values, strict=True)
    }


@pytest.fixture
def reads(monkeypatch):
    """Count how many verdicts are read."""
    names = []

    def counting(folder):
        names.append(folder.name)
        return before(folder)

    before = index.read_run
    monkeypatch.setattr(index, "read_run", counting)
    return names


THREE = {"run-0": 480.0, "run-1": 481.0, "run-2": 482.0}


def test_reads_each_run_once(tmp_path, reads):
    wings(tmp_path, 3)
    assert told(tmp_path) == told(tmp_path) == THREE
    assert sorted(reads) == ["run-0", "run-1", "run-2"]


def test_reads_only_what_is_new_or_changed_and_forgets_what_is_gone(tmp_path, reads):
    wings(tmp_path, 3)
    told(tmp_path)
    reads.clear()
    (tmp_path / "run-0/verdict.json").unlink()
    write(tmp_path / "run-9", document(check(value=490.0)))
    file = tmp_path / "run-1/verdict.json"
    file.write_text(file.read_text().replace("481.0", "581.0"))
    os.utime(file, ns=(1, 1))
    assert told(tmp_path) == {"run-1": 581.0, "run-2": 482.0, "run-9": 490.0}
    assert sorted(reads) == ["run-1", "run-9"]


def test_gives_the_same_when_it_is_thrown_away(tmp_path, reads):
    wings(tmp_path, 3)
    told(tmp_path)
    (tmp_path / INDEX).unlink()
    assert told(tmp_path) == THREE
    assert len(reads) == 6


@pytest.mark.parametrize(
    "damage",
    [
        lambda data: b"no database at all" * 100,
        lambda data: data[:100] + b"\xff" * (len(data) - 100),
        lambda data: data[: len(data) // 2],
        lambda data: data[:4096] + bytes(len(data) - 4096),
        lambda data: data.replace(b"left wing", b"\xff\xfe\x1b[2J\x00\x01"),
    ],
    ids=["other bytes", "overwritten", "cut short", "zeros", "text that is none"],
)
def test_builds_a_damaged_index_again_and_says_so(tmp_path, damage):
    wings(tmp_path, 3)
    told(tmp_path)
    file = tmp_path / INDEX
    file.write_bytes(damage(file.read_bytes()))
    said = []
    assert told(tmp_path, said) == THREE
    assert len(said) == 1
    assert "was damaged" in said[0]
    assert told(tmp_path, said) == THREE
    assert len(said) == 1


def test_an_empty_index_is_filled(tmp_path):
    wings(tmp_path, 3)
    (tmp_path / INDEX).write_bytes(b"")
    said = []
    assert told(tmp_path, said) == THREE
    assert said == []


@pytest.mark.parametrize("version", [0, 99])
def test_builds_an_index_of_another_version_again_and_says_so(tmp_path, version):
    wings(tmp_path, 3)
    told(tmp_path)
    with closing(sqlite3.connect(tmp_path / INDEX)) as database:
        database.execute("DROP TABLE checks")
        database.execute("CREATE TABLE more (x)")
        database.execute(f"PRAGMA user_version = {version}")
    said = []
    assert told(tmp_path, said) == THREE
    assert "made by another version of propsoff" in said[0]


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE runs SET plan = 7",
        "UPDATE runs SET unit = 'a' || char(27) || '[2J'",
        "UPDATE runs SET seed = 'many'",
        "UPDATE runs SET folder = 1000000000000 WHERE id = 1",
        "UPDATE checks SET value = 'high'",
        "UPDATE checks SET value = x'00'",
        "UPDATE checks SET value = 9e999",
        "UPDATE figures SET name = char(8238)",
        "UPDATE checks SET verdict = 9",
        "UPDATE checks SET verdict = -1",
        "UPDATE checks SET figure = 9",
        "CREATE VIEW endless AS SELECT 1",
        "CREATE TRIGGER t AFTER INSERT ON runs BEGIN DELETE FROM runs; END",
    ],
)
def test_believes_no_row_that_it_never_wrote(tmp_path, change):
    wings(tmp_path, 3)
    told(tmp_path)
    with closing(sqlite3.connect(tmp_path / INDEX)) as database:
        database.execute(change)
        database.commit()
    said = []
    assert told(tmp_path, said) == THREE
    assert "built again" in said[0]


def test_leaves_another_programs_database_alone(tmp_path):
    wings(tmp_path, 3)
    with closing(sqlite3.connect(tmp_path / INDEX)) as database:
        database.execute("CREATE TABLE theirs (x)")
    before = (tmp_path / INDEX).read_bytes()
    said = []
    assert told(tmp_path, said) == THREE
    assert "is another program's" in said[0]
    assert (tmp_path / INDEX).read_bytes() == before


@pytest.mark.parametrize("kind", ["folder", "link"])
def test_leaves_alone_what_is_no_ordinary_file(tmp_path, kind):
    wings(tmp_path / "runs", 3)
    if kind == "folder":
        (tmp_path / "runs" / INDEX).mkdir()
    else:
        (tmp_path / "runs" / INDEX).symlink_to(tmp_path / "elsewhere")
    said = []
    assert told(tmp_path / "runs", said) == THREE
    assert "is no ordinary file and is left alone" in said[0]
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.parametrize("error", ["SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_FULL", "SQLITE_BUSY"])
def test_goes_on_in_memory_where_nothing_can_be_written(tmp_path, monkeypatch, error):
    wings(tmp_path, 3)
    before = index._connect

    def refusing(path):
        if path == ":memory:":
            return before(path)
        trouble = sqlite3.OperationalError("not here")
        trouble.sqlite_errorcode = getattr(sqlite3, error)
        raise trouble

    monkeypatch.setattr(index, "_connect", refusing)
    said = []
    assert told(tmp_path, said) == THREE
    assert said == [f"{tmp_path / INDEX} cannot be kept here (not here); all runs are read anew each time"]
    assert not (tmp_path / INDEX).exists()


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is read-only for root")
def test_lists_the_runs_of_a_read_only_folder(tmp_path):
    wings(tmp_path, 3)
    tmp_path.chmod(0o500)
    said = []
    try:
        assert told(tmp_path, said) == THREE
    finally:
        tmp_path.chmod(0o700)
    assert "cannot be kept here" in said[0]


def test_writes_nothing_into_the_folder_of_a_single_run(tmp_path):
    wings(tmp_path, 1)
    assert told(tmp_path / "run-0") == {".": 480.0}
    assert [file.name for file in (tmp_path / "run-0").iterdir()] == ["verdict.json"]


def test_shows_good_runs_beside_bad_ones_and_reads_a_bad_one_again_when_it_was_mended(tmp_path):
    wings(tmp_path, 2)
    file = write(tmp_path / "bad", "{")
    found = history(tmp_path, Wanted(), print)
    assert len(found.runs) == 2
    assert [(one.folder, "cannot read" in one.problem) for one in found.unread] == [("bad", True)]
    file.write_text((tmp_path / "run-0/verdict.json").read_text())
    assert history(tmp_path, Wanted(), print).unread == ()


@pytest.mark.parametrize("name", ["a\nb", "\x1b[2J", "';DROP TABLE runs;--", "a\udcffb", "\u202ex"])
def test_takes_any_name_of_a_folder(tmp_path, name):
    write(tmp_path / name, document())
    for _ in range(2):
        (run,) = history(tmp_path, Wanted(), print).runs
        assert run.folder.isprintable()


READ_IT = """
import sys
from pathlib import Path
from harness.history.command import history
from harness.history.rows import Wanted
print(len(history(Path(sys.argv[1]), Wanted(), lambda line: print(line)).runs))
"""


@pytest.mark.slow
def test_two_programs_may_build_it_at_once(tmp_path):
    wings(tmp_path, 300)
    words = [sys.executable, "-c", READ_IT, str(tmp_path)]
    both = [subprocess.Popen(words, stdout=subprocess.PIPE, text=True) for _ in range(2)]
    assert [program.communicate()[0] for program in both] == ["300\n", "300\n"]
    with closing(sqlite3.connect(tmp_path / INDEX)) as database:
        assert database.execute("SELECT count(*) FROM runs").fetchone() == (300,)
        assert database.execute("SELECT count(*) FROM checks").fetchone() == (300,)


def test_waits_for_another_programs_transaction(tmp_path, monkeypatch):
    wings(tmp_path, 1)
    told(tmp_path)
    wings(tmp_path / "more", 1)
    monkeypatch.setattr(index, "BUSY_S", 0.01)
    with closing(sqlite3.connect(tmp_path / INDEX, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        said = []
        assert len(told(tmp_path, said)) == 2
        assert "database is locked" in said[0]
        other.execute("ROLLBACK")
    assert len(told(tmp_path, said)) == 2
    assert len(said) == 1
