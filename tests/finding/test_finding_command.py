"""The harness's commands `ports` and `rig`: words, exit codes and what they print."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from far_ends import pty_device
from port_trees import Listed, Machine

from harness.bench.protocol import Role
from harness.bench.rig import find_rig
from harness.cli import main
from harness.clock import S
from harness.errors import ExitCode, UserError
from harness.finding import asking, command, proof
from harness.finding.command import RigWords
from harness.finding.system import System
from mocks.pair import open_pair
from mocks.ptys import serving


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Path]:
    """A folder with the ports of served mock devices, and a check that takes a second."""
    with serving(open_pair(), link_dir=tmp_path / "d"):
        yield tmp_path / "d"


@pytest.fixture
def briefly(monkeypatch: pytest.MonkeyPatch) -> None:
    whole = proof.proof_of
    monkeypatch.setattr(proof, "proof_of", lambda rig, word: whole(rig, word, 1 * S))


def run(*words: object) -> int:
    return main([str(word) for word in words])


def test_ports_are_listed_with_exit_code_0(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    machine = Machine(tmp_path / "tree")
    machine.adapter("/dev/ttyUSB0")
    assert command.ports((), ask=False, json=False, system=machine.system) is ExitCode.PASS
    assert capsys.readouterr().out.startswith("/dev/ttyUSB0\n")
    assert (
        command.ports(("/dev/ttyUSB1",), ask=False, json=True, system=machine.system) is ExitCode.BENCH_ERROR
    )
    assert json.loads(capsys.readouterr().out)[0]["kind"] == "not there"


def test_no_port_at_all_is_bench_trouble_only_when_asking(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    machine = Machine(tmp_path / "tree")
    assert command.ports((), ask=False, json=False, system=machine.system) is ExitCode.PASS
    assert command.ports((), ask=True, json=False, system=machine.system) is ExitCode.BENCH_ERROR
    told = capsys.readouterr()
    assert told.out.count("No serial port is here.") == 2
    assert told.err == ""


@pytest.mark.pty
def test_ports_that_are_named_are_asked_after_a_caution(
    served: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("ports", "--ask", "d/transmitter", served / "receiver") == 0
    told = capsys.readouterr()
    assert told.out.count("  answer      ") == 2
    assert f"{served}/transmitter\n" in told.out
    assert "propellers off" in told.err
    assert "asking 2 ports at the same time, up to 8 s" in told.err


@pytest.mark.pty
def test_a_named_port_that_does_not_answer_is_bench_trouble(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(command, "Asking", lambda: asking.Asking(bauds=(9_600,), boot_ns=S // 5))
    with pty_device(Role.RECEIVER) as good:
        assert run("ports", "--ask", good, "/dev/nowhere-1", "--json") == 3
    first, second = json.loads(capsys.readouterr().out)
    assert first["answer"]["role"] == "receiver"
    assert second["answer"]["outcome"] == "failed"


@pytest.mark.pty
@pytest.mark.usefixtures("briefly")
def test_a_rig_file_is_written_and_proved_and_runs(served: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = run("rig", "bench.yaml", "d/receiver", "d/transmitter")
    told = capsys.readouterr()
    assert "bench.yaml: written\n  transmitter: mock transmitter" in told.out
    assert "PROVED" in told.out
    assert code == (3 if "NOT PROVED" in told.out else 0)
    rig = find_rig("bench.yaml")
    assert rig.ports[Role.TRANSMITTER].url == str(served / "transmitter")
    assert sorted(os.listdir(".")) == ["bench.yaml", "d"]
    before = Path("bench.yaml").read_text()
    assert run("rig", "bench.yaml", "d/receiver", "d/transmitter") == 2
    assert "is there already and stays as it is" in capsys.readouterr().err
    run("rig", "--check", "bench")
    assert "PROVED: bench" in capsys.readouterr().out.replace(", WITH LIMITS", "")
    assert Path("bench.yaml").read_text() == before


@pytest.mark.pty
def test_no_rig_file_is_written_without_a_receiver(served: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("rig", "d/transmitter") == 3
    assert "no receiver answered, so no rig file is written" in capsys.readouterr().err
    assert os.listdir(".") == ["d"]


def test_a_simulated_rig_has_no_lines_to_prove(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("rig", "--check", "mock") == 2
    assert "is simulated and has no lines to prove" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("rig", "--check", "b.yaml", "COM5"), "--check proves a rig file as it stands"),
        (("rig", "--check", "b.yaml", "--overwrite"), "--check proves a rig file as it stands"),
        (("rig", "--check", "nothing"), "there is no rig called 'nothing'"),
        (("rig", "a.yaml", "b.yml"), "two rig files are named, a.yaml and b.yml"),
        (("rig", "bench"), "bench is no port that is there, and no rig file, whose name ends in .yaml"),
        (("rig", "--baud", "12"), "'12' is no baud rate"),
        (("ports", "--baud", "9600"), "--baud goes with --ask"),
        (("ports", "--asks"), "not understood: --asks"),
    ],
)
def test_wrong_words_are_told_with_exit_code_2(
    words: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    try:
        code = run(*words)
    except SystemExit as left:
        code = int(str(left.code))
    assert code == 2
    assert said in capsys.readouterr().err
    assert os.listdir(".") == []


def test_a_file_in_the_way_is_told_before_any_port_is_looked_at() -> None:
    Path("my-bench.yaml").write_text("mine")

    def refuse() -> list[Listed]:
        raise AssertionError("ports were looked at")

    with pytest.raises(UserError, match="is there already"):
        command.rig(RigWords(), System(comports=refuse))  # type: ignore[arg-type]
    assert Path("my-bench.yaml").read_text() == "mine"


TEXT = "{port: %s, speaks: text, lines: {applied: 'RX {packet} {channel 1}'}}"


def test_a_device_that_cannot_be_asked_is_left_out_of_the_proof_and_named(
    served: Path, briefly: None, capsys: pytest.CaptureFixture[str]
) -> None:
    text = f"propsoff_rig: 1\nbench: serial\ntransmitter: {served / 'transmitter'}\nreceiver: "
    Path("lines.yaml").write_text(text + TEXT % (served / "receiver") + "\nby_hand: transmitter power\n")
    assert run("rig", "--check", "lines.yaml") == ExitCode.PASS
    told = capsys.readouterr().out
    assert "receiver: speaks text, so nothing could be asked" in told
    assert "what this rig switches was not switched" in told
    assert "capacity" in told


def test_a_rig_without_any_device_to_ask_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    sender = "{port: a, speaks: text, tell: {sticks: 'S {channel 1}'}}"
    rig = f"propsoff_rig: 1\nbench: serial\ntransmitter: {sender}\nreceiver: {TEXT % 'b'}\n"
    Path("lines.yaml").write_text(rig)
    assert run("rig", "--check", "lines.yaml") == ExitCode.USER_ERROR
    assert "no device of the rig lines speaks the bench protocol" in capsys.readouterr().err
