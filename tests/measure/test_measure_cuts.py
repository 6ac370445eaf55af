"""Link cuts of every way: what was ordered, what came of it, and which packets stand on either side."""

from dataclasses import replace

import pytest
from scenario import (
    LINK,
    RUN_NS,
    RX,
    TX,
    Meddling,
    ReplyTo,
    Reset,
    Scenario,
    Silence,
    plan_for,
)

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.failsafe import Entry, failsafe_entries, failsafe_outputs
from harness.measure.recovery import failsafe_exits
from harness.plan import model as p
from harness.recording.model import Direction, PortPackets

LIMIT = LINK.failsafe.within_ns
KINDS = {"corrupted": 1, "foreign": 2, "repeated": 3}


def evidence(scenario):
    return gather(scenario.plan, scenario.recording())


def disturbed(way, *, count=2, **fields):
    places = [Meddling(RUN_NS + S + n * 1500 * MS, 700 * MS, kind=KINDS[way]) for n in range(count)]
    return Scenario(disturbs=places, seconds=1.5 + 1.5 * count, **fields)


def deaf(**fields):
    return Scenario(deafs=[Meddling(RUN_NS + S, 700 * MS)], **fields)


@pytest.mark.parametrize("way", KINDS)
def test_a_disturbance_is_a_cut_that_a_healthy_receiver_answers_like_a_silence(way):
    found = evidence(disturbed(way))
    entries = failsafe_entries(found, LIMIT)
    assert [one.cut.way for one in entries] == [way] * 2
    assert {one.entry for one in entries} == {Entry.ENGAGED}
    assert all(one.cut.held and one.cut.packets == 35 for one in entries)
    assert all(one.entry_ns == pytest.approx(400 * MS, abs=0.1 * MS) for one in entries)
    assert not found.applied.strange.any()
    assert [one.exit_ns for one in failsafe_exits(found, 200 * MS)] == pytest.approx([2 * MS] * 2, abs=MS)


@pytest.mark.parametrize("way", KINDS)
@pytest.mark.parametrize("fate", ["applied", "feeds"])
def test_a_receiver_that_lives_on_strange_packets_never_engaged(way, fate):
    found = evidence(disturbed(way, stranger=lambda kind, place: fate))
    assert {one.entry for one in failsafe_entries(found, LIMIT)} == {Entry.NEVER}
    assert found.applied.strange.sum() == (70 if fate == "applied" else 0)


@pytest.mark.parametrize("way", KINDS)
def test_one_strange_packet_in_failsafe_shows_in_its_outputs(way):
    """The packet at place 25 of 35 comes 500 ms into the cut: failsafe is in, and ends for it."""
    found = evidence(disturbed(way, stranger=lambda kind, place: ["ignored", "applied"][place == 25]))
    assert {one.entry for one in failsafe_entries(found, LIMIT)} == {Entry.ENGAGED}
    wrong = [one for one in failsafe_outputs(found) if one.shown_us != one.wanted_us and not one.held]
    assert {one.cut.number for one in wrong} == {1, 2}
    assert [cut.until_ns - cut.end_ns < 30 * MS for cut in found.cuts] == [True, True]


@pytest.mark.parametrize("number", [0, 40, 90])
def test_a_foreign_packet_with_the_number_of_an_own_one_is_not_lined_up_with_it(number):
    """Own packets begin at 0 and are at about 75 when the first cut begins: all were used already."""
    found = evidence(disturbed("foreign", stranger=lambda kind, place: "applied", foreign_number=number))
    strange = found.applied.strange
    assert (found.applied.sent_row[strange] == -1).all()
    assert strange.sum() == 70
    assert not found.applied.repeat.any()
    rest = found.applied.sent_row[~strange]
    assert (rest >= 0).all()
    assert len(set(rest.tolist())) == len(rest)


def test_a_corrupted_packet_carries_the_next_number_which_comes_again_and_is_no_repeat():
    found = evidence(disturbed("corrupted", stranger=lambda kind, place: "applied", first_number=300))
    assert found.applied.strange.sum() == 70
    assert not found.applied.repeat.any()
    after = found.sent.number[[cut.first_sent for cut in found.cuts]].tolist()
    assert set(found.applied.number[found.applied.strange].tolist()) == set(after)


def test_packets_beside_the_own_ones_are_no_cut_and_their_effect_is_told_apart():
    beside = [Meddling(RUN_NS + S, 2 * S, kind=4)]
    found = evidence(Scenario(disturbs=beside, stranger=lambda kind, place: "applied", foreign_number=100))
    assert found.cuts == ()
    assert found.applied.strange.sum() == 100
    fine = evidence(Scenario(disturbs=beside))
    assert not fine.applied.strange.any()
    assert (fine.applied.sent_row >= 0).all()


def test_a_lost_last_packet_that_comes_in_a_repeat_is_an_own_one():
    """The last packet before the cut is lost; the first repeat brings it, the others are told as repeats."""
    way = disturbed(
        "repeated", count=1, lost=lambda packet: packet.index == 75, stranger=lambda kind, place: "applied"
    )
    found = evidence(way)
    assert found.applied.strange.sum() == 34


@pytest.mark.parametrize("sent", [0, -1])
def test_a_disturbance_of_which_nothing_went_out_shows_nothing(sent):
    place = Meddling(RUN_NS + S, 700 * MS, kind=2, sent=sent)
    entry = failsafe_entries(evidence(Scenario(disturbs=[place])), LIMIT)[0]
    assert (entry.cut.held, entry.entry) == (True, Entry.NOT_SENT)


@pytest.mark.parametrize("sent", [0, -1])
@pytest.mark.parametrize(
    ("after_ms", "entry"), [(490, Entry.NOT_SENT), (510, Entry.ENGAGED), (None, Entry.NEVER)]
)
def test_a_late_failsafe_counts_whatever_the_transmitter_says_it_sent(sent, after_ms, entry):
    """500 ms are declared; own packets had stopped for 700 ms."""
    place = Meddling(RUN_NS + S, 700 * MS, kind=1, sent=sent)
    after_ns = None if after_ms is None else after_ms * MS
    found = evidence(Scenario(disturbs=[place], failsafe_ns=lambda _: after_ns))
    assert failsafe_entries(found, LIMIT)[0].entry is entry


def test_a_transmitter_that_goes_on_sending_when_told_to_disturb_makes_no_cut():
    """The order alone, none of what it should do."""
    scenario = Scenario()
    event = scenario.tell(TX, wire.Disturb(1, 5_000, 700_000), RUN_NS + S)
    done = ReplyTo(event, wire.Result.DONE, scenario.stamp(TX, RUN_NS + S))
    scenario.say(TX, done, RUN_NS + S + 2 * MS)
    (entry,) = failsafe_entries(evidence(scenario), LIMIT)
    assert (entry.cut.held, entry.entry) == (False, Entry.NOT_HELD)


def test_a_deaf_receiver_is_cut_off_while_its_module_acknowledges():
    found = evidence(deaf())
    (entry,) = failsafe_entries(found, LIMIT)
    assert (entry.cut.way, entry.cut.held, entry.entry) == ("deaf", True, Entry.ENGAGED)
    assert entry.entry_ns == pytest.approx(400 * MS, abs=0.1 * MS)
    (leaving,) = failsafe_exits(found, 200 * MS)
    assert leaving.exit_ns == pytest.approx(2 * MS, abs=MS)
    assert leaving.stale == ()


def test_a_receiver_that_is_not_deaf_when_told_shows_nothing():
    (entry,) = failsafe_entries(evidence(deaf(obeyed=False)), LIMIT)
    assert (entry.cut.held, entry.entry) == (False, Entry.NOT_DEAF)


def test_a_receiver_that_acknowledges_nothing_while_it_is_deaf_shows_no_loss_one_way():
    both = [Meddling(RUN_NS + S, 700 * MS)]
    (entry,) = failsafe_entries(evidence(Scenario(deafs=both, mutes=both)), LIMIT)
    assert entry.entry is Entry.NOT_DEAF


def test_a_receiver_that_lives_on_its_own_acknowledgements_never_engaged():
    (entry,) = failsafe_entries(evidence(deaf(failsafe_ns=lambda _: None)), LIMIT)
    assert entry.entry is Entry.NEVER


def test_a_refused_order_makes_no_cut_but_a_refused_silence_is_told():
    scenario = Scenario()
    for message in (wire.Deafen(0, 700_000), wire.MuteAcks(0, 1)):
        scenario.tell(RX, message, RUN_NS + S)
        scenario.say(RX, wire.Reply(message.TYPE, 0, wire.Result.UNKNOWN, 0), RUN_NS + S + MS)
    found = evidence(scenario)
    assert len(found.orders) == 2
    found = evidence(Scenario(silences=[Silence(RUN_NS + S, 700 * MS)], silent=False))
    assert [cut.held for cut in found.cuts] == [False]


def test_an_order_knows_when_it_took_effect_and_ended():
    found = evidence(disturbed("foreign", count=1))
    (order,) = found.orders
    assert order.began_ns == pytest.approx(RUN_NS + S + 5 * MS, abs=0.2 * MS)
    assert order.over_ns == pytest.approx(RUN_NS + S + 705 * MS, abs=0.2 * MS)
    assert (order.packets, order.acknowledged) == (35, 35)


def test_a_release_ends_what_was_ordered():
    scenario = Scenario(disturbs=[Meddling(RUN_NS + S, 700 * MS, kind=1)])
    scenario.tell(TX, wire.Release(), RUN_NS + 1200 * MS)
    (order,) = evidence(scenario).orders
    assert order.end_ns == RUN_NS + 1200 * MS


def test_silences_of_a_fade_are_told_by_their_step():
    steps = [
        p.PlanStep(action=p.Fade(over_ns=S, duration_ns=S), name="away", path="steps[0]"),
        p.PlanStep(action=p.Cut(duration_ns=700 * MS), name="cut", path="steps[1]"),
    ]
    scenario = Scenario(
        plan=plan_for(steps=steps),
        silences=[Silence(RUN_NS + S, 700 * MS), Silence(RUN_NS + 3 * S, 700 * MS)], seconds=5.0,
    )  # fmt: skip
    for place, path in enumerate(("steps[0]", "steps[1]")):
        scenario.mark(RUN_NS + 2 * place * S, "step", path=path, name=path)
        scenario.mark(RUN_NS + 2 * (place + 1) * S, "step end", path=path)
    assert [(cut.way, cut.path) for cut in evidence(scenario).cuts] == [
        ("fade", "steps[0]"),
        ("silence", "steps[1]"),
    ]


def test_a_restart_of_the_receiver_in_a_cut_ends_what_the_cut_tells():
    """The cut is 3 s long; 300 ms into it the receiver restarts, and shows failsafe outputs from then on."""
    early = [Reset(RX, RUN_NS + 1300 * MS)]
    cut = [Silence(RUN_NS + S, 3 * S)]
    entry = failsafe_entries(evidence(Scenario(silences=cut, resets=early, seconds=6.0)), LIMIT)[0]
    assert entry.entry is Entry.NOT_NEEDED
    late = [Reset(RX, RUN_NS + 2 * S)]
    found = evidence(Scenario(silences=cut, resets=late, seconds=6.0))
    assert failsafe_entries(found, LIMIT)[0].entry is Entry.ENGAGED
    assert {one.shown_us == one.wanted_us for one in failsafe_outputs(found)} == {True}
    never = evidence(Scenario(silences=cut, resets=late, seconds=6.0, failsafe_ns=lambda _: None))
    assert failsafe_entries(never, LIMIT)[0].entry is Entry.NEVER


@pytest.mark.parametrize(("until_ms", "entry"), [(900, Entry.UNKNOWN), (1800, Entry.NEVER)])
def test_a_port_that_falls_silent_before_a_restart_in_a_cut_leaves_it_open(until_ms, entry):
    """The last packet comes at 1 s, failsafe is due at 1.5 s, the restart is at 2 s; the port ends before."""
    scenario = Scenario(
        silences=[Silence(RUN_NS + S, 3 * S)], resets=[Reset(RX, RUN_NS + 2 * S)], seconds=6.0,
        failsafe_ns=lambda _: None,
    )  # fmt: skip
    until_ns = RUN_NS + until_ms * MS
    scenario.say(RX, wire.Pong(1, 1), RUN_NS + 1790 * MS)
    whole = scenario.recording()
    port = whole.ports[RX]
    keep = [
        place for place, way in enumerate(port.direction)
        if way != Direction.TO_PC or port.at_ns[place] <= until_ns
    ]  # fmt: skip
    cut_off = PortPackets(*([column[n] for n in keep] for column in (port.at_ns, port.direction, port.data)))
    found = gather(scenario.plan, replace(whole, ports={**whole.ports, RX: cut_off}))
    assert failsafe_entries(found, LIMIT)[0].entry is entry


def test_a_transmitter_that_never_sends_again_is_waited_for():
    scenario = Scenario(
        silences=[Silence(RUN_NS + S, 700 * MS)], seconds=4.0,
        resets=[Reset(TX, RUN_NS + 1100 * MS, down_ns=60 * S, commanded=False)], pings=False,
    )  # fmt: skip
    scenario.say(TX, wire.Pong(1, 1), scenario.end_ns + 500 * MS)
    (leaving,) = failsafe_exits(evidence(scenario), 200 * MS)
    assert leaving.exit_ns is None
    assert leaving.waited_ns > 2 * S
