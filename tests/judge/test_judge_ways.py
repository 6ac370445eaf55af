"""Verdicts on cuts of every way: a receiver that lives on strange packets fails, and the way is named."""

from dataclasses import replace
from fractions import Fraction

import pytest
from imaginary import RUN_NS, RX, TX, Meddling, Reset, Scenario, Silence, judged

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.judge import judge
from harness.plan import model as p
from harness.verdict import Verdict

PASS, FAIL, OPEN = Verdict.PASS, Verdict.FAIL, Verdict.INCONCLUSIVE
ENTRY = p.FailsafeEntry(share=Fraction(1, 2))
ANY = p.FailsafeEntry(share=Fraction(1, 50))
"""One good cut shows 5 %."""
WAYS = {1: "by corrupted packets", 2: "by another transmitter's packets", 3: "by repeats of the last packet"}


def cuts(kind, count=3, first_ms=200):
    return [Meddling(RUN_NS + (first_ms + n * 1200) * MS, 700 * MS, kind=kind) for n in range(count)]


def run(kind=0, stranger="ignored", count=3, **fields):
    """Three silences, then three cuts of another way: `kind` of a disturbance, 0 for deafness."""
    other = {"disturbs" if kind else "deafs": cuts(kind, count, 3800)}
    silences = [Silence(RUN_NS + 200 * MS + place * 1200 * MS, 700 * MS) for place in range(3)]
    fate = stranger if callable(stranger) else lambda kind, place: stranger
    return Scenario(silences=silences, seconds=8.0, stranger=fate, **other, **fields)


def only(place):
    """One packet of each disturbance is applied."""
    return lambda kind, at: "applied" if at == place else "ignored"


@pytest.mark.parametrize("kind", [0, *WAYS])
@pytest.mark.parametrize(
    "rule", [ENTRY, p.FailsafeOutputs(), p.FailsafeExit(), p.NoFalseFailsafe(), p.Duplicates(), p.NoGlitch(),
             p.Order(), p.ControlGap(at_most_ns=30 * MS), p.Delivery(at_least=Fraction(1, 2)),
             p.Latency(percentile=Fraction(1, 2), at_most_ns=5 * MS),
             p.Latency(of="acknowledgement", percentile=Fraction(1, 2), at_most_ns=5 * MS)],
    ids=lambda rule: rule.WORD,
)  # fmt: skip
def test_a_healthy_receiver_passes_cuts_of_every_way(kind, rule):
    found = judged(rule, run(kind))
    assert found.verdict is PASS, found.reason


@pytest.mark.parametrize("fate", ["applied", "feeds"])
@pytest.mark.parametrize("kind", WAYS)
def test_a_receiver_that_lives_on_strange_packets_fails_and_the_way_is_named(kind, fate):
    found = judged(ENTRY, run(kind, fate))
    assert (found.verdict, found.value) == (FAIL, float("inf"))
    assert f"failsafe never engaged in 3 of 3 cuts {WAYS[kind]}" in found.reason
    assert found.counts[WAYS[kind]] == 3
    assert "identity and checksum" in " ".join(found.advice)


@pytest.mark.parametrize("sent", [0, -1])
@pytest.mark.parametrize(("fate", "verdict"), [("feeds", FAIL), ("ignored", PASS)])
def test_a_transmitter_that_does_not_say_what_it_sent_hides_no_missing_failsafe(sent, fate, verdict):
    """It says that nothing went out, or its word is lost: the cuts in time count for nothing, others do."""
    scenario = run(1, fate)
    scenario.disturbs = [replace(one, sent=sent) for one in scenario.disturbs]
    found = judged(ANY, scenario)
    assert found.verdict is verdict
    assert found.counts["never engaged"] == (3 if verdict is FAIL else 0)
    assert found.samples == (6 if verdict is FAIL else 3)


def test_a_receiver_that_lives_on_its_own_acknowledgements_fails():
    found = judged(ENTRY, run(0, failsafe_ns=lambda place: None if place >= 3 else 400 * MS))
    assert found.verdict is FAIL
    assert "never engaged in 3 of 3 cuts with acknowledgements alive" in found.reason


@pytest.mark.parametrize(("place", "verdict"), [(30, FAIL), (99, PASS)])
@pytest.mark.parametrize("kind", WAYS)
def test_one_strange_packet_that_ends_failsafe_fails_by_its_outputs(kind, place, verdict):
    """Failsafe comes 400 ms after the last packet; the packet at place 30 about 200 ms later."""
    found = judged(p.FailsafeOutputs(), run(kind, stranger=only(place)))
    assert found.verdict is verdict
    assert (f"cuts {WAYS[kind]}" in found.reason) is (verdict is FAIL)


def test_repeats_that_are_applied_are_duplicates_and_stale_control():
    assert judged(p.Duplicates(), run(3, "applied")).verdict is FAIL
    found = judged(p.FailsafeExit(), run(3, stranger=only(30)))
    assert found.verdict is FAIL
    assert "by repeats of the last packet" in found.reason


def test_corrupted_packets_that_are_applied_are_glitches_but_no_duplicates():
    assert judged(p.NoGlitch(), run(1, "applied")).verdict is FAIL
    assert judged(p.Duplicates(), run(1, "applied")).verdict is PASS


def test_a_strange_packet_does_not_make_failsafe_a_false_one():
    """It feeds no timer: failsafe 400 ms after the last own packet is 10 ms after the strange one."""
    assert judged(p.NoFalseFailsafe(), run(2)).verdict is PASS
    scenario = run(2)
    at_ns = RUN_NS + 4180 * MS
    strange = wire.Applied(7, scenario.stamp(RX, at_ns), -60, (1000, 2000, 1000, 2000))
    scenario.say(RX, strange, at_ns)
    assert judged(p.NoFalseFailsafe(), scenario).verdict is PASS


def test_cuts_that_did_not_happen_are_told_with_what_was_seen():
    scenario = run(0, obeyed=False)
    notes = judge(scenario.plan, scenario.recording()).notes
    assert "3 link cuts did not happen: packets came through, or none was acknowledged" in notes
    found = judged(ENTRY, Scenario(disturbs=[Meddling(RUN_NS + S, 700 * MS, kind=1, sent=0)]))
    assert found.verdict is OPEN
    assert "nothing was sent in place" in found.reason


LOSSES = [p.LossPattern(longest_run=1, periodic="allowed"), p.ControlGap(at_most_ns=30 * MS)]


@pytest.mark.parametrize("rule", LOSSES, ids=lambda rule: rule.WORD)
def test_packets_thrown_away_by_a_deaf_receiver_are_no_losses(rule):
    """35 packets in one time of deafness; as many lost without an order fail."""
    deaf = [Meddling(RUN_NS + S, 700 * MS)]
    assert judged(rule, Scenario(deafs=deaf, seconds=5.0)).verdict is PASS
    lost = Scenario(lost=lambda packet: 75 <= packet.index < 110, seconds=5.0)
    assert judged(rule, lost).verdict is FAIL


@pytest.mark.parametrize(("order", "lost"), [(True, 0), (False, 35)])
def test_delivery_does_not_count_what_a_deaf_receiver_was_told_to_throw_away(order, lost):
    gone = {"deafs": [Meddling(RUN_NS + S, 700 * MS)]}
    if not order:
        gone = {"lost": lambda packet: 75 <= packet.index < 110}
    found = judged(p.Delivery(at_least=Fraction(1, 2)), Scenario(seconds=5.0, **gone))
    assert found.counts["lost"] == lost
    assert found.counts["sent"] + found.counts["not judged"] == 250


def test_acknowledgements_kept_back_as_ordered_are_not_late():
    rule = p.Latency(of="acknowledgement", percentile=Fraction(1, 2), at_most_ns=5 * MS)
    mute = [Meddling(RUN_NS + S, 2 * S)]
    found = judged(rule, Scenario(mutes=mute, seconds=5.0))
    assert found.verdict is PASS
    for other in (
        p.Delivery(at_least=Fraction(1, 2)),
        p.NoFalseFailsafe(),
        p.ControlGap(at_most_ns=30 * MS),
    ):
        assert judged(other, Scenario(mutes=mute, seconds=5.0)).verdict is PASS
    counts = judged(p.Delivery(at_least=Fraction(1, 2)), Scenario(mutes=mute, seconds=5.0)).counts
    assert counts["applied but not acknowledged"] == 0


def never_back(**fields):
    """A link that is gone after a cut of 700 ms at 1.2 s, in a run of 5 s."""
    return Scenario(
        silences=[Silence(RUN_NS + S, 700 * MS)], seconds=5.0,
        lost=lambda packet: packet.at_ns > RUN_NS + 1500 * MS, **fields,
    )  # fmt: skip


def test_a_link_that_never_comes_back_after_a_cut_has_a_gap_to_the_end():
    found = judged(p.ControlGap(at_most_ns=S), never_back())
    assert found.verdict is FAIL
    assert found.value == pytest.approx(5000 - 1705 - 300, abs=25)
    assert judged(p.FailsafeExit(), never_back()).verdict is FAIL


def test_a_link_that_never_comes_back_after_a_restart_has_a_gap_to_the_end():
    """The plan gives 2 s to come back."""
    gone = Scenario(
        resets=[Reset(RX, RUN_NS + S)], seconds=6.0, lost=lambda packet: packet.at_ns > RUN_NS + S
    )
    found = judged(p.ControlGap(at_most_ns=S), gone)
    assert (found.verdict, found.value) == (FAIL, pytest.approx(3000, abs=25))
    slow = Scenario(resets=[Reset(RX, RUN_NS + S, down_ns=1900 * MS)], seconds=6.0)
    assert judged(p.ControlGap(at_most_ns=100 * MS), slow).verdict is PASS


def test_a_link_that_is_back_within_its_time_has_no_gap():
    late = Scenario(
        silences=[Silence(RUN_NS + S, 700 * MS)], seconds=5.0,
        lost=lambda packet: RUN_NS + 1500 * MS < packet.at_ns < RUN_NS + 1900 * MS,
    )  # fmt: skip
    assert judged(p.ControlGap(at_most_ns=30 * MS), late).verdict is PASS


def test_a_transmitter_that_never_sends_again_fails_the_return_of_control():
    scenario = Scenario(
        silences=[Silence(RUN_NS + S, 700 * MS)], seconds=4.0,
        resets=[Reset(TX, RUN_NS + 1100 * MS, down_ns=60 * S, commanded=False)], pings=False,
    )  # fmt: skip
    scenario.say(TX, wire.Pong(1, 1), scenario.end_ns + 500 * MS)
    scenario.say(RX, wire.Pong(1, 1), scenario.end_ns + 500 * MS)
    found = judged(p.FailsafeExit(), scenario)
    assert found.verdict is FAIL
    assert "did not come back" in found.reason


TELEMETRY = [p.TelemetryValue(), p.TelemetryAge(at_most_packets=1, at_most_ns=50 * MS)]


@pytest.mark.parametrize("rule", TELEMETRY, ids=lambda rule: rule.WORD)
@pytest.mark.parametrize("what", ["deafs", "mutes", "disturbs"])
def test_telemetry_is_not_blamed_for_what_was_ordered(what, rule):
    """Values are injected every 250 ms; while packets or acknowledgements are away none can be fresh."""
    orders = [
        Meddling(RUN_NS + (1000 + 2000 * n) * MS, 700 * MS, kind=int(what == "disturbs")) for n in range(3)
    ]
    scenario = Scenario(seconds=30.0, **{what: orders})
    scenario.inject_often()
    found = judged(rule, scenario)
    assert found.verdict is PASS, found.reason


def test_a_mute_time_without_an_order_makes_telemetry_old():
    """The near miss of the above: the same acknowledgements are missing, and nobody asked for it."""
    scenario = Scenario(seconds=30.0)
    scenario.inject_often()
    payload = scenario.telemetry
    scenario.telemetry = lambda packet: None if 75 <= packet.index < 110 else payload(packet)
    assert judged(TELEMETRY[1], scenario).verdict is not PASS


@pytest.mark.parametrize("clock_us", [2**32 - 1, 2**32 - 600_000, 2**32 - 1_500_000])
@pytest.mark.parametrize("role", [RX, TX])
def test_a_device_that_starts_near_the_wrap_of_its_clock_is_timed_as_any(role, clock_us):
    """It comes back at 0.6 s; cuts at 1.2 s and 2.4 s. Wraps at once, before a cut, or in the first one."""
    resets = [Reset(role, RUN_NS + 300 * MS, clock_us=clock_us, packet=65_500)]
    silences = [Silence(RUN_NS + (1200 + 1200 * n) * MS, 700 * MS) for n in range(2)]
    rules = (ANY, p.NoFalseFailsafe(), p.Order(), p.Duplicates(), p.NoGlitch(), p.FailsafeExit(),
             p.Fidelity(), p.ControlGap(at_most_ns=30 * MS), p.PacketRate(at_least_mhz=49_000))  # fmt: skip
    for rule in rules:
        found = judged(rule, Scenario(resets=resets, silences=silences, seconds=5.0))
        assert found.verdict is PASS, found.reason
    plain = [Reset(role, RUN_NS + 300 * MS)]
    delivery = p.Delivery(at_least=Fraction(1, 2))
    counts, usual = (judged(delivery, Scenario(resets=each, seconds=5.0)).counts for each in (resets, plain))
    assert counts == usual


def test_a_restart_in_a_cut_is_timed_and_its_recovery_is_not():
    """The receiver restarts 700 ms into a cut of 1.6 s: the silence after it is the plan's."""
    scenario = {"silences": [Silence(RUN_NS + S, 1600 * MS)], "resets": [Reset(RX, RUN_NS + 1700 * MS)]}
    assert judged(ANY, Scenario(**scenario)).verdict is PASS
    found = judged(p.Recovery(after="restart", within_ns=500 * MS), Scenario(**scenario))
    assert found.verdict is OPEN
