"""A rig file becomes a Rig, or every problem in it with its place."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from harness.bench.ports import PortSpec
from harness.bench.protocol import DEVICES, Role
from harness.bench.rig import BUILT_IN, find_rig, parse_rig, rig_baud, serial_rig_text
from harness.errors import ExitCode, RigError
from mocks.settings import MockSettings

SERIAL = """\
propsoff_rig: 1
about: The bench in the workshop
bench: serial
transmitter: {port: /dev/ttyUSB0, baud: 57600}
receiver: socket://bench:4000
"""


def problems(text: str) -> list[str]:
    with pytest.raises(RigError) as caught:
        parse_rig(text, "my-bench.yaml")
    assert caught.value.exit_code is ExitCode.USER_ERROR
    return str(caught.value).splitlines()


def test_the_harness_reads_a_serial_rig() -> None:
    rig = parse_rig(SERIAL, "benches/my-bench.yaml")
    assert (rig.name, rig.kind, rig.about) == ("my-bench", "serial", "The bench in the workshop")
    assert (rig.file, rig.text) == ("benches/my-bench.yaml", SERIAL)
    assert rig.simulated is None
    assert rig.ports == {
        Role.TRANSMITTER: PortSpec("/dev/ttyUSB0", 57_600),
        Role.RECEIVER: PortSpec("socket://bench:4000", 115_200),
    }
    assert rig_baud(rig) == {Role.TRANSMITTER: 57_600, Role.RECEIVER: 115_200}


def test_the_harness_reads_a_mock_rig() -> None:
    rig = parse_rig("propsoff_rig: 1\nbench: mock\nmock:\n  loss: 2.5 %\n  baud: 57600\n", "lossy.yaml")
    assert rig.kind == "mock"
    assert rig.simulated == MockSettings(loss=Fraction(1, 40), baud=57_600)
    assert rig_baud(rig) == dict.fromkeys(DEVICES, 57_600)


def test_the_harness_has_the_ideal_mock_built_in() -> None:
    rig = find_rig("ideal-mock")
    assert (rig.name, rig.kind, rig.simulated, rig.text) == ("ideal-mock", "mock", MockSettings(), "")
    assert rig_baud(rig) == dict.fromkeys(DEVICES, MockSettings().baud)
    assert set(BUILT_IN) == {"mock", "ideal-mock", "avr"}


def test_the_built_in_mock_is_a_usual_healthy_bench_and_says_how() -> None:
    rig = find_rig("mock")
    assert (rig.name, rig.kind, rig.file) == ("mock", "mock", "")
    assert parse_rig(rig.text, "x").simulated == rig.simulated
    assert rig.simulated != MockSettings()


def test_the_harness_finds_a_rig_file_by_its_path_or_its_stem(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "my-bench.yaml").write_text(SERIAL)
    monkeypatch.chdir(tmp_path)
    for word in ("my-bench.yaml", "my-bench", str(tmp_path / "my-bench.yaml"), "./my-bench"):
        assert find_rig(word).name == "my-bench"


def test_the_harness_prefers_the_built_in_name_to_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "mock.yaml").write_text(SERIAL)
    monkeypatch.chdir(tmp_path)
    assert find_rig("mock").kind == "mock"
    assert find_rig("mock.yaml").kind == "serial"


@pytest.mark.parametrize(
    ("word", "said"),
    [
        ("mok", "did you mean mock?"),
        ("benches/nowhere.yaml", "no rig called 'benches/nowhere.yaml' and no such file"),
        ("", "built-in rigs: mock"),
    ],
)
def test_the_harness_names_the_rigs_there_are(
    word: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(RigError, match=r"built-in rigs: mock") as caught:
        find_rig(word)
    assert said in str(caught.value)


def test_the_harness_reads_a_rig_beside_a_folder_of_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "bench").mkdir()
    (tmp_path / "bench.yaml").write_text(SERIAL)
    monkeypatch.chdir(tmp_path)
    assert find_rig("bench").kind == "serial"


def test_the_harness_refuses_a_directory_as_a_rig(tmp_path: Path) -> None:
    with pytest.raises(RigError, match="this is a directory"):
        find_rig(str(tmp_path))


def test_the_harness_refuses_a_binary_rig(tmp_path: Path) -> None:
    (tmp_path / "rig.yaml").write_bytes(bytes(range(256)))
    with pytest.raises(RigError, match=r"not a text character|not UTF-8"):
        find_rig(str(tmp_path / "rig.yaml"))


MOCK = "propsoff_rig: 1\nbench: mock\nmock:\n  los: 1 %\n  ack_loss: 5\n"
BAD_RIGS = {
    "empty": ("", ": the file is empty"),
    "a list": ("- serial\n", ":1:1: a list stands here"),
    "format": (SERIAL.replace("rig: 1", "rig: 2"), ":1:15: propsoff_rig: '2' is out of range"),
    "kind": (SERIAL.replace("h: serial", "h: seriel"), ":3:8: bench: unknown word 'seriel'"),
    "key": (
        SERIAL.replace("receiver:", "reciever:"),
        ":1:1: the key `receiver` is missing",
        ":5:1: reciever: unknown key",
    ),
    "unit": (SERIAL.replace("57600", "57600 Hz"), ":4:41: transmitter.baud: '57600 Hz'"),
    "no baud": (SERIAL.replace("57600", "0"), ":4:41: transmitter.baud: '0' is out of range"),
    "no port": (SERIAL.replace("port: /dev/ttyUSB0, ", ""), ":4:14: transmitter: the key `port` is missing"),
    "empty port": (SERIAL.replace("/dev/ttyUSB0", "''"), ":4:21: transmitter.port: no port stands here"),
    "mock in serial": (SERIAL + "mock: {}\n", ":6:7: mock: `bench: serial` does not use this"),
    "ports in mock": (
        SERIAL.replace("h: serial", "h: mock"),
        ":4:14: transmitter: a rig with `bench: mock` has no ports",
        ":5:11: receiver: a rig with `bench: mock` has no ports",
    ),
    "mock keys": (MOCK, ":4:3: mock.los: unknown key", ":5:13: mock.ack_loss: '5' has no unit"),
}


@pytest.mark.parametrize("case", BAD_RIGS)
def test_the_harness_places_every_problem_of_a_rig(case: str) -> None:
    text, *said = BAD_RIGS[case]
    found = problems(text)
    assert len(found) == len(said)
    for line, start in zip(found, said, strict=True):
        assert line.startswith("my-bench.yaml" + start)


@pytest.mark.parametrize("second", ["/dev/ttyUSB0", "/dev/../dev/ttyUSB0"])
def test_the_harness_refuses_one_port_for_both_devices_at_the_second(second: str) -> None:
    text = SERIAL.replace("socket://bench:4000", second)
    place = "my-bench.yaml:5:11: receiver.port: "
    said = f"'{second}' is the transmitter's port too; each device needs a port of its own"
    assert problems(text) == [place + said]


def test_the_harness_refuses_one_port_by_two_links(tmp_path: Path) -> None:
    for name in ("left", "right"):
        (tmp_path / name).symlink_to("/dev/ttyUSB0")
    text = (
        f"propsoff_rig: 1\nbench: serial\nreceiver: {tmp_path}/left\ntransmitter:\n  port: {tmp_path}/right\n"
    )
    (problem,) = problems(text)
    assert problem.startswith("my-bench.yaml:5:9: transmitter.port: ")
    assert "is the receiver's port too" in problem


WITNESSED = SERIAL + "witness: {port: COM5, baud: 230400}\n"


def test_the_harness_reads_a_third_port_for_a_witness() -> None:
    rig = parse_rig(WITNESSED, "my-bench.yaml")
    assert tuple(rig.ports) == tuple(Role)
    assert rig.ports[Role.WITNESS] == PortSpec("COM5", 230_400)
    assert parse_rig(serial_rig_text(rig.ports, "x"), "x").ports == rig.ports
    assert Role.WITNESS not in parse_rig(SERIAL, "x").ports


@pytest.mark.parametrize(
    ("port", "whose"), [("/dev/ttyUSB0", "transmitter"), ("socket://bench:4000", "receiver")]
)
def test_the_harness_refuses_one_port_for_a_device_and_the_witness(port: str, whose: str) -> None:
    (problem,) = problems(WITNESSED.replace("COM5", port))
    assert problem.startswith("my-bench.yaml:6:17: witness.port: ")
    assert f"is the {whose}'s port too" in problem


def test_the_harness_says_what_gives_a_mock_rig_a_witness() -> None:
    rig = parse_rig("propsoff_rig: 1\nbench: mock\nmock: {witness: true}\n", "x.yaml")
    assert tuple(rig.ports) == tuple(Role)
    (problem,) = problems("propsoff_rig: 1\nbench: mock\nwitness: COM5\n")
    assert "a rig with `bench: mock` has no ports" in problem
    assert "mock.witness" in problem


def test_the_harness_tells_all_problems_of_a_rig_at_once() -> None:
    text = SERIAL.replace("baud:", "bauds:").replace("socket://bench:4000", "/dev/ttyUSB0") + "mock: {}\n"
    assert len(problems(text)) == 3
