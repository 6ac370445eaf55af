"""The harness switches a real bench by a control line or by text, and knows between which instants it was."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing, contextmanager

import pytest
import serial
from far_ends import WIRE_ROLES, TinyDevice, _Escaped, _listening, pty_device, pty_pair, served
from serial.rfc2217 import PortManager

from harness.bench.opening import open_bench
from harness.bench.ports import PortSpec, open_port
from harness.bench.protocol import DEVICES, Moment, Role, Switched, WithBeside, extra
from harness.bench.rig import parse_rig
from harness.bench.serial import SerialBench
from harness.bench.switches import MOST_ANSWER, SwitchedBench, TextSwitch, shown
from harness.bench.switching import HeldLine, Switching, TextDevice
from harness.clock import MS, S
from harness.errors import BenchError
from mocks.settings import DUNLIN

TX, RX = Role.TRANSMITTER, Role.RECEIVER
SCPI = TextDevice("fake://supply", 9_600, b"OUTP OFF\n", b"OUTP ON\n", b"*OPC?\n", b"1", b"", 500 * MS)


class FakeBench:
    """A bench whose clock is turned by hand, and whose calls of `control` take 3 ms."""

    is_hardware, is_virtual, facts = True, False, {"receiver port": "fake://receiver"}
    baud = dict.fromkeys(DEVICES, 115_200)

    def __init__(self, *, lines=True):
        self.time_ns, self.lines, self.levels, self.closed = 0, lines, [], False

    def now_ns(self):
        return self.time_ns

    def control(self, role, line, *, level):
        self.levels.append((role, line, level))
        self.time_ns += 3 * MS
        return self.lines

    def close(self):
        self.closed = True


class FakeSupply:
    """A device behind a port that is read without waiting; `says` gives the answer to each text."""

    def __init__(self, says: Callable[[bytes], bytes]):
        self.says, self.waiting, self.written = says, b"", []

    def write(self, data):
        self.written.append(data)
        self.waiting += self.says(data)

    def read(self, size):
        data, self.waiting = self.waiting[:size], self.waiting[size:]
        return data

    def close(self):
        pass


def of_text(says, device=SCPI):
    bench, port = FakeBench(), FakeSupply(says)
    return bench, port, TextSwitch(device, port, bench)


def asked(answer):
    return lambda data: answer if data.endswith(b"?\n") else b""


# -- control lines -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("cuts", [True, False])
def test_a_line_acts_between_the_call_and_what_the_relay_takes(cuts):
    inner = FakeBench()
    bench = SwitchedBench(inner, Switching({"transmitter power": HeldLine(RX, "rts", cuts, 20 * MS)}))
    assert extra(bench, Switched) is bench
    assert inner.levels == [(RX, "rts", not cuts)]  # it feeds from the start
    inner.time_ns = 100 * MS
    bench.switch("transmitter power", on=False)
    assert inner.levels[-1] == (RX, "rts", cuts)
    assert bench.switched("transmitter power") is None
    inner.time_ns = 123 * MS
    assert bench.switched("transmitter power") == Moment(100 * MS, 123 * MS)
    bench.switch("transmitter power", on=True)
    assert inner.levels[-1] == (RX, "rts", not cuts)


def test_a_port_without_the_line_is_refused_and_closed():
    inner = FakeBench(lines=False)
    with pytest.raises(
        BenchError, match="the receiver's port has no control line RTS to switch with; use an"
    ):
        SwitchedBench(inner, Switching({"antenna": HeldLine(RX, "rts", True, 0)}))
    assert inner.closed


class LinedPort:
    """A serial port that keeps what was done to it, in order."""

    def __init__(self):
        self.done = []

    def __setattr__(self, name, value):
        if name in ("rts", "dtr"):
            self.done.append((name, value))
        super().__setattr__(name, value)

    def open(self):
        self.done.append("open")

    def close(self):
        pass


def test_a_line_has_its_level_before_its_port_is_open(monkeypatch):
    port, given = LinedPort(), {}
    monkeypatch.setattr(serial, "serial_for_url", lambda url, **keys: given.update(keys) or port)
    open_port(RX, PortSpec("fake://x", held=("rts", False)), 0)
    assert port.done == [("rts", False), "open"]
    assert given["do_not_open"] is True


@contextmanager
def rfc2217_lines(role: Role, seen: list[tuple[str, bool]]):
    """A tiny device behind an RFC 2217 server (pyserial's own) that keeps the levels of its lines."""
    device = TinyDevice(WIRE_ROLES[role])

    class Lined(type(serial.serial_for_url("loop://", do_not_open=True))):  # type: ignore[misc]
        def _update_rts_state(self):
            super()._update_rts_state()
            seen.append(("rts", self._rts_state))

    def serve(connection):
        with closing(Lined("loop://")) as settings:
            seen.clear()
            manager = PortManager(settings, _Escaped(connection))
            while data := connection.recv(4096):
                answer = device.feed(b"".join(manager.filter(data)))
                connection.sendall(b"".join(manager.escape(answer)))

    with _listening(serve) as address:
        yield f"rfc2217://{address}"


@pytest.mark.pty
def test_a_control_line_at_the_other_end_of_a_network_switches():
    """RFC 2217, SET-CONTROL values 11 (RTS on) and 12 (RTS off), by pyserial's own server."""
    seen: list[tuple[str, bool]] = []
    with rfc2217_lines(RX, seen) as url, pty_device(TX) as near:
        specs = {TX: PortSpec(near), RX: PortSpec(url, held=("rts", False))}
        held = HeldLine(RX, "rts", True, 0)
        with closing(SwitchedBench(SerialBench(specs), Switching({"transmitter power": held}))) as bench:
            assert not any(level for _, level in seen)
            bench.switch("transmitter power", on=False)
            moment = bench.switched("transmitter power")
            assert moment is not None
            assert 0 < moment.latest_ns - moment.earliest_ns < 2 * S
            assert seen[-1] == ("rts", True)
            bench.switch("transmitter power", on=True)
            assert seen[-1] == ("rts", False)


@pytest.mark.pty
def test_a_pseudo_terminal_has_no_line_to_switch_with():
    with pty_device(TX) as one, pty_device(RX) as two:
        text = (
            f"propsoff_rig: 1\nbench: serial\ntransmitter: {one}\n"
            f"receiver: {{port: {two}, line: {{name: rts, acts_on: transmitter power}}}}\n"
        )
        with pytest.raises(BenchError, match="has no control line RTS"):
            open_bench(parse_rig(text, "x.yaml"), DUNLIN, 1)


# -- texts -------------------------------------------------------------------------------------------------


def test_an_answer_says_when_a_device_has_switched():
    """`*OPC?` is answered by 1 once all operations are complete: IEEE 488.2-1992, section 10.19."""
    bench, port, switch = of_text(asked(b"1\r\n"))
    bench.time_ns = 50 * MS
    switch.order(on=False)
    assert port.written == [b"OUTP OFF\n", b"*OPC?\n"]
    bench.time_ns = 58 * MS
    assert switch.moment() == Moment(50 * MS, 58 * MS)
    bench.time_ns = 99 * MS
    assert switch.moment() == Moment(50 * MS, 58 * MS)
    switch.order(on=True)
    assert port.written[2:] == [b"OUTP ON\n", b"*OPC?\n"]


def test_an_answer_in_pieces_among_echoes_is_one():
    bench, port, switch = of_text(lambda data: data if data.startswith(b"OUTP") else b"")
    switch.order(on=False)
    assert switch.moment() is None
    port.waiting = b"1"
    assert switch.moment() is None
    bench.time_ns, port.waiting = 7 * MS, b"\n"
    assert switch.moment() == Moment(0, 7 * MS)


def test_what_came_before_the_command_answers_nothing():
    bench, port, switch = of_text(lambda data: b"")
    port.waiting = b"1\n"
    switch.order(on=False)
    bench.time_ns = 10 * MS
    assert switch.moment() is None


def test_a_device_that_is_not_asked_has_switched_within_its_time():
    bench, port, switch = of_text(lambda _: b"", TextDevice("x", 9_600, b"off", b"on", takes_ns=150 * MS))
    switch.order(on=False)
    assert switch.moment() is None
    bench.time_ns = 150 * MS
    assert switch.moment() == Moment(0, 150 * MS)
    assert port.written == [b"off"]


def test_an_empty_error_queue_is_waited_for():
    """`SYST:ERR?` answers 0,"No error" when the queue is empty: SCPI-1999, volume 2, section 21.8."""
    device = TextDevice("x", 9_600, b"off\n", b"on\n", b"*OPC?\n", b"1", b"SYST:ERR?\n", 500 * MS)
    answers = {b"*OPC?\n": b"1\n", b"SYST:ERR?\n": b'+0,"No error"\n'}
    bench, port, switch = of_text(lambda data: answers.get(data, b""), device)
    switch.order(on=False)
    assert switch.moment() is None
    assert port.written[-1] == b"SYST:ERR?\n"
    bench.time_ns = 20 * MS
    assert switch.moment() == Moment(0, 0)


@pytest.mark.parametrize(
    ("queue", "came"),
    [(b'-113,"Undefined header"\n', "'-113,\"Undefined header\"\\n' came"), (b"", "nothing came")],
)
def test_a_device_with_an_error_is_refused(queue, came):
    device = TextDevice("x", 9_600, b"off\n", b"on\n", b"*OPC?\n", b"1", b"SYST:ERR?\n", 500 * MS)
    answers = {b"*OPC?\n": b"1\n", b"SYST:ERR?\n": queue}
    bench, _, switch = of_text(lambda data: answers.get(data, b""), device)
    switch.order(on=False)
    assert switch.moment() is None
    bench.time_ns = 600 * MS
    with pytest.raises(BenchError) as caught:
        switch.moment()
    assert f"'SYST:ERR?\\n' was asked and {came}, where '0, and its text,' should within 0.5 s" in str(
        caught.value
    )


def test_says_what_was_asked_what_came_and_how_to_mend_it():
    bench, _, switch = of_text(asked(b"\x1b[2J[red]what?\n"))
    switch.order(on=False)
    bench.time_ns = 501 * MS
    with pytest.raises(BenchError) as caught:
        switch.moment()
    assert str(caught.value) == (
        "switch port fake://supply: '*OPC?\\n' was asked and '\\x1b[2J[red]what?\\n' came, where '1' should "
        "within 0.5 s; look at its baud rate, its cable, whether it is switched to remote, and at `ask`, "
        "`answer` and `within` in the rig"
    )
    assert (caught.value.role, caught.value.port) == ("switch", "fake://supply")


def test_a_device_that_floods_is_refused_at_once():
    _, _, switch = of_text(asked(b"x" * 100_000))
    switch.order(on=False)
    assert switch.moment() is None
    with pytest.raises(BenchError) as caught:
        switch.moment()
    assert len(str(caught.value)) < 500
    assert len(switch._came) <= MOST_ANSWER + 1


def test_a_device_that_is_gone_is_bench_trouble():
    _, port, switch = of_text(asked(b""))
    switch.order(on=False)

    def gone(size):
        raise serial.SerialException("device reports readiness to read but returned no data")

    port.read = gone
    with pytest.raises(BenchError, match="it is gone: SerialException; look at the cable"):
        switch.moment()


@pytest.mark.parametrize("data", [b"", b"\x00\xff\x1b", b"a" * 200])
def test_bytes_are_shown_bounded_and_printable(data):
    text = shown(data)
    assert text.isprintable()
    assert text.isascii()
    assert len(text) < 400


class Supply:
    """A programmable supply: takes OUTP ON and OUTP OFF, answers *OPC? and SYST:ERR?."""

    def __init__(self):
        self.on, self.line = True, b""

    def feed(self, data: bytes) -> bytes:
        *lines, self.line = (self.line + data).split(b"\n")
        return b"".join(self.obey(line.strip()) for line in lines)

    def obey(self, line: bytes) -> bytes:
        if line.startswith(b"OUTP "):
            self.on = line == b"OUTP ON"
        return {b"*OPC?": b"1\n", b"SYST:ERR?": b'0,"No error"\n'}.get(line, b"")


@pytest.mark.pty
def test_a_supply_behind_a_port_is_told_asked_and_recorded():
    supply = Supply()
    with pty_device(TX) as one, pty_device(RX) as two, pty_pair() as (far, near), served(far, supply.feed):
        text = (
            f"propsoff_rig: 1\nbench: serial\ntransmitter: {one}\nreceiver: {two}\n"
            f"switch: {{port: {near}, acts_on: transmitter power, cut: 'OUTP OFF\\n',\n"
            "         restore: 'OUTP ON\\n', ask: '*OPC?\\n', errors: 'SYST:ERR?\\n'}\n"
        )
        with closing(open_bench(parse_rig(text, "x.yaml"), DUNLIN, 1)) as bench:
            assert extra(bench, Switched) is bench
            assert extra(bench, WithBeside) is bench
            assert bench.beside == ("switch",)
            assert "told by text" in bench.facts["transmitter power is switched"]
            crossed: list[tuple[str, bool, bytes, int]] = []
            bench.tap(lambda *what: crossed.append(what))
            for on in (False, True):
                begin = bench.now_ns()
                bench.switch("transmitter power", on=on)
                while (moment := bench.switched("transmitter power")) is None:
                    bench.advance(bench.now_ns() + MS)
                assert begin <= moment.earliest_ns < moment.latest_ns <= bench.now_ns()
                assert supply.on is on
        told = b"".join(data for _, to_device, data, _ in crossed if to_device)
        heard = b"".join(data for _, to_device, data, _ in crossed if not to_device)
        assert told == b"OUTP OFF\n*OPC?\nSYST:ERR?\nOUTP ON\n*OPC?\nSYST:ERR?\n"
        assert heard.replace(b"\r", b"").count(b"1\n") == 2


def test_a_switch_that_is_not_there_is_told_by_its_port(tmp_path):
    device = TextDevice(str(tmp_path / "none"), 9_600, b"off", b"on", takes_ns=S)
    inner = FakeBench()
    with pytest.raises(BenchError, match=r"switch port .*none: ") as caught:
        SwitchedBench(inner, Switching({"antenna": device}))
    assert caught.value.role == "switch"
    assert inner.closed


@pytest.mark.parametrize("cuts", [True, False])
def test_an_adapter_of_its_own_switches_by_its_line(monkeypatch, cuts):
    port = LinedPort()
    monkeypatch.setattr(serial, "serial_for_url", lambda url, **keys: port)
    held = HeldLine(None, "dtr", cuts, 20 * MS, "/dev/ttyUSB9")
    inner = FakeBench()
    bench = SwitchedBench(inner, Switching({"antenna": held}))
    assert port.done == [("dtr", not cuts), "open", ("dtr", not cuts)]
    bench.switch("antenna", on=False)
    assert port.done[-1] == ("dtr", cuts)
    inner.time_ns = S
    assert bench.switched("antenna") == Moment(0, 20 * MS)
    assert inner.levels == []


@pytest.mark.pty
def test_an_adapter_without_lines_is_refused():
    with pty_pair() as (_, near):
        held = HeldLine(None, "rts", True, 0, near)
        inner = FakeBench()
        with pytest.raises(BenchError, match=r"the relay's port .* has no control line RTS") as caught:
            SwitchedBench(inner, Switching({"antenna": held}))
    assert (caught.value.role, caught.value.port, inner.closed) == ("relay", near, True)
