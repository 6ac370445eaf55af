"""The harness lists serial ports by names that last, and says of each what stands in the way of a run."""

from __future__ import annotations

from pathlib import Path

import pytest
from port_trees import DIALOUT, ROOTS, Listed, Machine

from harness.finding.access import RULES_FILE
from harness.finding.listing import Found, Kind, find_ports, trouble
from harness.finding.system import Owned, System

USB = "/dev/ttyUSB0"


@pytest.fixture
def machine(tmp_path: Path) -> Machine:
    return Machine(tmp_path)


def only(machine: Machine, *names: str) -> Found:
    (found,) = find_ports(machine.system, names)
    return found


def test_the_harness_names_an_adapter_by_identity(machine: Machine) -> None:
    machine.adapter(USB, "A1")
    name = machine.link("by-id", "usb-adapter_A1-if00-port0", USB)
    machine.link("by-path", "pci-0000:00:14.0-usb-0:1:1.0-port0", USB)
    found = only(machine)
    assert (found.name, found.device, found.may_change) == (name, USB, "")
    assert found.kind is Kind.ADAPTER
    assert found.adapter is not None
    assert found.adapter.words() == "USB serial adapter, 1234:abcd, serial number A1"


def test_the_harness_names_adapters_that_are_alike_by_their_sockets(machine: Machine) -> None:
    """The identity of two adapters without serial numbers is one link, which leads to either of them."""
    for number in (0, 1):
        machine.adapter(f"/dev/ttyUSB{number}", None)
        machine.link("by-path", f"usb-{number}", f"/dev/ttyUSB{number}")
    machine.link("by-id", "usb-adapter-if00-port0", "/dev/ttyUSB1")
    first, second = find_ports(machine.system)
    assert (first.name, second.name) == ("/dev/serial/by-path/usb-0", "/dev/serial/by-path/usb-1")
    assert "of the USB socket" in second.may_change
    assert "alike and have no serial number" in second.may_change


def test_the_harness_keeps_the_identity_of_one_adapter_without_a_serial_number(machine: Machine) -> None:
    machine.adapter("/dev/ttyUSB0", None)
    machine.adapter("/dev/ttyUSB1", None, ids=(0x1234, 0xABCE))
    name = machine.link("by-id", "usb-adapter-if00-port0", "/dev/ttyUSB0")
    found = find_ports(machine.system)[0]
    assert found.name == name
    assert "a second adapter of its kind" in found.may_change


def test_the_harness_says_why_a_device_name_may_change(machine: Machine) -> None:
    machine.adapter(USB)
    found = only(machine)
    assert found.name == USB
    assert "in the order of plugging in" in found.may_change


@pytest.mark.parametrize(
    ("device", "serial", "why"),
    [
        ("COM5", None, "Windows may give another COM number in another USB socket"),
        ("COM5", "A1", ""),
        ("/dev/cu.usbserial-110", None, "macOS names it by its USB socket"),
        ("/dev/cu.usbserial-A1", "A1", ""),
    ],
)
def test_the_harness_knows_the_names_of_other_systems(
    machine: Machine, device: str, serial: str | None, why: str
) -> None:
    machine.ports.append(Listed(device, "USB serial adapter", 0x1234, 0xABCD, serial))
    assert only(machine).may_change == why


def test_the_harness_finds_a_windows_port_by_its_name_in_any_case(machine: Machine) -> None:
    machine.ports.append(Listed("COM5", "USB serial adapter (COM5)", 0x1234, 0xABCD, "A1"))
    assert only(machine, "com5").name == "COM5"
    assert only(machine, "COM6").kind is Kind.MISSING


def test_the_harness_gives_a_device_its_lasting_name(machine: Machine) -> None:
    machine.adapter(USB)
    name = machine.link("by-id", "usb-adapter_A1-if00-port0", USB)
    assert only(machine, USB).name == name
    assert only(machine, name).name == name
    assert only(machine, "/dev/ttyUSB7") == Found("/dev/ttyUSB7", "/dev/ttyUSB7", Kind.MISSING)


def test_the_harness_keeps_a_name_that_somebody_made(machine: Machine) -> None:
    machine.adapter(USB)
    machine.link("by-id", "usb-adapter_A1-if00-port0", USB)
    (machine.root / "dev/receiver").symlink_to("ttyUSB0")
    found = only(machine, "/dev/receiver")
    assert (found.name, found.device) == ("/dev/receiver", USB)
    assert "a link that somebody made" in found.may_change


@pytest.mark.parametrize("name", ["/dev/null", "/etc/hostname", "/"])
def test_the_harness_says_what_is_no_serial_port(name: str) -> None:
    (found,) = find_ports(System(), [name])
    assert found.kind is Kind.NO_PORT
    assert trouble(found).startswith("this is not a serial port; name the device itself")


def test_the_harness_takes_a_port_that_is_named_twice_once(machine: Machine) -> None:
    machine.adapter(USB)
    machine.adapter("/dev/ttyUSB1", "A2")
    name = machine.link("by-id", "usb-adapter_A1-if00-port0", USB)
    found = find_ports(machine.system, ["/dev/ttyUSB1", USB, name])
    assert [port.device for port in found] == ["/dev/ttyUSB1", USB]


def test_the_harness_takes_a_network_port_as_it_is(machine: Machine) -> None:
    found = only(machine, "rfc2217://bench-host:4000")
    assert (found.name, found.kind) == ("rfc2217://bench-host:4000", Kind.NETWORK)


def test_the_harness_tells_lines_without_hardware_from_lines_with(machine: Machine) -> None:
    """Linux: /sys/class/tty/ttyS*/type is 0 where no UART was found, 4 for a 16550A (serial_core.h)."""
    machine.line("/dev/ttyS0", "4")
    machine.line("/dev/ttyS1", "0")
    machine.adapter("/dev/ttyUSB10")
    machine.adapter("/dev/ttyUSB9", "A2")
    found = find_ports(machine.system)
    assert [port.device for port in found] == ["/dev/ttyUSB9", "/dev/ttyUSB10", "/dev/ttyS0", "/dev/ttyS1"]
    assert [port.kind for port in found[2:]] == [Kind.BUILT_IN, Kind.EMPTY]


def test_the_harness_says_who_holds_a_port(machine: Machine) -> None:
    machine.adapter(USB)
    machine.holder(4711, "serial monitor", USB)
    machine.holder(4712, "editor", "/dev/ttyUSB1")
    assert only(machine).held_by == ("serial monitor (process 4711)",)


def test_the_harness_escapes_what_an_adapter_says_of_itself(machine: Machine) -> None:
    machine.file(USB)
    machine.ports.append(Listed(USB, "\x1b[31m<b>" + "x" * 70_000, 1, 2, "..\n/\x07" * 1000))
    adapter = only(machine).adapter
    assert adapter is not None
    assert adapter.words().isprintable()
    assert len(adapter.words()) < 250
    assert adapter.description.startswith(r"\x1b[31m<b>")


# -- rights -------------------------------------------------------------------------------------------


def test_the_harness_says_which_group_to_join(machine: Machine) -> None:
    machine.adapter(USB)
    assert only(machine).access.allowed
    machine.closed[USB] = DIALOUT
    assert only(machine).access.mend == (
        "it belongs to the group dialout: join it, then log out and in again\n"
        "    sudo usermod -aG dialout $USER"
    )


def test_the_harness_knows_a_group_that_was_joined_but_not_logged_into(machine: Machine) -> None:
    machine.adapter(USB)
    machine.closed[USB] = Owned("dialout", group_may=True, is_roots=False, member=True)
    assert "in the group dialout already, but not in this login" in only(machine).access.mend


def test_the_harness_writes_the_udev_rule_where_no_group_helps(machine: Machine) -> None:
    machine.adapter(USB)
    machine.closed[USB] = ROOTS
    mend = only(machine).access.mend
    assert f"add this line to {RULES_FILE}\n" in mend
    assert (
        '    SUBSYSTEM=="tty", ATTRS{idVendor}=="1234", ATTRS{idProduct}=="abcd", '
        'MODE="0660", TAG+="uaccess"\n'
    ) in mend
    assert "    sudo udevadm control --reload && sudo udevadm trigger" in mend


def test_the_harness_names_no_group_that_has_no_right_itself(machine: Machine) -> None:
    machine.line("/dev/ttyS0", "4")
    machine.closed["/dev/ttyS0"] = Owned("tty", group_may=False, is_roots=False)
    mend = only(machine).access.mend
    assert "usermod" not in mend
    assert mend.endswith("    sudo chmod a+rw /dev/ttyS0")


# -- latency timers -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "read_only", "words"),
    [
        ("1\n", True, "1 ms"),
        ("16\n", False, "16 ms; lowered to 1 ms when a run opens the port"),
        ("16\n", True, "16 ms, and you may not lower it: bytes arrive up to 16 ms late"),
    ],
)
def test_the_harness_reads_an_adapters_latency_timer(
    machine: Machine, text: str, read_only: bool, words: str
) -> None:
    machine.adapter(USB)
    machine.timer(USB, text, read_only=read_only)
    latency = only(machine).latency
    assert latency is not None
    assert latency.words() == words
    assert ("sudo tee /sys/class/tty/ttyUSB0/device/latency_timer" in latency.mend) is ("not lower" in words)


@pytest.mark.parametrize("text", ["", "soon\n", "9" * 400, "\u0661"])
def test_the_harness_takes_nothing_else_for_a_latency_timer(machine: Machine, text: str) -> None:
    machine.adapter(USB)
    machine.timer(USB, text)
    assert only(machine).latency is None


def test_the_harness_lists_this_machines_own_ports() -> None:
    for port in find_ports(System()):
        assert port.name
        assert port.kind is not Kind.MISSING
