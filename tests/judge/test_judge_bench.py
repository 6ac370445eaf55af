"""Verdicts on the bench: trouble is an error, an early end is inconclusive, neither ever a failed link."""

import struct
from dataclasses import replace
from fractions import Fraction

import pytest
from imaginary import (
    RUN_NS,
    RX,
    START_NS,
    TX,
    DeviceClock,
    Scenario,
    as_reported,
    drop_every,
    judged,
    plan_for,
)

from harness.clock import MS, S
from harness.codec import encode_frame
from harness.codec import messages as wire
from harness.judge import judge
from harness.plan import model as p
from harness.verdict import Verdict

PASS, ERROR, OPEN = Verdict.PASS, Verdict.ERROR, Verdict.INCONCLUSIVE
BENCH = p.BenchHealth()


def test_a_bench_in_order_passes():
    found = judged(BENCH)
    assert (found.verdict, found.value) == (PASS, 0.0)
    assert "0 % lost" in found.reason


@pytest.mark.parametrize(
    ("allowed", "verdict"), [(Fraction(0), ERROR), (Fraction(4, 1000), ERROR), (Fraction(1, 100), PASS)]
)
def test_lost_serial_messages_are_an_error_beyond_what_is_allowed(allowed, verdict):
    """2 of some 270 messages of the receiver get lost: 0.74 %."""
    found = judged(p.BenchHealth(lost_at_most=allowed), drop=drop_every(RX, 100))
    assert found.verdict is verdict
    assert found.counts["receiver messages lost"] == 2
    assert "the receiver lost 1 message" in found.examples[0]


@pytest.mark.parametrize(
    ("role", "counts", "words"),
    [
        ("receiver", {"overruns": 3, "breaks": 0}, "; the system itself counted 3 overruns there"),
        ("receiver", {"overruns": 0}, ""),
        ("transmitter", {"overruns": 3}, ""),
        ("receiver", {"\x1b[2J": 1}, "; the system itself counted 1 \\x1b[2J there"),
        ("receiver", "many", ""),
    ],
)
def test_what_the_system_counted_on_a_line_stands_with_its_losses(role, counts, words):
    scenario = Scenario(drop=drop_every(RX, 100))
    scenario.mark(RUN_NS + S, "line errors", role=role, counts=counts)
    found = judged(BENCH, scenario)
    assert found.verdict is ERROR
    assert found.reason.endswith(f"0 % allowed{words}")


def test_a_port_that_was_gone_is_named_with_its_time():
    scenario = Scenario(end_why=None)
    scenario.mark(
        RUN_NS + 2 * S,
        "end",
        why="port gone",
        detail="device disconnected",
        role="receiver",
        port="/dev/ttyUSB1",
    )
    found = judged(BENCH, scenario)
    assert found.verdict is ERROR
    assert "the receiver's port (/dev/ttyUSB1) was gone at 2 s in go: device disconnected" in found.reason


def test_a_port_that_fell_silent_is_an_error():
    found = judged(BENCH, drop=lambda role, place, message: role == RX and place > 150)
    assert found.verdict is ERROR
    assert "fell silent" in found.reason


def test_a_port_with_nothing_but_junk_hints_at_the_baud_rate():
    scenario = Scenario(drop=lambda role, place, message: role == RX and not isinstance(message, bytes))
    for place in range(20):
        scenario.say(RX, b"\xf0\x0f\xff\x00", START_NS + place * MS)
    found = judged(BENCH, scenario)
    assert found.verdict is ERROR
    assert "80 bytes of junk: wrong baud rate?" in found.reason


def test_a_device_without_identity_or_with_the_wrong_one_is_an_error():
    none = judged(BENCH, drop=lambda role, place, message: isinstance(message, wire.Identity) and role == TX)
    assert "the transmitter never said who it is" in none.reason
    scenario = Scenario(
        drop=lambda role, place, message: (
            isinstance(message, wire.Identity) and message.serial == "42" and role == RX
        )
    )
    scenario.say(RX, wire.Identity(1, 1, 4, 0, 0, "x", "1", "77"), START_NS + 6 * MS)
    other = judged(BENCH, scenario)
    assert "the receiver's port leads to a transmitter" in other.reason


@pytest.mark.parametrize("why", ["interrupted", "wait missed"])
def test_a_run_that_ended_early_is_inconclusive(why):
    found = judged(BENCH, end_why=why)
    assert found.verdict is OPEN
    assert why in found.reason


def test_a_run_that_broke_off_with_an_error_is_one():
    assert judged(BENCH, end_why="error").verdict is ERROR


def test_a_recording_that_was_cut_short_is_inconclusive_and_says_so():
    scenario = Scenario(plan=plan_for(BENCH, p.Fidelity()), end_why=None)
    found = judge(scenario.plan, scenario.recording(complete=False))
    assert [result.verdict for result in found.results] == [OPEN, PASS]
    assert "the recording was cut short" in found.notes[0]
    assert "recording: cut short at byte 1234" in found.notes


def test_a_clock_without_a_single_stamp_cannot_be_mapped():
    def drop(role, place, message):
        return role == TX and not isinstance(message, wire.Identity)

    found = judged(BENCH, drop=drop, pings=False)
    assert found.verdict is ERROR
    assert "clock cannot be mapped" in found.reason


class OldApplied:
    """A report of an applied packet as an older firmware lays it out, without the signal's strength."""

    TYPE = wire.Applied.TYPE

    def pack(self):
        return struct.pack("<HIB4H", 1, 2, 4, 1500, 1500, 1500, 1500)


@pytest.mark.parametrize(("number", "verdict"), [(2, PASS), (3, ERROR), (40, ERROR)])
def test_whole_messages_in_another_layout_are_trouble_with_the_device_and_no_failed_link(number, verdict):
    scenario = Scenario()
    for place in range(number):
        scenario.say(RX, OldApplied(), RUN_NS + place * 10 * MS)
    found = judged(BENCH, scenario)
    assert found.verdict is verdict
    if verdict is ERROR:
        assert f"{number} of" in found.reason
        assert "another layout than bench protocol 1" in found.reason
        assert "library" in found.advice[0]


@pytest.mark.parametrize(
    ("ppm", "verdict"), [(30_000, ERROR), (-30_000, ERROR), (15_000, PASS), (-15_000, PASS)]
)
def test_a_clock_that_counts_no_microseconds_is_an_error(ppm, verdict):
    """2 % is where rates are no longer taken for known."""
    found = judged(BENCH, clocks={TX: DeviceClock(), RX: DeviceClock(ppm=ppm)})
    assert found.verdict is verdict
    if verdict is ERROR:
        assert f"the receiver's clock is 3 % {'fast' if ppm > 0 else 'slow'}" in found.reason


def test_unknown_messages_and_bad_frames_are_counted_but_no_trouble():
    scenario = Scenario()
    scenario.say(RX, b"\x05\x04\x03\x00", RUN_NS + 5 * MS)
    found = judged(BENCH, scenario)
    assert (found.verdict, found.counts["receiver bad frames"]) == (PASS, 1)
    assert encode_frame(0x7E, 0, b"")


def test_nothing_that_the_bench_hides_is_a_failed_link():
    """A healthy link under heavy serial losses on each port and on both, and with a port muted."""
    rules = all_rules()
    for drop in (
        drop_every(TX, 3),
        drop_every(RX, 3),
        lambda role, place, _: place % 4 == 0,
        muted(RX),
        muted(TX),
    ):
        scenario = Scenario(plan=plan_for(*rules), drop=drop, pins=as_reported)
        scenario.inject_often()
        found = judge(scenario.plan, scenario.recording())
        assert [result for result in found.results if result.verdict is Verdict.FAIL] == []
        assert found.results[-1].verdict is ERROR


def muted(of):
    return lambda role, place, _: role == of and place > 120


def all_rules():
    return (
        p.Delivery(at_least=Fraction(93, 100)), p.PacketRate(at_least_mhz=49_000),
        p.Latency(percentile=Fraction(90, 100), at_most_ns=20 * MS),
        p.Latency(of="stick", percentile=Fraction(90, 100), at_most_ns=40 * MS),
        p.Latency(of="acknowledgement", percentile=Fraction(90, 100), at_most_ns=20 * MS),
        p.ControlAge(percentile=Fraction(90, 100), at_most_ns=60 * MS), p.ControlGap(at_most_ns=100 * MS),
        p.Duplicates(), p.FailsafeEntry(), p.FailsafeOutputs(), p.FailsafeExit(), p.NoFalseFailsafe(),
        p.Fidelity(),
        p.NoGlitch(), p.TelemetryValue(), p.TelemetryAge(at_most_ns=60 * MS), p.Pins(),
        BENCH,
    )  # fmt: skip


def test_an_empty_recording_is_inconclusive_everywhere_and_an_error_for_the_bench():
    plan = plan_for(*all_rules())
    recording = Scenario(plan=plan).recording()
    empty = replace(recording, ports={}, marks=(), complete=False)
    found = judge(plan, empty)
    assert {result.verdict for result in found.results[:-1]} == {OPEN}
    assert found.results[-1].verdict is ERROR
    assert (found.link_seconds, found.packets_sent, found.packets_applied) == (0.0, 0, 0)
