"""The harness reads from a rig what can be switched, or says what is wrong with it."""

from __future__ import annotations

import pytest

from harness.bench.ports import PortSpec
from harness.bench.protocol import Role
from harness.bench.rig import parse_rig
from harness.bench.switching import HeldLine, TextDevice, told_of, unescaped
from harness.clock import MS, S
from harness.errors import RigError

TX, RX = Role.TRANSMITTER, Role.RECEIVER
PORTS = """\
propsoff_rig: 1
bench: serial
transmitter: {port: /dev/ttyUSB0}
"""
PLAIN = f"{PORTS}receiver: {{port: /dev/ttyUSB1}}\n"
SUPPLY = "switch: {port: /dev/ttyUSB3, acts_on: receiver power, cut: 'OUTP OFF\\n', restore: 'OUTP ON\\n'"


def lined(keys):
    return f"{PORTS}receiver: {{port: /dev/ttyUSB1, line: {{{keys}}}}}\n"


def problems(text):
    with pytest.raises(RigError) as caught:
        parse_rig(text, "my-bench.yaml")
    return str(caught.value).splitlines()


def test_a_rig_without_switches_has_none():
    rig = parse_rig(PLAIN, "x.yaml")
    assert rig.switching is None
    assert rig.ports[RX] == PortSpec("/dev/ttyUSB1")


@pytest.mark.parametrize(("word", "cuts"), [("", True), (", cuts_when: released", False)])
def test_a_control_line_feeds_before_its_port_is_open(word, cuts):
    rig = parse_rig(lined(f"name: rts, acts_on: transmitter power{word}"), "x.yaml")
    assert rig.switching.switches == {"transmitter power": HeldLine(RX, "rts", cuts, 20 * MS)}
    assert rig.ports[RX].held == ("rts", not cuts)
    assert rig.ports[TX].held is None
    assert (rig.switching.means, rig.switching.boots_ns) == ({"transmitter power": "line"}, 3 * S)


def test_an_adapter_of_its_own_has_a_line():
    text = f"{PLAIN}relay: {{port: COM7, line: {{name: dtr, acts_on: antenna}}}}\n"
    switching = parse_rig(text, "x.yaml").switching
    assert switching.switches == {"antenna": HeldLine(None, "dtr", True, 20 * MS, "COM7")}
    assert told_of(switching) == {
        "antenna is switched": "off while DTR of the relay's port COM7 is asserted, within 20 ms"
    }


def test_a_second_device_has_its_texts():
    more = 'baud: 19200, ask: "*OPC?\\n", answer: "1", errors: "SYST:ERR?\\r\\n", within: 500 ms}'
    text = f"{PLAIN}{SUPPLY}, {more}"
    device = parse_rig(text, "x.yaml").switching.switches["receiver power"]
    assert device == TextDevice(
        "/dev/ttyUSB3", 19_200, b"OUTP OFF\n", b"OUTP ON\n", b"*OPC?\n", b"1", b"SYST:ERR?\r\n", 500 * MS, 0
    )
    assert (device.command(on=False), device.command(on=True)) == (b"OUTP OFF\n", b"OUTP ON\n")


def test_a_device_that_is_not_asked_says_how_long_it_takes():
    device = parse_rig(f"{PLAIN}{SUPPLY}, takes: 150 ms}}", "x.yaml").switching.switches["receiver power"]
    assert (device.ask, device.takes_ns) == (b"", 150 * MS)


def test_a_line_a_device_and_a_hand_switch_one_thing_each():
    text = (
        lined("name: dtr, acts_on: transmitter power, takes: 5 ms")
        + f"{SUPPLY}, takes: 1 s}}\nby_hand: antenna\n"
    )
    switching = parse_rig(f"{text}boots_within: 800 ms\n", "x.yaml").switching
    assert switching.means == {"transmitter power": "line", "receiver power": "device", "antenna": "hand"}
    assert switching.boots_ns == 800 * MS
    assert told_of(switching) == {
        "transmitter power is switched": "off while DTR of the receiver's port is asserted, within 5 ms",
        "receiver power is switched": "by a device on /dev/ttyUSB3, told by text, within 1000 ms",
        "antenna is switched": "by hand, when asked to",
    }


WRONG = [
    (lined("name: cts, acts_on: antenna"),
     "my-bench.yaml:4:45: receiver.line.name: unknown word 'cts'; write one of dtr, rts; did you mean rts?"),
    (lined("name: rts, acts_on: power"),
     "my-bench.yaml:4:59: receiver.line.acts_on: unknown word 'power'; write one of transmitter power, "
     "receiver power, antenna"),
    (PLAIN + SUPPLY + "}",
     "my-bench.yaml:5:9: switch: the key `takes` is missing; without `ask` only `takes` says when it has "
     "happened; write `takes: 100 ms`, or what is true"),
    (PLAIN + SUPPLY + ", ask: 'A\\q', takes: 1 s}",
     "my-bench.yaml:5:101: switch.ask: a backslash before 'q'; write \\n, \\r, \\t, \\\\ or \\xHH with two "
     "hexadecimal digits"),
    (PLAIN + SUPPLY.replace("OUTP ON\\n", "€") + ", takes: 1 s}",
     "my-bench.yaml:5:83: switch.restore: '€' is no single byte; write \\n, \\r, \\t, \\\\ or \\xHH with two "
     "hexadecimal digits"),
    (PLAIN + SUPPLY + ", takes: 1 s}\nby_hand: receiver power",
     "my-bench.yaml:6:10: by_hand: something else on this rig switches the receiver power already; leave one "
     "of the two out"),
    (PLAIN + SUPPLY.replace("ttyUSB3", "ttyUSB1") + ", takes: 1 s}",
     "my-bench.yaml:5:16: switch.port: '/dev/ttyUSB1' is the receiver's port too; each device needs a port "
     "of its own"),
    ("propsoff_rig: 1\nbench: mock\nby_hand: antenna\n",
     "my-bench.yaml:3:10: by_hand: `bench: mock` does not use this; take this out; the mock has relays of "
     "its own (`switches`)"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "message"), WRONG, ids=[message[:60] for _, message in WRONG])
def test_says_what_is_wrong_with_a_switch(text, message):
    assert problems(text) == [message]


@pytest.mark.parametrize(
    ("text", "data"),
    [
        ("OUTP OFF\\n", b"OUTP OFF\n"),
        ("A\\r\\n", b"A\r\n"),
        ("\\xa0\\x01\\x00\\xA1", b"\xa0\x01\x00\xa1"),
        ("\\\\n", b"\\n"),
        ("°", b"\xb0"),
        ("", b""),
    ],
)
def test_texts_become_bytes(text, data):
    assert unescaped(text) == data


@pytest.mark.parametrize("text", ["\\", "A\\", "\\x1", "\\xgg", "\\0", "→"])
def test_texts_that_are_none_are_refused(text):
    with pytest.raises(ValueError, match=r"backslash|single byte"):
        unescaped(text)
