"""The harness judges every trial anew from what is on record, by the formulas of the standards."""

import pytest
from scenario import RUN_NS, RX, TX, Reset, Scenario, drop_every, every, plan_for

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure.evidence import gather
from harness.measure.trials import (
    Longest,
    corrected_buffer_s,
    find_back_to_back,
    find_throughput,
    frame_loss_percent,
    implied_buffer_s,
    read_trials,
)
from harness.plan import model as p
from harness.plan.trials import Outcome, trials_of
from harness.recording.model import Mark

RATES = p.FindThroughput(to_mhz=100_000)
BURSTS = p.FindBackToBack(up_to=20)


def plan(action):
    return plan_for(steps=[p.PlanStep(action=action, name="go", path="steps[0]")])


class Tried:
    """A scenario at 50 packets a second with trials marked in it, one after the other, a second long."""

    def __init__(self, action=RATES, **fields):
        self.link = Scenario(plan=plan(action), seconds=fields.pop("seconds", 12.0), **fields)
        self.number = 0

    def trial(self, outcome="good", *, for_ns=S, what="final", end=True, **about):
        self.number += 1
        start = RUN_NS + self.number * 1100 * MS + 5 * MS
        common = {"path": "steps[0]", "number": self.number}
        self.mark(start, "trial", what=what, **about, **common)
        if end:
            self.mark(start + for_ns, "trial end", **common)
            self.mark(start + for_ns + MS, "trial result", outcome=outcome, **common)
        return self

    def mark(self, at_ns, kind, **fields):
        self.link.marks.append(Mark(at_ns, kind, fields))

    def evidence(self):
        return gather(self.link.plan, self.link.recording())

    def trials(self):
        return read_trials(self.evidence())


def throughput(tried):
    evidence = tried.evidence()
    return find_throughput(evidence, read_trials(evidence))


def back_to_back(tried):
    evidence = tried.evidence()
    return find_back_to_back(evidence, read_trials(evidence))


# -- the formulas ------------------------------------------------------------------------------------


def test_frame_loss_rate_is_that_of_rfc_2544_section_26_3():
    """((input - output) x 100) / input; the formula is the source's, the counts are ours."""
    assert frame_loss_percent(1000, 985) == pytest.approx(1.5, abs=1e-12)


def test_buffer_times_are_those_of_rfc_9004_section_6_4():
    """Implied N / Rmax, corrected implied x (1 - throughput / Rmax); formulas read, the numbers are ours."""
    implied = implied_buffer_s(1000, 2000)
    assert implied == pytest.approx(0.5, abs=1e-12)
    assert corrected_buffer_s(implied, 1500, 2000) == pytest.approx(0.125, abs=1e-12)
    assert corrected_buffer_s(implied, 2500, 2000) == 0


# -- one trial ---------------------------------------------------------------------------------------


def test_counts_the_packets_sampled_inside_a_trial_and_those_of_them_that_were_lost():
    first = 25 + 55 + 10  # half a second before the run, 1.1 s before the trial, 0.2 s into it
    tried = (
        Tried(lost=lambda packet: packet.index in (first, first + 3))
        .trial(rate_mhz=50_000)
        .trial(rate_mhz=50_000)
    )
    one, two = tried.trials()
    assert (one.sent, one.lost, one.outcome, one.live) == (50, 2, Outcome.LOSSY, "good")
    assert (two.sent, two.lost, two.outcome) == (50, 0, Outcome.GOOD)
    assert one.loss_percent == pytest.approx(100 * 2 / 50)
    assert one.bad
    assert not two.bad


def test_a_late_packet_is_a_lost_one():
    late, in_time = (
        Tried(latency_ns=lambda packet, ns=ns: ns if packet.index == 100 else 2 * MS).trial(rate_mhz=50_000)
        for ns in (110 * MS, 90 * MS)
    )
    assert [one.lost for tried in (late, in_time) for one in tried.trials()] == [1, 0]


@pytest.mark.parametrize(
    ("rate_mhz", "expected"), [(52_000, Outcome.GOOD), (53_000, Outcome.GOOD), (54_000, Outcome.SLOW)]
)
def test_a_transmitter_that_sends_fewer_than_asked_is_slow(rate_mhz, expected):
    """50 packets came in that second; 1 % and one packet at either end are allowed: 50 of 53 at most."""
    (one,) = Tried().trial(rate_mhz=rate_mhz).trials()
    assert one.outcome is expected


def test_as_many_losses_as_the_plan_allows_are_none():
    action = p.FindThroughput(to_mhz=100_000, loss=p.Fraction(1, 25))
    for many, expected in ((2, Outcome.GOOD), (3, Outcome.LOSSY)):
        lost = set(range(100, 100 + many))
        (one,) = (
            Tried(action, lost=lambda packet, lost=lost: packet.index in lost).trial(rate_mhz=50_000).trials()
        )
        assert one.outcome is expected


@pytest.mark.parametrize("role", [TX, RX])
def test_lost_serial_messages_make_a_trial_void_and_never_lossy(role):
    kind = wire.Sent if role == TX else wire.Applied
    (one,) = Tried(drop=drop_every(role, 40, kind)).trial(rate_mhz=50_000).trials()
    assert one.unknown
    assert one.lost == 0
    assert one.outcome is Outcome.VOID


def test_certain_losses_count_in_spite_of_lost_serial_messages():
    (one,) = Tried(drop=drop_every(RX, 40, wire.Applied), lost=every(0, 3)).trial(rate_mhz=50_000).trials()
    assert one.outcome is Outcome.LOSSY


def test_a_trial_that_was_not_ended_is_none():
    assert Tried().trial(rate_mhz=50_000, end=False).trials() == ()


def test_marks_with_odd_fields_do_no_harm():
    tried = Tried()
    tried.mark(RUN_NS, "trial", number="one", what=3, rate_mhz=None, path=[])
    tried.mark(RUN_NS + S, "trial end", number="one", path=None)
    tried.mark(RUN_NS + S, "trial result", number=True, outcome=4)
    for number, odd in enumerate((10**400, -5, 2.5), start=1):
        tried.trial(rate_mhz=odd, count=odd, repeat=odd, what="burst" if number % 2 else "final")
    assert all(isinstance(one.rate_mhz, int) for one in tried.trials())
    assert throughput(Tried()) is None
    assert back_to_back(Tried()) is None


# -- throughput --------------------------------------------------------------------------------------


def test_throughput_is_the_highest_good_rate_of_a_full_trial_below_the_lowest_bad_one():
    tried = Tried(lost=lambda packet: packet.at_ns > RUN_NS + 4400 * MS).trial(what="search", rate_mhz=52_000)
    tried.trial(rate_mhz=51_000).trial(rate_mhz=50_000).trial(rate_mhz=50_500)
    found = throughput(tried)
    assert found.best.rate_mhz == 50_000
    assert found.bad.rate_mhz == 50_500
    assert found.open_end == ""
    assert found.tried == 4


@pytest.mark.parametrize(
    ("outcome", "rate_mhz", "most_mhz", "expected"),
    [
        ("good", 50_000, 50_000, "plan"),
        ("good", 50_000, 60_000, "bench"),
        ("refused", 50_000, 60_000, "refused"),
    ],
)
def test_says_why_no_higher_rate_was_tried(outcome, rate_mhz, most_mhz, expected):
    tried = Tried(p.FindThroughput(from_mhz=20_000, to_mhz=most_mhz)).trial(rate_mhz=rate_mhz)
    if outcome == "refused":
        tried.trial("refused", for_ns=0, what="search", rate_mhz=55_000)
    found = throughput(tried)
    assert found.best.rate_mhz == rate_mhz
    assert found.open_end == expected


# -- back to back ------------------------------------------------------------------------------------


def burst_at(number, count):
    """Whether a packet is one of `count` in the trial with this number, 0.2 s into it."""
    first = 25 + 55 * number + 10
    return lambda packet: first <= packet.index < first + count


def test_a_burst_ends_with_its_last_packet_and_every_packet_between_belongs_to_it():
    inner, after = 25 + 55 + 12, 25 + 55 + 16
    flagged = burst_at(1, 5)

    def in_burst(packet):
        return flagged(packet) and packet.index != inner

    for lost, expected in ((inner, Outcome.LOSSY), (after, Outcome.GOOD)):
        (one,) = (
            Tried(BURSTS, in_burst=in_burst, lost=lambda packet, lost=lost: packet.index == lost)
            .trial(what="burst", count=4, repeat=1)
            .trials()
        )
        assert one.sent == 4
        assert one.outcome is expected
        assert one.period_ns == 20 * MS


def test_a_burst_with_a_packet_too_few_is_slow():
    (one,) = Tried(BURSTS, in_burst=burst_at(1, 4)).trial(what="burst", count=5, repeat=1).trials()
    assert one.outcome is Outcome.SLOW


def test_the_longest_burst_of_a_search_is_just_below_the_shortest_bad_one():
    flags = [burst_at(1, 10), burst_at(2, 5), burst_at(3, 6), burst_at(4, 20)]
    lost = {25 + 55 + 15, 25 + 3 * 55 + 12}
    tried = Tried(
        BURSTS,
        in_burst=lambda packet: any(flag(packet) for flag in flags),
        lost=lambda packet: packet.index in lost,
    )
    for count, repeat in ((10, 1), (5, 1), (6, 1), (20, 2)):
        tried.trial(what="burst", count=count, repeat=repeat)
    found = back_to_back(tried)
    assert found.longest == (Longest(1, 5, ""), Longest(2, 20, "plan"))
    assert found.average == 12.5
    assert found.deviation == pytest.approx(10.6066, abs=1e-4)
    assert found.rate_hz == pytest.approx(50, rel=1e-6)


def test_a_search_that_was_broken_off_says_nothing():
    tried = Tried(BURSTS, in_burst=burst_at(1, 10), lost=lambda packet: packet.index == 95)
    assert back_to_back(tried.trial(what="burst", count=10, repeat=1)) is None


# -- the rest of the run -----------------------------------------------------------------------------


def test_the_whole_run_is_without_the_steps_that_push_the_link_unless_they_are_named():
    evidence = Tried().evidence()
    assert evidence.spans().tolist() == []
    assert evidence.spans(("go",)).tolist() == [[evidence.run.start_ns, evidence.run.end_ns]]


# -- restarts, contradictions, marks of others -------------------------------------------------------


@pytest.mark.parametrize("role", [TX, RX])
@pytest.mark.parametrize("at_ms", [300, 950, 1050])
def test_a_trial_in_which_a_device_starts_anew_is_void_and_the_next_one_counts(role, at_ms):
    """In its middle, across its end, and while its last packets may be under way."""
    reset = Reset(role, RUN_NS + (1105 + at_ms) * MS, commanded=False)
    tried = Tried(resets=[reset]).trial("void", rate_mhz=50_000).trial("void", rate_mhz=50_000)
    tried.trial(rate_mhz=50_000)
    evidence = tried.evidence()
    first, *_, last = trials = read_trials(evidence)
    assert first.outcome is Outcome.VOID
    assert last.outcome is Outcome.GOOD
    found = find_throughput(evidence, trials)
    assert found.best.outcome is Outcome.GOOD
    assert found.bad is None


@pytest.mark.parametrize("role", [TX, RX])
def test_a_burst_in_which_a_device_starts_anew_is_void_and_fails_nobody(role):
    reset = Reset(role, RUN_NS + 1305 * MS, commanded=False)
    tried = Tried(BURSTS, in_burst=burst_at(1, 4), resets=[reset])
    tried.trial("void", what="burst", count=4, repeat=1)
    evidence = tried.evidence()
    (one,) = trials = read_trials(evidence)
    assert one.outcome is Outcome.VOID
    assert {each.open_end for each in find_back_to_back(evidence, trials).longest} == {"void"}


def test_a_restart_long_before_a_trial_does_no_harm():
    reset = Reset(RX, RUN_NS + 100 * MS, commanded=False)
    (one,) = Tried(resets=[reset]).trial(rate_mhz=50_000).trials()
    assert one.outcome is Outcome.GOOD


def test_a_later_trial_of_full_length_overrules_a_shorter_one_at_its_rate():
    """RFC 2544 section 24: shorter trials only to search; the numbers are ours."""
    tried = Tried(lost=lambda packet: packet.index == 90).trial(what="search", rate_mhz=50_000)
    tried.trial(rate_mhz=50_000)
    evidence = tried.evidence()
    trials = read_trials(evidence)
    found = find_throughput(evidence, trials)
    assert [one.outcome for one in trials] == [Outcome.LOSSY, Outcome.GOOD]
    assert found.best.number == 2
    assert found.bad is None


def test_an_earlier_trial_of_full_length_overrules_none_and_is_told_beside_the_bad_one():
    tried = Tried(lost=lambda packet: packet.index == 145).trial(rate_mhz=50_000)
    tried.trial(what="search", rate_mhz=50_000)
    found = throughput(tried)
    assert found.best is None
    assert found.bad.number == 2
    assert found.above.number == 1


@pytest.mark.parametrize("odd", [10**400, 1 << 63, -5, 2.5, True, "one"])
def test_a_mark_with_an_impossible_number_is_left_out(odd):
    assert Tried().trial(rate_mhz=odd).trials() == ()
    assert Tried(BURSTS).trial(what="burst", count=odd, repeat=1).trials() == ()


def test_marks_of_more_trials_than_the_plan_can_have_are_left_out():
    tried = Tried()
    for _ in range(200):
        tried.trial(rate_mhz=50_000)
    assert len(tried.trials()) == trials_of(RATES, tried.link.plan.link) < 50
