"""The harness tells of ports in blocks for people and in JSON for scripts, and both are safe to show."""

from __future__ import annotations

import json
from pathlib import Path

from port_trees import DIALOUT, Machine

from harness.codec import messages as m
from harness.finding.answers import Answer, Outcome, identified, not_identified
from harness.finding.listing import find_ports
from harness.finding.telling import WIDTH, ports_document, ports_text, to_json

USB = "/dev/ttyUSB0"
HOSTILE = m.Identity(1, 2, 6, 50_000, 3, "\x1b[31m<i>", "[b]", "../x\n")


def test_the_harness_tells_everything_of_an_adapter(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    machine.adapter(USB)
    name = machine.link("by-id", "usb-adapter_A1-if00-port0", USB)
    machine.timer(USB, "16\n", read_only=True)
    machine.closed[USB] = DIALOUT
    machine.holder(7, "monitor", USB)
    assert ports_text(find_ports(machine.system)) == (
        f"{name}\n"
        "  device      /dev/ttyUSB0\n"
        "  adapter     USB serial adapter, 1234:abcd, serial number A1\n"
        "  latency     16 ms, and you may not lower it: bytes arrive up to 16 ms late\n"
        "              -> lower it until the adapter is unplugged:\n"
        "                  echo 1 | sudo tee /sys/class/tty/ttyUSB0/device/latency_timer\n"
        "              -> or for ever, with this line in /etc/udev/rules.d/70-serial-bench.rules\n"
        '                  ACTION=="add", SUBSYSTEM=="usb-serial", ATTR{latency_timer}=="?*", '
        'ATTR{latency_timer}="1"\n'
        "              -> and let it take effect, then plug the adapter in again\n"
        "                  sudo udevadm control --reload && sudo udevadm trigger\n"
        "  permission  you may not open it\n"
        "              -> it belongs to the group dialout: join it, then log out and in again\n"
        "                  sudo usermod -aG dialout $USER\n"
        "  in use      by monitor (process 7)\n"
        "\n"
        "Which device is behind which port: propsoff ports --ask\n"
        "A rig file from what answers: propsoff rig\n"
    )


def test_the_harness_folds_lines_without_hardware_into_one(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    for number in range(12):
        machine.line(f"/dev/ttyS{number}", "0" if number else "4")
    text = ports_text(find_ports(machine.system))
    assert text.startswith("/dev/ttyS0\n  adapter     none: a line of the computer itself\n")
    assert "\n\n11 built-in lines without hardware: /dev/ttyS1 to /dev/ttyS11\n\n" in text
    assert "\n/dev/ttyS1\n" not in text
    assert "\n/dev/ttyS5\n" not in text
    assert ports_text(find_ports(machine.system, ["/dev/ttyS5"])).startswith("No serial port is here.")


def test_the_harness_says_what_to_look_at_where_there_is_no_port(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    text = ports_text(find_ports(machine.system))
    assert text.startswith("No serial port is here. Look at this:\n")
    assert "does its cable carry data" in text
    assert "built-in" not in text


def test_the_harness_tells_a_devices_answer(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    machine.adapter(USB)
    found = find_ports(machine.system)
    text = ports_text(found, {found[0].name: identified(HOSTILE, 57_600, (115_200, 57_600))})
    assert r"  answer      receiver: \x1b[31m<i> [b], serial ../x\n" in text
    assert "              6 channels, 50 Hz, bench protocol 1, at 57600 baud\n" in text
    assert "  can         takes stick positions, sends bursts\n" in text
    assert all(line.isprintable() and len(line) <= WIDTH for line in text.splitlines())


def test_the_harness_says_how_a_rig_file_is_made_of_what_answered(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    for number in (0, 1):
        machine.adapter(f"/dev/ttyUSB{number}", f"A{number}")
        machine.link("by-id", f"usb b{number}", f"/dev/ttyUSB{number}")
    found = find_ports(machine.system)
    sides = [m.Identity(1, role, 6, 50_000, 3, "fw", "1", "") for role in (2, 1)]
    answers = {port.name: identified(side, 9_600, (9_600,)) for port, side in zip(found, sides, strict=True)}
    text = ports_text(found, answers)
    assert text.endswith(
        "\nA rig file from these: "
        "propsoff rig my-bench.yaml '/dev/serial/by-id/usb b1' '/dev/serial/by-id/usb b0'\n"
    )
    del answers[found[0].name]
    assert "A rig file" not in ports_text(found, answers)


def test_the_harness_tells_how_to_mend_what_was_found(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    machine.adapter(USB)
    found = find_ports(machine.system)
    text = ports_text(found, {found[0].name: not_identified({115_200: b""})})
    assert "  answer      no answer: nothing at all arrived, at 115200 baud\n              -> is the" in text


def test_the_harness_tells_the_rule_for_a_right_once(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    machine.adapter(USB)
    machine.closed[USB] = DIALOUT
    found = find_ports(machine.system)
    answer = Answer(Outcome.NO_PERMISSION, "not asked: no permission to open it", found[0].access.mend)
    assert ports_text(found, {found[0].name: answer}).count("usermod") == 1


def test_the_harness_gives_the_same_as_json(tmp_path: Path) -> None:
    machine = Machine(tmp_path)
    machine.adapter(USB)
    machine.timer(USB, "16")
    machine.line("/dev/ttyS3", "0")
    found = find_ports(machine.system)
    answers = {found[0].name: identified(HOSTILE, 57_600, (115_200, 57_600))}
    text = to_json(ports_document(found, answers))
    assert text.isascii()
    assert "\x1b" not in text
    adapter, line = json.loads(text)
    assert adapter["name"] == USB
    assert adapter["adapter"]["usb_id"] == "1234:abcd"
    assert adapter["latency_timer_ms"] == 16
    assert adapter["latency_timer_can_be_lowered"] is True
    assert adapter["answer"]["role"] == "receiver"
    assert adapter["answer"]["baud"] == 57_600
    assert adapter["answer"]["firmware"] == r"\x1b[31m<i>"
    assert line["kind"] == "no hardware"
    assert "answer" not in line
