"""Verdicts on start-up: an output that twitches before the first packet fails, at its very limit."""

import pytest
from imaginary import RUN_NS, RX, TX, Reset, Scenario, Silence, judged

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.plan import model as p
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
STILL = p.StartUp()
SAFE = (1000, 1500, 1500, 1500)


def started(*outputs, tolerance_us=0, **fields):
    fields.setdefault("resets", [Reset(RX, RUN_NS + S)])
    scenario = Scenario(start_outputs=outputs or (SAFE,), **fields)
    return judged(p.StartUp(tolerance_us=tolerance_us), scenario)


def test_outputs_at_failsafe_from_the_start_pass():
    found = started()
    assert (found.verdict, found.value, found.samples) == (PASS, 0.0, 1)


@pytest.mark.parametrize(("off", "tolerance", "verdict"), [(1, 0, FAIL), (5, 5, PASS), (6, 5, FAIL)])
def test_one_output_off_at_a_start_fails(off, tolerance, verdict):
    found = started((1000 + off, *SAFE[1:]), tolerance_us=tolerance)
    assert (found.verdict, found.value) == (verdict, off)


def test_a_throttle_at_its_middle_is_named():
    found = started((1500, 1500, 1500, 1500))
    assert found.reason == "before the first packet, throttle was 1500 us instead of 1000 us, in 1 of 1 start"
    assert "start at" in found.examples[0]
    assert "failsafe value before the first pulse" in found.advice[0]


def test_a_twitch_after_a_good_beginning_fails():
    scenario = Scenario(resets=[Reset(RX, RUN_NS + S)], silences=[Silence(RUN_NS + 900 * MS, S)])
    scenario.change(wire.OutputReason.OTHER, (1432, *SAFE[1:]), RUN_NS + 1400 * MS)
    found = judged(STILL, scenario)
    assert (found.verdict, found.value) == (FAIL, 432.0)


@pytest.mark.parametrize(
    ("outputs", "verdict"),
    [(((*SAFE[:3], 1234),), PASS), (((*SAFE[:3], 999),), FAIL),
     (((*SAFE[:3], 1234), (*SAFE[:3], 1300)), FAIL)],
    ids=["anywhere", "out of range", "moving"],
)  # fmt: skip
def test_a_channel_that_holds_has_no_value_yet_but_keeps_still_in_its_range(outputs, verdict):
    assert started(*outputs).verdict is verdict


def test_an_output_that_is_not_reported_fails():
    found = started(SAFE[:3])
    assert found.verdict is FAIL
    assert "camera was not reported" in found.reason


def test_a_strange_packet_before_the_first_one_moves_outputs():
    scenario = Scenario(resets=[Reset(RX, RUN_NS + S)], silences=[Silence(RUN_NS + 900 * MS, S)])
    scenario.change(wire.OutputReason.START, (1700, *SAFE[1:]), RUN_NS + 1500 * MS)
    assert judged(STILL, scenario).counts["with a wrong output"] == 1


def test_without_a_start_nothing_is_told():
    assert judged(STILL, Scenario()).verdict is OPEN
    assert "no start" in judged(STILL, Scenario()).reason
    assert started(resets=[Reset(TX, RUN_NS + S)]).verdict is OPEN


def test_a_start_of_which_messages_are_missing_is_open():
    def drop(role, place, message):
        return isinstance(message, wire.OutputChange)

    found = started(drop=drop)
    assert (found.verdict, found.counts["left open"]) == (OPEN, 1)
    gone = started(drop=lambda role, place, message: isinstance(message, wire.Started))
    assert gone.verdict is OPEN


def test_a_receiver_that_says_nothing_of_its_outputs_is_open():
    found = judged(STILL, Scenario(start_outputs=(), resets=[Reset(RX, RUN_NS + S)]))
    assert found.verdict is OPEN
    assert "did not say" in found.reason


def test_one_bad_start_of_several_fails():
    resets = [Reset(RX, RUN_NS + S), Reset(RX, RUN_NS + 2 * S)]
    scenario = Scenario(resets=resets)
    scenario.change(wire.OutputReason.OTHER, (1432, *SAFE[1:]), RUN_NS + 2301 * MS - 500_000)
    found = judged(STILL, scenario)
    assert (found.verdict, found.samples, found.counts["with a wrong output"]) == (FAIL, 2, 1)


HIGH = (1900, *SAFE[1:])


def replayed(number, **fields):
    """The receiver is back at 1.3 s; 2 ms later it applies a packet of this number, before any other."""
    scenario = Scenario(resets=[Reset(RX, RUN_NS + S)], **fields)
    at_ns = RUN_NS + 1302 * MS
    scenario.say(RX, wire.Applied(number, scenario.stamp(RX, at_ns), -60, HIGH), at_ns)
    return scenario


@pytest.mark.parametrize("number", [74, 20, 40_000], ids=["just before", "long before", "never sent"])
def test_an_old_packet_at_a_start_is_not_the_first_one(number):
    """Packets begin 0.5 s before the run, every 20 ms: 74 is sampled at 0.98 s, just before the restart."""
    found = judged(STILL, replayed(number))
    assert (found.verdict, found.value) == (FAIL, 900.0)
    assert "throttle was 1900 us instead of 1000 us" in found.reason


@pytest.mark.parametrize(("latency_ms", "verdict"), [(98, PASS), (102, FAIL)])
def test_a_packet_sampled_longer_ago_than_a_lost_one_is_old(latency_ms, verdict):
    """100 ms are declared. No packet before it was applied: nothing but its age tells."""
    found = judged(
        STILL,
        Scenario(
            resets=[Reset(RX, RUN_NS + S)], sticks=lambda _: HIGH,
            lost=lambda packet: packet.at_ns < RUN_NS + 1310 * MS or 91 < packet.index < 97,
            latency_ns=lambda packet: (2, latency_ms)[packet.at_ns < RUN_NS + 1330 * MS] * MS,
        ),
    )  # fmt: skip
    assert found.verdict is verdict


def test_a_first_packet_that_lost_messages_could_explain_is_open():
    """The transmitter's messages around it are lost on the line: it may be one of its own."""
    gone = replayed(40_000, drop=lambda role, place, message: (
        role == TX and isinstance(message, wire.Sent) and 89 <= message.packet <= 91
    ))  # fmt: skip
    found = judged(STILL, gone)
    assert (found.verdict, found.counts["with a wrong output"]) == (OPEN, 0)
