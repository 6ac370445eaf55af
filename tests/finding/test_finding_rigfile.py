"""The harness writes a rig file that can be read, says what each key is, and never loses another file."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from harness.bench.ports import PortSpec
from harness.bench.protocol import Role
from harness.bench.rig import parse_rig
from harness.codec import messages as m
from harness.errors import BenchError, StorageError, UserError
from harness.finding.answers import Answer, identified, not_identified
from harness.finding.listing import Found, Kind
from harness.finding.rigfile import placed, rig_text, write_rig


def port(name: str, may_change: str = "") -> Found:
    return Found(name, "/dev/ttyUSB0", Kind.ADAPTER, may_change)


def answer(role: m.WireRole, baud: int = 115_200, name: str = "fw") -> Answer:
    return identified(m.Identity(1, role, 6, 50_000, 0, name, "1", "7"), baud, (baud,))


BOTH = [answer(m.WireRole.RECEIVER, 57_600), answer(m.WireRole.TRANSMITTER)]
PORTS = [port("/dev/serial/by-id/usb-adapter_A1"), port("COM5", "it moves")]


def test_the_harness_writes_a_rig_that_it_can_read() -> None:
    text = rig_text(placed(PORTS, BOTH))
    rig = parse_rig(text, "bench.yaml")
    assert rig.kind == "serial"
    assert rig.ports == {
        Role.TRANSMITTER: PortSpec("COM5", 115_200),
        Role.RECEIVER: PortSpec("/dev/serial/by-id/usb-adapter_A1", 57_600),
    }
    assert "# this name stays with the adapter (now /dev/ttyUSB0)\nreceiver:" in text
    assert "# this name may change: it moves\ntransmitter:" in text
    assert "# fw 1, serial 7: 6 channels, 50 Hz, bench protocol 1\n" in text
    assert "# witness: {port: PORT, baud: 115200}" in text


def test_the_harness_writes_a_witness_that_answered() -> None:
    places = placed([*PORTS, port("socket://pi:4000")], [*BOTH, answer(m.WireRole.WITNESS)])
    text = rig_text(places)
    assert parse_rig(text, "bench.yaml").ports[Role.WITNESS] == PortSpec("socket://pi:4000", 115_200)
    assert "# witness:" not in text
    assert "# a port over the network: its times are less certain\nwitness:" in text


def test_the_harness_lets_no_device_write_into_the_rig_file() -> None:
    hostile = identified(m.Identity(1, 1, 6, 0, 0, "x\nbench: mock", "\r\n#", "\u2028"), 9_600, (9_600,))
    text = rig_text(placed([port('/dev/a"b: {', "may\nchange"), PORTS[1]], [hostile, BOTH[0]]))
    rig = parse_rig(text, "bench.yaml")
    assert rig.ports[Role.TRANSMITTER].url == '/dev/a"b: {'
    assert r"# this name may change: may\nchange" in text
    assert r"# x\nbench: mock \r\n#, serial \u2028: 6 channels, bench protocol 1" in text


def test_the_harness_writes_nothing_unless_both_devices_answered() -> None:
    with pytest.raises(BenchError) as caught:
        placed(PORTS, [BOTH[0], not_identified({115_200: b""})])
    said = str(caught.value)
    assert said.startswith("no transmitter answered, so no rig file is written\n")
    assert "COM5: no answer: nothing at all arrived" in said
    with pytest.raises(BenchError, match="no transmitter and no receiver answered"):
        placed([], [])


def test_the_harness_does_not_choose_between_two_transmitters() -> None:
    three = [*PORTS, port("COM6")]
    with pytest.raises(BenchError, match="2 ports answer as transmitter: COM5 and COM6; unplug one, or name"):
        placed(three, [*BOTH, answer(m.WireRole.TRANSMITTER)])


def test_the_harness_does_not_place_a_device_that_is_too_new() -> None:
    new = identified(m.Identity(2, 1, 6, 0, 0, "fw", "2", ""), 115_200, (115_200,))
    with pytest.raises(BenchError, match="it speaks bench protocol 2"):
        placed(PORTS, [BOTH[0], new])


def test_the_harness_overwrites_a_file_only_if_told(tmp_path: Path) -> None:
    file = tmp_path / "bench.yaml"
    file.write_text("mine")
    with pytest.raises(UserError, match="is there already and stays as it is") as caught:
        write_rig(file, "new", overwrite=False)
    assert f"propsoff rig --check {file}" in str(caught.value)
    assert file.read_text() == "mine"
    write_rig(file, "new", overwrite=True)
    assert file.read_text() == "new"
    assert os.listdir(tmp_path) == ["bench.yaml"]


def test_the_harness_leaves_nothing_half_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    file = tmp_path / "bench.yaml"
    file.write_text("mine")
    with pytest.raises(StorageError, match=r"cannot be written: No space left on device"):
        write_rig(file, "new", overwrite=True)
    assert file.read_text() == "mine"
    assert os.listdir(tmp_path) == ["bench.yaml"]


def test_the_harness_says_that_a_rig_file_has_no_place(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="is a folder"):
        write_rig(tmp_path, "new", overwrite=True)
    with pytest.raises(StorageError, match="cannot be written"):
        write_rig(tmp_path / "nowhere" / "bench.yaml", "new", overwrite=False)
