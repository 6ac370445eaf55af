"""The harness survives a disk that fills: devices safe, what was written readable, a way to go on."""

import errno
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from test_cli import TINY, run

from harness import running
from harness.bench.protocol import Role
from harness.codec import decode_piece, parse
from harness.codec import messages as m
from harness.recording import read_recording
from harness.report.folder import RECORDING, RunFolder

FULL = OSError(errno.ENOSPC, "No space left on device")


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def tiny(tmp_path):
    path = tmp_path / "tiny.yaml"
    path.write_text(TINY)
    return path


class Filling:
    """A file on a disk with room for so many bytes."""

    def __init__(self, file, room):
        self.file, self.room, self.name = file, room, file.name

    def write(self, data):
        if self.room <= 0:
            raise FULL
        taken = self.file.write(bytes(data)[: self.room])
        self.room -= taken
        return taken

    def __getattr__(self, name):
        return getattr(self.file, name)

    def __enter__(self):
        return self

    def __exit__(self, *error):
        self.file.close()


@pytest.fixture
def sent(monkeypatch):
    """Everything that was sent to the devices, whether it could be recorded or not."""
    found = []

    def open_for(request, *, before=running.open_for):
        bench = before(request)
        send = bench.send

        def noted(role, data):
            found.append((role, parse(decode_piece(data[:-1]))))
            return send(role, data)

        bench.send = noted
        return bench

    monkeypatch.setattr(running, "open_for", open_for)
    return found


def fill_recording(monkeypatch, room):
    before = RunFolder.open_recording
    monkeypatch.setattr(RunFolder, "open_recording", lambda folder: Filling(before(folder), room))


@pytest.mark.parametrize("room", [9_000, 30_000, 50_000])
def test_a_disk_that_fills_in_the_run_leaves_the_devices_safe_and_the_rest_readable(
    tiny,
    room,
    sent,
    monkeypatch,
    capsys,
):
    fill_recording(monkeypatch, room)
    assert run("run", tiny, "--seed", 7, "--out", "out") == 2
    err = capsys.readouterr().err
    assert "cannot write the recording beyond byte" in err
    assert "No space left on device; free some space or choose another folder with --out" in err
    assert "propsoff judge .out.partial-" in err
    sticks = [message for role, message in sent if isinstance(message, m.Sticks)]
    assert sticks[-1].pulses_us == (1000, 1500)
    for role in (Role.TRANSMITTER, Role.RECEIVER):
        assert isinstance([message for one, message in sent if one is role][-1], m.Release)
    assert not Path("out").exists()
    (kept,) = Path().glob(".out.partial-*")
    assert read_recording(kept / RECORDING).ports


def test_what_a_full_disk_left_is_judged_as_far_as_it_goes_and_never_passes(tiny, monkeypatch, capsys):
    fill_recording(monkeypatch, 30_000)
    run("run", tiny, "--seed", 7, "--out", "out")
    (kept,) = Path().glob(".out.partial-*")
    assert run("judge", kept) in (3, 5)
    assert "cut short" in capsys.readouterr().out


def test_a_disk_that_is_full_at_the_start_moves_nothing(tiny, sent, monkeypatch, capsys):
    before = Path.open

    def full(path, *words, **more):
        if path.name == RECORDING:
            raise FULL
        return before(path, *words, **more)

    monkeypatch.setattr(Path, "open", full)
    assert run("run", tiny, "--out", "out") == 2
    assert "recording.pcapng: cannot write: No space left on device" in capsys.readouterr().err
    assert sent == []
    assert not list(Path().glob("*out*"))


@pytest.mark.parametrize("name", ["verdict.json", "junit.xml", "report.txt", "report.html"])
def test_a_disk_that_fills_at_the_reports_keeps_the_whole_recording(tiny, name, monkeypatch, capsys):
    before = RunFolder.write

    def write(folder, word, text):
        if word == name:
            with monkeypatch.context() as patch:
                patch.setattr(Path, "write_text", lambda *_, **__: (_ for _ in ()).throw(FULL))
                before(folder, word, text)
        before(folder, word, text)

    monkeypatch.setattr(RunFolder, "write", write)
    assert run("run", tiny, "--seed", 7, "--out", "out") == 2
    assert f"{name}: cannot write: No space left on device" in capsys.readouterr().err
    (kept,) = Path().glob(".out.partial-*")
    assert read_recording(kept / RECORDING).complete
    assert run("judge", kept) == 0


def test_a_rename_that_finds_no_room_keeps_everything_aside(tiny, monkeypatch, capsys):
    def full(*_):
        raise FULL

    monkeypatch.setattr(Path, "rename", full)
    assert run("run", tiny, "--seed", 7) == 2
    assert "cannot finish the run folder: No space left on device; see " in capsys.readouterr().err
    (kept,) = Path("propsoff-runs").glob(".tiny-7.partial-*")
    assert (kept / "report.txt").exists()


def test_runs_that_finish_at_the_same_moment_get_a_folder_each(tmp_path):
    def one(number):
        with RunFolder.create(tmp_path / "runs" / "plan-7", numbered=True) as folder:
            folder.write("report.txt", str(number))
        return folder.final

    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(one, range(40)))
    assert len(set(found)) == 40
    assert {(path / "report.txt").read_text() for path in found} == {str(number) for number in range(40)}
    assert not list((tmp_path / "runs").glob(".*"))


def test_a_rig_file_shared_by_two_runs_mixes_nothing(tiny, tmp_path):
    rig = tmp_path / "rig.yaml"
    rig.write_text("propsoff_rig: 1\nbench: mock\nmock: {usb_latency: 1 ms}\n")
    words = [sys.executable, "-m", "harness", "run", str(tiny), "--rig", str(rig), "--seed", "7"]
    runs = [subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE) for _ in range(2)]
    outputs = [process.communicate() for process in runs]
    assert [process.returncode for process in runs] == [0, 0], outputs
    folders = sorted(Path("propsoff-runs").iterdir())
    assert [folder.name for folder in folders] == ["tiny-7", "tiny-7-2"]
    first, second = ((folder / RECORDING).read_bytes() for folder in folders)
    assert first == second
