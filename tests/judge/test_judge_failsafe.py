"""Verdicts on failsafe: each check fails a bad run, just passes a good one, knows what it cannot tell."""

from fractions import Fraction

import pytest
from imaginary import RUN_NS, RX, TX, DeviceClock, ReplyTo, Reset, Scenario, Silence, drop_every, judged

from harness.clock import MS
from harness.codec import messages as wire
from harness.plan import model as p
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE


def cuts(count, for_ms=700):
    return [Silence(RUN_NS + 200 * MS + place * 1200 * MS, for_ms * MS) for place in range(count)]


def run(count=5, **fields):
    fields.setdefault("silences", cuts(count))
    fields.setdefault("seconds", 0.4 + 1.2 * count)
    return Scenario(**fields)


ENTRY = p.FailsafeEntry(share=Fraction(1, 2))


@pytest.mark.parametrize(
    ("after_us", "verdict"),
    [(400_000, PASS), (499_980, PASS), (500_000, OPEN), (500_020, FAIL), (525_000, FAIL)],
)
def test_failsafe_entry_beyond_the_limit_fails(after_us, verdict):
    """500 ms declared. The receiver's clock is known to 20 us over that time or better."""
    found = judged(ENTRY, run(failsafe_ns=lambda _: after_us * 1000))
    assert found.verdict is verdict
    assert found.value == pytest.approx(after_us / 1000, abs=0.02)


def test_a_time_has_no_more_digits_than_the_stamps():
    found = judged(ENTRY, run(failsafe_ns=lambda _: 500_000 * 1000, clocks={RX: DeviceClock(ppm=37.0)}))
    assert found.value == round(found.value, 3)


def test_one_late_cut_is_enough_to_fail_and_is_named():
    found = judged(ENTRY, run(failsafe_ns=lambda place: (450, 620)[place == 2] * MS))
    assert found.verdict is FAIL
    assert found.counts["late"] == 1
    assert found.examples == ("cut 3 at 2.605 s in go: 620 ms after the last applied packet",)


def test_a_failsafe_that_never_engages_fails():
    found = judged(ENTRY, run(failsafe_ns=lambda place: None))
    assert (found.verdict, found.value) == (FAIL, float("inf"))
    assert "never engaged in 5 of 5 cuts" in found.reason
    assert "do not fly" in found.advice[1]


def test_the_limit_of_the_check_goes_before_the_links():
    assert judged(p.FailsafeEntry(share=Fraction(1, 2), within_ns=300 * MS), run()).verdict is FAIL


def test_a_few_good_cuts_do_not_show_a_large_share():
    """59 cuts without fault show 95 % with 95 % confidence (success run)."""
    found = judged(p.FailsafeEntry(), run())
    assert (found.verdict, found.needed) == (OPEN, 54)
    assert judged(p.FailsafeEntry(), run(59)).verdict is PASS
    assert judged(p.FailsafeEntry(), run(58)).needed == 1


def test_cuts_hidden_by_serial_losses_are_neither_good_nor_bad():
    def drop(role, place, message):
        return isinstance(message, wire.OutputChange) and message.at_us % 2400_000 < 1200_000

    found = judged(ENTRY, run(drop=drop))
    assert found.verdict is OPEN
    assert found.counts["left open"] > 0
    assert found.counts["never engaged"] == 0


def test_cuts_that_cannot_be_judged_are_told():
    assert "no link cut was made" in judged(ENTRY, Scenario()).reason
    assert "too short" in judged(ENTRY, run(silences=cuts(5, 300))).reason
    kept = judged(ENTRY, run(silent=False))
    assert "kept sending" in kept.reason
    assert kept.verdict is OPEN


@pytest.mark.parametrize(("limit_ms", "verdict"), [(396, FAIL), (397, OPEN), (398, PASS)])
def test_since_the_cut_it_is_shorter_by_the_time_since_the_last_packet(limit_ms, verdict):
    """The last packet is applied 3 ms before the silence; failsafe 400 ms after it; clocks to 0.13 ms."""
    rule = p.FailsafeEntry(share=Fraction(1, 2), since="cut", within_ns=limit_ms * MS)
    found = judged(rule, run())
    assert found.verdict is verdict
    assert found.value == pytest.approx(397, abs=0.2)
    assert "after the cut, which comes up to a packet period after the last packet" in found.reason
    assert judged(p.FailsafeEntry(share=Fraction(1, 2), within_ns=399 * MS), run()).verdict is FAIL


def test_a_cut_without_a_reply_is_judged_since_the_cut_only_as_well_as_it_is_known():
    def drop(role, place, message):
        return isinstance(message, ReplyTo)

    rule = p.FailsafeEntry(share=Fraction(1, 2), since="cut", within_ns=360 * MS)
    assert judged(rule, run(drop=drop)).verdict is OPEN


def test_cuts_at_another_packet_rate_are_told_and_not_judged():
    scenario = run(silences=cuts(10), seconds=12.4, failsafe_ns=lambda place: (400, 900)[place >= 5] * MS)
    at_ns = RUN_NS + 6_100 * MS
    event = scenario.tell(TX, wire.Setting(wire.SettingId.PACKET_RATE_MHZ, 25_000), at_ns)
    scenario.say(TX, ReplyTo(event, wire.Result.DONE, scenario.stamp(TX, at_ns + MS)), at_ns + MS)
    found = judged(ENTRY, scenario)
    assert found.verdict is PASS
    assert found.counts["at another packet rate"] == 5
    assert judged(ENTRY, run(silences=cuts(10), seconds=12.4, failsafe_ns=lambda place: None)).verdict is FAIL


OUTPUTS = p.FailsafeOutputs()


@pytest.mark.parametrize(
    ("outputs", "words"),
    [(lambda held: (1432, 1500, 1500, held[3]), "throttle was 1432 us instead of 1000 us in 5 cuts"),
     (lambda held: (1000, held[1], 1500, held[3]), "roll was"),
     (lambda held: (1000, 1500, 1500, 1500), "camera was 1500 us instead of hold"),
     (lambda held: (1000, 1500, 1500), "camera was not reported")],
    ids=["throttle", "kept", "not held", "missing"],
)  # fmt: skip
def test_wrong_failsafe_outputs_fail_and_name_the_channel(outputs, words):
    found = judged(OUTPUTS, run(failsafe_outputs=outputs))
    assert found.verdict is FAIL
    assert words in found.reason


def test_right_failsafe_outputs_pass():
    found = judged(OUTPUTS, run())
    assert (found.verdict, found.samples, found.value) == (PASS, 20, 0.0)


@pytest.mark.parametrize(("off", "verdict"), [(10, PASS), (11, FAIL)])
def test_failsafe_outputs_may_be_off_by_the_tolerance(off, verdict):
    rule = p.FailsafeOutputs(tolerance_us=10)
    assert (
        judged(rule, run(failsafe_outputs=lambda held: (1000 + off, 1500, 1500, held[3]))).verdict is verdict
    )


def test_failsafe_outputs_without_failsafe_are_inconclusive():
    assert judged(OUTPUTS, run(failsafe_ns=lambda _: None)).verdict is OPEN
    assert (
        judged(OUTPUTS, run(drop=lambda role, place, message: isinstance(message, wire.OutputChange))).verdict
        is OPEN
    )


EXIT = p.FailsafeExit()
"""200 ms declared to come back."""


def after_cut(packet):
    """How many packets after the end of the first cut this is, -1 for others."""
    return packet.index - 71 if 71 <= packet.index < 100 else -1


@pytest.mark.parametrize(("missing", "verdict"), [(0, PASS), (9, PASS), (10, FAIL), (20, FAIL)])
def test_failsafe_exit_must_be_in_time(missing, verdict):
    """The first packets after the cut are lost: 9 of them make 182 ms, 10 make 202 ms."""
    found = judged(EXIT, run(1, lost=lambda packet: 0 <= after_cut(packet) < missing))
    assert found.verdict is verdict
    assert found.value == pytest.approx(2 + 20 * missing, abs=0.2)


def test_a_link_that_never_comes_back_fails():
    found = judged(EXIT, run(1, seconds=4.0, lost=lambda packet: packet.index >= 71))
    assert found.verdict is FAIL
    assert "did not come back" in found.reason
    assert found.value == float("inf")


def test_a_stale_throttle_on_return_fails_and_is_named():
    old = Scenario().sticks(35)[0]
    found = judged(EXIT, run(1, shown=lambda packet, out: (old, *out[1:]) if after_cut(packet) == 0 else out))
    assert found.verdict is FAIL
    assert "throttle showed a value from before the cut" in found.reason
    assert "cut 1" in found.examples[0]


def test_failsafe_values_on_return_are_fine():
    """The near miss: the first packet after the cut still shows failsafe on every channel."""
    held = Scenario().sticks(35)[3]
    found = judged(
        EXIT, run(1, shown=lambda packet, out: (1000, 1500, 1500, held) if after_cut(packet) == 0 else out)
    )
    assert found.verdict is PASS


def test_failsafe_exit_is_inconclusive_with_missing_messages_or_without_cuts():
    assert judged(EXIT, run(drop=drop_every(RX, 2, wire.Applied))).verdict is OPEN
    assert judged(EXIT, Scenario()).verdict is OPEN


CALM = p.NoFalseFailsafe()


def test_failsafe_while_packets_arrive_fails():
    scenario = run()
    scenario.change(wire.OutputReason.FAILSAFE, (1000, 1500, 1500, 1500), RUN_NS + 1310 * MS)
    found = judged(CALM, scenario)
    assert found.verdict is FAIL
    assert "too soon" in found.reason


def test_failsafe_in_cuts_and_restarts_only_passes():
    found = judged(CALM, run(resets=[Reset(RX, RUN_NS + 1100 * MS, down_ns=100 * MS)]))
    assert (found.verdict, found.value) == (PASS, 0.0)


@pytest.mark.parametrize(("after_ms", "verdict"), [(99, FAIL), (101, PASS)])
def test_failsafe_may_not_begin_sooner_than_declared(after_ms, verdict):
    found = judged(CALM, run(failsafe_ns=lambda _: after_ms * MS))
    assert found.verdict is verdict


def test_a_receiver_that_restarts_by_itself_fails():
    found = judged(CALM, run(resets=[Reset(RX, RUN_NS + 1100 * MS, down_ns=50 * MS, commanded=False)]))
    assert found.verdict is FAIL
    assert "restarted by itself once" in found.reason
    assert "brown-out" in found.advice[0]


def test_no_false_failsafe_is_inconclusive_with_missing_messages_or_few_packets():
    assert judged(CALM, run(drop=drop_every(RX, 50))).verdict is OPEN
    assert judged(CALM, Scenario(seconds=0.5)).verdict is OPEN
    assert judged(CALM, Scenario(drop=lambda role, *_: role == RX)).verdict is OPEN
