"""The harness proves a rig's lines: figures from a talk that can move nothing, each with a fair word."""

from __future__ import annotations

from contextlib import closing
from dataclasses import replace
from functools import cache

import pytest

from harness.bench.opening import open_bench
from harness.bench.protocol import Role
from harness.bench.rig import parse_rig
from harness.clock import MS, S
from harness.codec import Frame, decode_piece, parse
from harness.codec import messages as m
from harness.errors import BenchError, ExitCode
from harness.finding.figures import Losses, Measured, Trips, measure, needs
from harness.finding.proof import Proof, port_words, proof_of
from harness.finding.proving import prove
from harness.finding.words import Line, Word, judged
from harness.plan.find import find_plan
from harness.plan.reader import load_plan
from harness.recording import Direction, Recording
from mocks.pair import open_pair
from mocks.ptys import serving
from mocks.settings import MockSettings

SHORT = 3 * S


@cache
def recording(settings: str = "{}", for_ns: int = SHORT) -> Recording:
    """A check of simulated devices, in virtual time."""
    rig = parse_rig(f"propsoff_rig: 1\nbench: mock\nmock: {settings}\n", "rig.yaml")
    link = load_plan(find_plan("first-look")).link
    with closing(open_bench(rig, link, 7)) as bench:
        return prove(bench, rig, for_ns)


def lines(settings: str, role: Role = Role.RECEIVER) -> dict[str, Line]:
    return {line.what: line for line in judged(measure(recording(settings))[role])}


def words(settings: str, role: Role = Role.RECEIVER) -> dict[str, Word]:
    return {what: line.word for what, line in lines(settings, role).items()}


ALL_GOOD = {"round trip": Word.GOOD, "loss": Word.GOOD, "capacity": Word.GOOD, "clock": Word.GOOD}


@pytest.mark.parametrize("role", Role)
def test_the_harness_finds_healthy_lines_good(role: Role) -> None:
    assert words("{witness: true, loss: 20 %, receiver_loop: 2 ms, usb_latency: 1 ms}", role) == ALL_GOOD


def test_the_harness_sends_nothing_that_moves_anything() -> None:
    found = recording()
    kinds = set()
    for port in found.ports.values():
        for way, data in zip(port.direction, port.data, strict=True):
            if way == Direction.TO_DEVICE and data.strip(b"\0"):
                frame = decode_piece(data)
                assert isinstance(frame, Frame)
                kinds.add(type(parse(frame)))
    assert kinds == {m.Identify, m.Ping}


def test_the_harness_never_has_two_pings_open_at_a_device() -> None:
    """shared/protocol.md, section 8: "The PC never has two pings open at a device"."""
    for port in recording("{usb_latency: 16 ms}").ports.values():
        is_open = False
        for way, data in zip(port.direction, port.data, strict=True):
            frame = decode_piece(data)
            kind = frame.type if isinstance(frame, Frame) else None
            assert not (way == Direction.TO_DEVICE and kind == m.Ping.TYPE and is_open)
            if kind in (m.Ping.TYPE, m.Pong.TYPE):
                is_open = kind == m.Ping.TYPE


def test_the_harness_measures_the_round_trip_of_a_bare_line() -> None:
    """26 bytes of ping and pong, ten bits each, take 2.26 ms at 115 200 bit/s (shared/protocol.md)."""
    trips = measure(recording())[Role.RECEIVER].trips
    assert trips.median_ns == pytest.approx(26 * 10 / 115_200 * S, abs=20_000)
    assert trips.longest_ns is not None
    assert trips.longest_ns < 3 * MS


def test_the_harness_fills_the_lines_to_what_the_baud_rate_promises() -> None:
    """115 200 bit/s carry 11 520 bytes/s (shared/protocol.md, section 10)."""
    one = measure(recording())[Role.TRANSMITTER]
    assert one.promised == 11_520
    assert 0.9 * 11_520 < one.to_pc < 1.01 * 11_520
    assert 0.88 * 11_520 < one.to_device < 0.92 * 11_520


def test_the_harness_knows_what_the_shipped_plans_need() -> None:
    """shared/protocol.md, section 10: 2065 bytes/s with 8 telemetry bytes; `acceptance` has ten."""
    to_device, to_pc = needs(Role.TRANSMITTER, 115_200)
    assert (to_pc.bytes_per_s, to_pc.plan) == (2065 + 2 * 50, "acceptance")
    assert 1158 < to_device.bytes_per_s < 1400
    assert needs(Role.RECEIVER, 115_200)[1].bytes_per_s == 1390


def test_the_harness_measures_a_devices_clock() -> None:
    clock = measure(recording("{receiver_skew_ppm: 200}"))[Role.RECEIVER].clock
    assert clock is not None
    assert abs(clock.skew_ppm - 200) <= clock.rate.error * 1e6 + 1
    assert clock.bound_ns < MS


@pytest.mark.parametrize(
    ("settings", "what", "word"),
    [
        ("{usb_latency: 1 ms}", "round trip", Word.GOOD),
        ("{usb_latency: 16 ms}", "round trip", Word.WEAK),
        ("{usb_latency: 100 ms}", "round trip", Word.BAD),
        ("{bit_errors: 0.01 %}", "loss", Word.BAD),
        ("{receiver_message_loss: 2 %}", "loss", Word.BAD),
        ("{transmitter_message_loss: 2 %}", "loss", Word.GOOD),
        ("{baud: 9600}", "capacity", Word.BAD),
        ("{baud: 38400}", "capacity", Word.GOOD),
    ],
)
def test_the_harness_has_a_fair_word_for_a_line(settings: str, what: str, word: Word) -> None:
    line = lines(settings)[what]
    assert line.word is word
    assert bool(line.advice) is (word is not Word.GOOD)


def test_the_harness_counts_what_arrived_damaged_both_ways() -> None:
    noisy = measure(recording("{bit_errors: 0.01 %}"))[Role.RECEIVER]
    assert noisy.damaged > 0
    assert noisy.bad_at_device
    clean = measure(recording())[Role.RECEIVER]
    assert (clean.damaged, clean.bad_at_device) == (0, 0)
    assert measure(recording())[Role.TRANSMITTER].bad_at_device is None


def test_the_harness_takes_a_boot_banner_for_no_damage() -> None:
    assert measure(recording("{banner: 'Dunlin receiver'}"))[Role.RECEIVER].damaged == 0


# -- words of single figures ---------------------------------------------------------------------------


def measured(**changed: object) -> Measured:
    base = measure(recording())[Role.RECEIVER]
    values = {name: getattr(base, name) for name in base.__dataclass_fields__}
    return Measured(**(values | changed))


def word_of(what: str, **changed: object) -> Line:
    return next(line for line in judged(measured(**changed)) if line.what == what)


def test_the_harness_says_that_losses_come_only_when_the_line_is_full() -> None:
    calm = Losses(500, 0, 80, 0)
    assert word_of("loss", calm=calm, full=Losses(2000, 40, 2000, 0)).word is Word.WEAK
    rare = word_of("loss", calm=calm, full=Losses(2000, 2, 2000, 0))
    assert rare.word is Word.BAD, "two in four thousand would hardly show in the calm part"
    assert word_of("loss", calm=Losses(500, 1, 80, 0), full=Losses(2000, 40, 2000, 0)).word is Word.BAD


def test_the_harness_says_which_way_questions_may_have_been_lost() -> None:
    told = word_of("loss", calm=Losses(500, 3, 80, 5), full=Losses(0, 0, 0, 0)).told
    assert "2 to 5 of 80 questions to the device" in told
    told = word_of("loss", calm=Losses(500, 0, 80, 5), full=Losses(0, 0, 0, 0)).told
    assert "5 of 80 questions to the device" in told


def test_the_harness_says_that_no_ping_was_answered() -> None:
    line = word_of("round trip", trips=Trips(None, None, None, 0), calm=Losses(100, 0, 8, 8))
    assert (line.word, line.told) == (Word.BAD, "none of 8 pings was answered")


@pytest.mark.parametrize(("rate", "word"), [(1_300, Word.BAD), (1_500, Word.WEAK), (1_800, Word.GOOD)])
def test_the_harness_holds_capacity_against_what_plans_need(rate: float, word: Word) -> None:
    """The receiver's line needs 1390 bytes/s; a line is too busy above 80 % (harness/load.py)."""
    assert word_of("capacity", to_pc=rate).word is word


def test_the_harness_tells_a_device_without_a_clock_and_one_that_restarts() -> None:
    assert word_of("clock", clock=None).word is Word.BAD
    again = word_of("clock", restarts=1)
    assert again.word is Word.BAD
    assert "restarted 1 time during the check" in again.told


# -- benches that are not right ---------------------------------------------------------------------------


def test_the_harness_refuses_swapped_ports() -> None:
    with pytest.raises(BenchError, match="swap the two ports in the rig"):
        recording("{swapped_ports: true}")


def test_the_harness_refuses_a_device_that_is_too_new() -> None:
    with pytest.raises(BenchError, match="speaks bench protocol 2"):
        recording("{protocol_version: 2}")


def proof(*found: Word) -> Proof:
    lines = tuple(Line("loss", word, "told", "advice" if word is not Word.GOOD else "") for word in found)
    return Proof(
        "my-bench.yaml", 10, {Role.RECEIVER: lines}, {Role.RECEIVER: "fw 1"}, {Role.RECEIVER: "COM5"}
    )


@pytest.mark.parametrize(
    ("found", "head", "code"),
    [
        ((Word.GOOD, Word.GOOD), "PROVED: my-bench.yaml: every line is good", ExitCode.PASS),
        ((Word.WEAK, Word.GOOD), "PROVED, WITH LIMITS: my-bench.yaml: ", ExitCode.PASS),
        ((Word.WEAK, Word.BAD), "NOT PROVED: my-bench.yaml: ", ExitCode.BENCH_ERROR),
    ],
)
def test_the_harness_tells_the_worst_word_first(found: tuple[Word, ...], head: str, code: ExitCode) -> None:
    text = proof(*found).text(110)
    assert text.startswith(head)
    assert proof(*found).exit_code is code
    assert ("propsoff run first-look --rig my-bench.yaml --props-off" in text) is (code is ExitCode.PASS)
    assert "a pass is not permission to fly" in text


@pytest.mark.pty
def test_the_harness_proves_served_devices_through_pseudo_terminals() -> None:
    with serving(open_pair(settings=MockSettings())) as names:
        text = (
            "propsoff_rig: 1\nbench: serial\n"
            f"transmitter: {names[Role.TRANSMITTER]}\nreceiver: {names[Role.RECEIVER]}\n"
        )
        found = proof_of(parse_rig(text, "bench.yaml"), "bench.yaml", 1 * S)
    assert set(found.lines) == {Role.TRANSMITTER, Role.RECEIVER}
    for told in found.lines.values():
        assert [line.what for line in told] == ["round trip", "loss", "capacity", "clock"]
    assert found.who[Role.RECEIVER].startswith("mock receiver ")
    assert found.port[Role.RECEIVER] == names[Role.RECEIVER]


def test_the_harness_tells_what_bears_on_a_line_beside_its_figures() -> None:
    whole = recording()
    facts = {
        "receiver port": "COM5", "receiver latency timer": "16 ms, could not be lowered",
        "receiver also open in": "\x1b[31mmonitor (process 7)",
    }  # fmt: skip
    told = port_words(replace(whole, header=replace(whole.header, facts=facts)), Role.RECEIVER)
    assert told == (
        r"COM5; latency timer 16 ms, could not be lowered; also open in \x1b[31mmonitor (process 7)"
    )


def test_the_harness_says_that_a_port_of_the_rig_is_not_there() -> None:
    nowhere = "propsoff_rig: 1\nbench: serial\ntransmitter: /dev/nowhere-1\nreceiver: /dev/nowhere-2\n"
    rig = parse_rig(nowhere, "bench.yaml")
    with pytest.raises(BenchError, match="there is no such port"):
        proof_of(rig, "bench.yaml", 1 * S)
