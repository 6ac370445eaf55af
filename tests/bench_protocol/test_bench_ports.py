"""A port that does not open is told in one line: what was found, and how to mend it."""

from __future__ import annotations

import errno
import os
from contextlib import closing
from pathlib import Path
from types import SimpleNamespace

import pytest
import serial
from far_ends import pty_pair
from serial.tools import list_ports

from harness.bench import Role, adapter, ports
from harness.bench.serial import PortSpec, SerialBench
from harness.errors import BenchError, ExitCode


def refusal(url: str, baud: int = 115_200) -> str:
    """Return what is said when `url` is opened as the transmitter's port."""
    with pytest.raises(BenchError) as caught:
        SerialBench({Role.TRANSMITTER: PortSpec(url, baud)})
    assert caught.value.role == "transmitter"
    assert caught.value.port == url
    assert caught.value.exit_code is ExitCode.BENCH_ERROR
    assert "\n" not in str(caught.value)
    return str(caught.value).removeprefix(f"transmitter port {url}: ")


@pytest.fixture
def present(monkeypatch: pytest.MonkeyPatch) -> None:
    found = [SimpleNamespace(device=name) for name in ("/dev/ttyUSB1", "/dev/ttyACM0")]
    monkeypatch.setattr(list_ports, "comports", lambda: found)


def opening_fails(monkeypatch: pytest.MonkeyPatch, error: Exception) -> None:
    """Let pyserial fail as it does on other systems and without rights."""

    def refuse(*_: object, **__: object) -> None:
        raise error

    monkeypatch.setattr(serial, "serial_for_url", refuse)


@pytest.mark.usefixtures("present")
def test_the_harness_lists_the_ports_there_are_and_the_nearest() -> None:
    said = refusal("/dev/ttyUSB0")
    assert said.startswith("there is no such port; present: ")
    assert "/dev/ttyACM0, /dev/ttyUSB1" in said
    assert said.endswith("did you mean /dev/ttyUSB1?")


def test_the_harness_says_that_there_is_no_port_at_all(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ports, "present_ports", list)
    assert refusal("/dev/ttyUSB0") == (
        "there is no such port; present: no serial port at all; is the device plugged in and powered?"
    )


def test_the_harness_bounds_the_list_of_ports(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ports, "present_ports", lambda: [f"/dev/ttyS{number}" for number in range(10, 42)])
    assert "/dev/ttyS17 (built in) and 24 more" in refusal("/dev/nowhere")


def test_the_harness_lists_adapters_before_lines_of_the_computer(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        ports, "present_ports", lambda: [*(f"/dev/ttyS{number}" for number in range(32)), "/dev/ttyUSB3"]
    )
    assert "present: /dev/ttyUSB3, /dev/ttyS0 (built in)" in refusal("/dev/nowhere")


def test_the_harness_offers_no_line_of_the_computer_for_an_adapter(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ports, "present_ports", lambda: ["/dev/ttyS0"])
    assert refusal("/dev/ttyUSB0") == (
        "there is no such port; present: /dev/ttyS0 (built in); is the device plugged in and powered?"
    )
    assert refusal("/dev/ttyS9").endswith("did you mean /dev/ttyS0?")


@pytest.mark.usefixtures("present")
def test_the_harness_offers_no_port_that_has_a_place_in_the_rig() -> None:
    rig = {Role.TRANSMITTER: PortSpec("/dev/ttyUSB1"), Role.RECEIVER: PortSpec("/dev/ttyUSB7")}
    missing = FileNotFoundError(errno.ENOENT, "No such file or directory")
    said = ports.explain_failure(missing, rig[Role.RECEIVER], rig)
    assert "/dev/ttyUSB1 (the transmitter's)" in said
    assert "/dev/ttyACM0, " in said
    assert said.endswith("is the device plugged in and powered?")


def test_the_harness_looks_beside_a_name_that_a_program_makes(tmp_path: Path) -> None:
    assert "does the program run that makes it, such as `propsoff mock`?" in refusal(
        str(tmp_path / "x" / "y")
    )
    (tmp_path / "rig.yaml").touch()
    assert "such as `propsoff mock`?" in refusal(str(tmp_path / "transmitter"))
    (tmp_path / "receiver").touch()
    assert refusal(str(tmp_path / "reciever")) == (
        f"there is no such port; did you mean {tmp_path / 'receiver'}?"
    )


def test_the_harness_says_that_nothing_is_behind_a_name(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    device = tmp_path / "ttyUSB0"
    device.touch()
    opening_fails(monkeypatch, serial.SerialException(errno.ENXIO, "No such device or address"))
    assert refusal(str(device)).startswith("nothing answers behind this name; ")


def test_the_harness_understands_how_windows_says_that_a_port_is_missing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(ports, "present_ports", lambda: ["COM4"])
    said = "could not open port 'COM5': FileNotFoundError(2, 'The system cannot find the file specified.')"
    opening_fails(monkeypatch, serial.SerialException(said))
    assert "present: COM4; did you mean COM4?" in refusal("COM5")


def test_the_harness_names_the_group_that_may_open_a_port(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    device = tmp_path / "ttyUSB0"
    device.touch()
    opening_fails(monkeypatch, serial.SerialException(errno.EACCES, "could not open port: Permission denied"))
    monkeypatch.setattr(ports.os, "stat", lambda _: SimpleNamespace(st_gid=20, st_mode=0o020660))
    monkeypatch.setattr(ports, "group_name", lambda gid: {20: "dialout"}[gid])
    said = refusal(str(device))
    assert "it belongs to the group dialout" in said
    assert "`sudo usermod -aG dialout $USER`, then log out and in again" in said


def test_the_harness_does_not_send_anyone_into_the_group_root(monkeypatch: pytest.MonkeyPatch) -> None:
    opening_fails(monkeypatch, serial.SerialException(errno.EACCES, "Permission denied"))
    monkeypatch.setattr(ports.os, "stat", lambda _: SimpleNamespace(st_gid=0, st_mode=0o020660))
    said = refusal("/dev/ttyX")
    assert "usermod" not in said
    assert "udev rule" in said


def test_the_harness_names_a_group_by_number_where_it_has_no_name() -> None:
    assert ports.group_name(987_654) == "987654"


def test_the_harness_says_who_has_a_busy_port() -> None:
    with pty_pair() as (_, near), closing(SerialBench({Role.RECEIVER: PortSpec(near)})):
        said = refusal(near)
    assert said.startswith("it is in use by ")
    assert f"(process {os.getpid()})" in said
    assert said.endswith("close that first")


def test_the_harness_says_busy_where_nobody_can_be_named(monkeypatch: pytest.MonkeyPatch) -> None:
    opening_fails(monkeypatch, serial.SerialException(errno.EBUSY, "Device or resource busy"))
    monkeypatch.setattr(ports, "holders", lambda _: [])
    assert "by another program, such as a serial monitor" in refusal("/dev/ttyX")


def test_the_harness_names_programs_printably(tmp_path: Path) -> None:
    for number, name in (("17", "mon\x1b[31mitor\n"), ("18", "other")):
        (tmp_path / number / "fd").mkdir(parents=True)
        (tmp_path / number / "comm").write_text(name)
    (tmp_path / "17" / "fd" / "3").symlink_to("/dev/ttyX")
    (tmp_path / "18" / "fd" / "3").symlink_to("/dev/ttyY")
    (tmp_path / "19").mkdir()
    assert ports.holders("/dev/ttyX", proc=tmp_path) == ["mon?[31mitor (process 17)"]


@pytest.mark.parametrize("url", [os.devnull, "/", __file__])
def test_the_harness_says_that_something_is_no_serial_port(url: str) -> None:
    assert refusal(url).startswith("this is not a serial port; name the device itself")


@pytest.mark.parametrize(
    ("url", "said"),
    [
        (
            "nonsense://x",
            "there is no kind of port called nonsense://; use a device name, socket:// or rfc2217://",
        ),
        ("socket://", "this is not a whole port URL; expected socket://HOST:PORT"),
        ("socket://bench", "this is not a whole port URL; expected socket://HOST:PORT"),
        ("socket://bench:x", "this is not a whole port URL; expected socket://HOST:PORT"),
        ("socket://127.0.0.1:99999", "this is not a whole port URL; expected socket://HOST:PORT"),
        ("rfc2217://", "this is not a whole port URL; expected rfc2217://HOST:PORT"),
        ("loop://?nonsense=1", "could not be opened"),
        ("hwgrep://no such adapter", "could not be opened: no ports found matching regexp"),
    ],
)
def test_the_harness_says_what_is_wrong_with_a_url(url: str, said: str) -> None:
    assert refusal(url).startswith(said)


def test_the_harness_asks_whether_the_server_runs() -> None:
    said = refusal("socket://127.0.0.1:1")  # nothing listens on port 1
    assert "refused" in said
    assert said.endswith("is the server at the other end running?")


def test_the_harness_tells_a_baud_rate_that_the_adapter_refuses(monkeypatch: pytest.MonkeyPatch) -> None:
    with pty_pair() as (_, near):
        opening_fails(
            monkeypatch, ValueError("Failed to set custom baud rate (7): [Errno 22] Invalid argument")
        )
        assert refusal(near, 7).startswith("could not be opened at 7 baud: Failed to set custom baud rate")


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("COM5", "com5"),
        ("COM5", "\\\\.\\COM5"),
        ("socket://Bench:4000", "socket://bench:4000/"),
        ("/dev/ttyS0", "/dev/../dev/ttyS0"),
    ],
)
def test_the_harness_knows_a_port_by_another_spelling(one: str, other: str) -> None:
    assert ports.same_port_key(one) == ports.same_port_key(other)


def test_the_harness_knows_a_port_behind_a_link(tmp_path: Path) -> None:
    (tmp_path / "by-id").symlink_to("/dev/ttyS0")
    assert ports.same_port_key(str(tmp_path / "by-id")) == ports.same_port_key("/dev/ttyS0")
    assert ports.same_port_key("/dev/ttyS1") != ports.same_port_key("/dev/ttyS0")


def timer(tmp_path: Path, text: str) -> Path:
    """Return a file as USB serial drivers offer it for /dev/ttyUSB7."""
    file = tmp_path / "ttyUSB7" / "device" / "latency_timer"
    file.parent.mkdir(parents=True)
    file.write_text(text)
    return file


def test_the_harness_lowers_a_latency_timer_and_says_what_it_was(tmp_path: Path) -> None:
    file = timer(tmp_path, "16\n")
    assert adapter.lower_latency_timer("/dev/ttyUSB7", tmp_path) == "1 ms, was 16 ms"
    assert file.read_text() == "1\n"
    assert adapter.lower_latency_timer("/dev/ttyUSB7", tmp_path) == "1 ms"


def test_the_harness_finds_the_latency_timer_of_a_port_named_by_a_link(tmp_path: Path) -> None:
    timer(tmp_path, "16\n")
    link = tmp_path / "usb-adapter-if00"
    link.symlink_to("/dev/ttyUSB7")
    assert adapter.lower_latency_timer(str(link), tmp_path) == "1 ms, was 16 ms"


def test_the_harness_says_that_a_latency_timer_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    timer(tmp_path, "16\n")

    def refuse(*_: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "write_text", refuse)
    said = adapter.lower_latency_timer("/dev/ttyUSB7", tmp_path)
    assert said.startswith("16 ms, could not be lowered (errno 13")


@pytest.mark.parametrize("text", ["", "soon\n"])
def test_the_harness_is_silent_about_a_latency_timer_that_says_nothing(tmp_path: Path, text: str) -> None:
    timer(tmp_path, text)
    assert adapter.lower_latency_timer("/dev/ttyUSB7", tmp_path) == ""
    assert adapter.lower_latency_timer("/dev/ttyUSB8", tmp_path) == ""


def test_the_harness_records_the_adapter_with_its_text_escaped(monkeypatch: pytest.MonkeyPatch) -> None:
    with pty_pair() as (_, near):
        port = SimpleNamespace(device=near, description="UART\x1b]0;\x07 adapter", hwid="USB VID:PID=1:2")
        monkeypatch.setattr(list_ports, "comports", lambda: [port])
        with closing(SerialBench({Role.RECEIVER: PortSpec(near)})) as bench:
            assert bench.facts["receiver adapter"] == "UART\\x1b]0;\\x07 adapter [USB VID:PID=1:2]"


def test_the_harness_records_low_latency_and_the_timer(monkeypatch: pytest.MonkeyPatch) -> None:
    port = SimpleNamespace(set_low_latency_mode=lambda _: None, cts=True)
    monkeypatch.setattr(adapter, "lower_latency_timer", lambda _: "1 ms, was 16 ms")
    facts = adapter.prepare(port, PortSpec("/dev/ttyUSB7"))  # type: ignore[arg-type]
    assert facts["low latency"] == "on"
    assert facts["latency timer"] == "1 ms, was 16 ms"
    assert facts["control lines"] == "dtr and rts raised at opening"


def test_the_harness_records_who_else_has_the_port_open(monkeypatch: pytest.MonkeyPatch) -> None:
    found = [f"python (process {os.getpid()})", "monitor (process 4321)"]
    monkeypatch.setattr(adapter, "holders", lambda _: found)
    with pty_pair() as (_, near), closing(SerialBench({Role.RECEIVER: PortSpec(near)})) as bench:
        assert bench.facts["receiver also open in"] == "monitor (process 4321)"


def test_the_harness_records_the_device_behind_a_link(tmp_path: Path) -> None:
    with pty_pair() as (_, near):
        link = tmp_path / "receiver"
        link.symlink_to(near)
        with closing(SerialBench({Role.RECEIVER: PortSpec(str(link))})) as bench:
            assert bench.facts["receiver port"] == str(link)
            assert bench.facts["receiver device"] == near
