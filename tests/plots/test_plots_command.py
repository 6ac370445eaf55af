"""`propsoff plots` writes all pictures or none, replaces nothing by itself, and helps with wrong words."""

import textwrap
from pathlib import Path

import pytest

import harness.plots
from harness.cli import main
from harness.errors import StorageError
from harness.plots import command

TINY = """\
propsoff: 1
title: Tiny
link:
  packet_rate: 50 Hz
  channels:
    throttle: {role: throttle, failsafe: low}
    rudder: {failsafe: centre}
  failsafe: {within: 500 ms}
steps:
  - wait: {until: linked, deadline: 3 s}
  - wander: {for: 2 s}
    name: moving
  - cut: {duration: 700 ms}
checks:
  - delivery: {at_least: 80 %}
"""


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plots")
    plan = folder / "tiny.yaml"
    plan.write_text(TINY)
    assert main(["run", str(plan), "--seed", "7", "--out", str(folder / "run")]) in (0, 5)
    return folder / "run"


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def plots(recorded: Path, *words: str) -> int:
    return main(["plots", str(recorded), *words])


def test_every_picture_is_written_and_named(recorded, capsys):
    assert plots(recorded, "--only", "packets", "latency-within", "--out", "seen") == 0
    told = capsys.readouterr().out.split()
    assert told == [str(Path("seen/packets.png")), str(Path("seen/latency-within.png"))]
    assert sorted(file.name for file in Path("seen").iterdir()) == ["latency-within.png", "packets.png"]
    assert [file.name for file in Path().iterdir()] == ["seen"]


def test_pictures_go_into_the_run_folder_or_beside_a_recording(recorded, tmp_path):
    assert command.default_out(recorded) == recorded / "plots"
    assert command.default_out(tmp_path / "a.pcapng") == tmp_path / "a-plots"


def test_listing_names_every_picture_and_writes_nothing(recorded, capsys):
    assert plots(recorded, "--list") == 0
    names = [line.split()[0] for line in capsys.readouterr().out.splitlines()]
    assert {
        "sticks-1",
        "sticks-2",
        "packets",
        "latency-within",
        "age-time",
        "cuts-in",
        "clocks-budget",
    } < set(names)
    assert not list(Path().iterdir())


def test_a_folder_that_is_there_stays_as_it_is(recorded, capsys):
    Path("seen").mkdir()
    Path("seen/mine.txt").write_text("mine")
    assert plots(recorded, "--only", "packets", "--out", "seen") == 2
    assert "--overwrite" in capsys.readouterr().err
    assert [file.name for file in Path("seen").iterdir()] == ["mine.txt"]
    assert plots(recorded, "--only", "packets", "--out", "seen", "--overwrite") == 0
    assert sorted(file.name for file in Path("seen").iterdir()) == ["mine.txt", "packets.png"]


def test_a_file_is_never_replaced_by_a_folder(recorded, capsys):
    Path("seen").write_text("mine")
    assert plots(recorded, "--only", "packets", "--out", "seen", "--overwrite") == 2
    assert Path("seen").read_text() == "mine"


def test_nothing_is_left_when_the_disk_is_full(recorded, monkeypatch):
    def full(path: Path, data: bytes) -> int:
        if path.name.startswith("latency"):
            raise OSError(28, "No space left on device")
        return path.touch() or 0  # type: ignore[func-returns-value]

    monkeypatch.setattr(Path, "write_bytes", full)
    words = command.PlotWords(recorded, Path("seen"), only=("packets", "latency-within"))
    with pytest.raises(StorageError, match="No space left"):
        command.plots(words)
    assert not list(Path().iterdir())


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (("--only", "latncy"), "did you mean latency"),
        (("--only", "packet"), "did you mean packets"),
        (("--only", "qqqq"), "sticks, packets, latency"),
        (("--only", "telemetry"), "nothing of that to see"),
        (("--during", "movin"), "did you mean 'moving'"),
        (("--from", "3", "--to", "2"), "--from 3 is not before --to 2"),
        (("--from", "3000"), "--from 3000 is after the run's end: it lasted"),
        (("--from", "soon"), "no time of the run"),
    ],
)
def test_wrong_words_get_one_clear_error(recorded, capsys, words, hint):
    try:
        code = plots(recorded, *words)
    except SystemExit as stopped:
        code = int(stopped.code or 0)
    assert code == 2
    assert hint in capsys.readouterr().err
    assert not list(Path().iterdir())


def test_what_is_no_recording_is_told(capsys):
    Path("x.pcapng").write_text("no")
    assert main(["plots", "x.pcapng"]) == 2
    assert main(["plots", "nowhere"]) == 2
    assert "propsoff: " in capsys.readouterr().err


def test_a_step_and_a_stretch_of_time_can_be_looked_at(recorded):
    assert (
        plots(recorded, "--only", "sticks-1", "--during", "moving", "--as", "svg", "--dark", "--out", "a")
        == 0
    )
    assert (
        plots(recorded, "--only", "sticks-1", "--from", "-0.5", "--to", "1.5", "--as", "svg", "--out", "b")
        == 0
    )
    assert Path("a/sticks-1.svg").read_bytes() != Path("b/sticks-1.svg").read_bytes()


def test_the_example_for_a_notebook_works(recorded):
    doc = harness.plots.__doc__ or ""
    example = textwrap.dedent(doc[doc.index("    from pathlib") :])
    assert len(example.strip().splitlines()) == 6
    found: dict[str, object] = {}
    exec(example.replace("first-look-7/recording.pcapng", str(recorded / "recording.pcapng")), found)
    assert type(found["figure"]).__name__ == "Figure"
