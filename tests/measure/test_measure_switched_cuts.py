"""Cuts and restarts from outside: marks bound their moments, the data narrow them and say if they held."""

from __future__ import annotations

import pytest
from scenario import LINK, RUN_NS, RX, TX, Reset, Scenario, plan_for

from harness.account.beginnings import beginnings
from harness.account.unshown import OUTSIDE, not_shown
from harness.clock import MS, S
from harness.codec import messages as wire
from harness.judge.ways import cuts_of, way_counts
from harness.measure import gather
from harness.measure.failsafe import Entry, failsafe_entries
from harness.measure.recovery import failsafe_exits
from harness.measure.restored import after_restarts
from harness.measure.switched import NEVER_NS, read_switched
from harness.plan import model as p
from harness.recording.model import Mark

LIMIT = LINK.failsafe.within_ns
OFF_NS = RUN_NS + S
ON_NS = OFF_NS + 800 * MS
BOOTS_NS = 100 * MS


def switched(
    scenario, at_ns, *, on, took_ns=20 * MS, what="transmitter power", means="line", step="cut", **more
):
    fields = {"earliest_ago_ns": took_ns, "latest_ago_ns": 0, "boots_ns": 3 * S, "path": "steps[0]"} | more
    fields |= {"what": what, "means": means, "on": on, "step": step}
    scenario.marks.append(Mark(at_ns + took_ns, "switched", fields))


def power_cut(*, really=True, **fields):
    """A transmitter that is without power from 5 ms after OFF_NS, and boots after ON_NS."""
    gone = Reset(TX, OFF_NS + 5 * MS, ON_NS + BOOTS_NS - OFF_NS - 5 * MS, commanded=False, cause=0)
    scenario = Scenario(resets=[gone] if really else [], **fields)
    switched(scenario, OFF_NS, on=False)
    switched(scenario, ON_NS, on=True)
    return scenario


def path_cut(**fields):
    """A path that is open from 5 ms after OFF_NS to 5 ms after ON_NS."""
    scenario = Scenario(lost=lambda one: OFF_NS + 5 * MS <= one.at_ns < ON_NS + 5 * MS, **fields)
    switched(scenario, OFF_NS, on=False, what="antenna", means="device")
    switched(scenario, ON_NS, on=True, what="antenna", means="device")
    return scenario


def evidence(scenario):
    return gather(scenario.plan, scenario.recording())


@pytest.mark.parametrize(("made", "way"), [(power_cut, "power line"), (path_cut, "path device")])
def test_a_cut_from_outside_is_answered_like_a_silence(made, way):
    found = evidence(made())
    (entry,) = failsafe_entries(found, LIMIT)
    assert (entry.cut.way, entry.cut.held, entry.entry) == (way, True, Entry.ENGAGED)
    assert entry.entry_ns == pytest.approx(400 * MS, abs=0.1 * MS)
    assert entry.cut.window_ns[1] <= OFF_NS + 20 * MS
    (back,) = failsafe_exits(found, 200 * MS)
    assert back.exit_ns == pytest.approx(2 * MS, abs=MS)


@pytest.mark.parametrize("made", [power_cut, path_cut])
def test_the_time_since_the_cut_carries_what_is_not_known_of_its_moment(made):
    found = evidence(made())
    (entry,) = failsafe_entries(found, LIMIT)
    begin, end = entry.cut.window_ns
    assert entry.cut_bound_ns == (end - begin + 1) // 2 + found.slack_ns
    truth_ns = int(found.changes.at_ns[entry.change]) - (OFF_NS + 5 * MS)
    assert abs(entry.after_cut_ns - truth_ns) <= entry.cut_bound_ns


def test_a_cut_begins_after_the_last_packet_that_was_applied():
    """A packet every 4 ms leaves of a window of 20 ms what came after the last of them."""
    found = evidence(path_cut(period_ns=4 * MS))
    (cut,) = found.cuts
    assert OFF_NS < cut.window_ns[0] <= OFF_NS + 8 * MS
    assert cut.window_ns[1] == OFF_NS + 20 * MS


def test_a_cut_by_hand_begins_within_two_packet_periods_of_the_last_packet():
    """Asked 300 ms before it happened, and seen 200 ms after."""
    scenario = Scenario(lost=lambda one: OFF_NS <= one.at_ns < ON_NS)
    switched(scenario, OFF_NS - 300 * MS, on=False, took_ns=500 * MS, what="antenna", means="hand")
    switched(scenario, ON_NS, on=True, what="antenna", means="hand")
    found = evidence(scenario)
    (entry,) = failsafe_entries(found, LIMIT)
    assert entry.cut.way == "path hand"
    begin, end = entry.cut.window_ns
    assert begin <= OFF_NS <= end
    assert end - begin == pytest.approx(40 * MS, abs=2 * found.slack_ns + MS)
    assert entry.cut_bound_ns < 25 * MS


@pytest.mark.parametrize(
    "made", [lambda: power_cut(really=False), lambda: path_cut(latency_ns=lambda _: 60 * MS)]
)
def test_a_cut_in_which_packets_were_applied_is_none(made):
    """The transmitter lives on, fed through its serial input; or packets come late into the cut."""
    found = evidence(made())
    (entry,) = failsafe_entries(found, LIMIT)
    assert not entry.cut.held
    assert entry.entry is Entry.NOT_SWITCHED
    assert failsafe_exits(found, 200 * MS) == ()


def test_a_receiver_without_failsafe_never_engaged():
    found = evidence(power_cut(failsafe_ns=lambda _: None))
    assert [one.entry for one in failsafe_entries(found, LIMIT)] == [Entry.NEVER]


def test_a_power_cut_is_a_restart_that_was_called_for():
    found = evidence(power_cut())
    (span,) = found.restarts
    assert (span.role, span.powered_ns) == (TX, ON_NS)
    assert isinstance(
        next(note.message for note in found.heard[TX].others if note.frame == span.frame), wire.Started
    )
    assert OFF_NS - 20 * MS <= span.start_ns <= OFF_NS + 20 * MS
    assert span.end_ns == pytest.approx(ON_NS + BOOTS_NS + 22 * MS, abs=22 * MS)
    assert after_restarts(found) == ()  # it is judged as a cut


@pytest.mark.parametrize("role", [TX, RX])
def test_a_restart_by_power_is_recovered_from_as_of_when_power_is_back(role):
    gone = Reset(role, OFF_NS + 5 * MS, ON_NS + BOOTS_NS - OFF_NS, commanded=False, cause=0)
    steps = (p.PlanStep(action=p.Restart(device=role, by="power"), name="go", path="steps[0]"),)
    scenario = Scenario(plan=plan_for(steps=steps), resets=[gone])
    for at_ns, on in ((OFF_NS, False), (ON_NS, True)):
        switched(scenario, at_ns, on=on, what=f"{role} power", step="restart")
    found = evidence(scenario)
    assert found.cuts == ()
    (one,) = after_restarts(found)
    assert one.from_ns == ON_NS
    assert BOOTS_NS < one.time_ns < BOOTS_NS + 30 * MS


@pytest.mark.parametrize("lost", [0, 1, 3])
def test_what_a_device_could_not_say_without_power_is_no_loss_of_the_line(lost):
    """The first messages after power is back go down in a byte that a floating pin made."""

    def drop(role, place, message):
        if isinstance(message, wire.Started):
            drop.left = lost
        dropped = role is TX and drop.left > 0
        drop.left -= dropped
        return dropped

    drop.left = 0
    found = evidence(power_cut(drop=drop))
    assert found.heard[TX].messages_lost == 0
    assert len(found.restarts) == 1
    assert found.restarts[0].frame >= 0
    assert failsafe_entries(found, LIMIT)[0].entry is Entry.ENGAGED


def test_a_cut_that_never_ended_lasts_as_long_as_the_data():
    scenario = Scenario(lost=lambda one: one.at_ns >= OFF_NS + 5 * MS)
    switched(scenario, OFF_NS, on=False, what="antenna")
    found = evidence(scenario)
    (cut,) = found.cuts
    assert cut.held
    assert cut.end_ns == cut.until_ns == found.data_end_ns
    assert read_switched(scenario.marks)[0].on_ns == (NEVER_NS, NEVER_NS)


ODD = [
    {"what": "the kitchen", "means": "line", "on": False},
    {"what": "antenna", "means": "telepathy", "on": False},
    {"what": "antenna", "means": "line", "on": "no"},
    {"what": ["antenna"], "means": "line", "on": False},
    {},
]


@pytest.mark.parametrize("fields", ODD, ids=str)
def test_odd_marks_tell_nothing(fields):
    assert read_switched([Mark(OFF_NS, "switched", fields)]) == ()


def test_odd_times_in_marks_do_no_harm():
    fields = {"what": "antenna", "means": "line", "step": "cut", "on": False, "earliest_ago_ns": -5,
              "latest_ago_ns": "soon", "boots_ns": None}  # fmt: skip
    (one,) = read_switched(
        [Mark(OFF_NS, "switched", fields), Mark(ON_NS, "switched", {**fields, "on": True})]
    )
    assert (one.off_ns, one.on_ns) == ((OFF_NS, OFF_NS), (ON_NS, ON_NS))


def test_the_report_tells_the_way_and_how_well_its_moment_is_known():
    found = evidence(power_cut())
    entries = failsafe_entries(found, LIMIT)
    grid = beginnings(entries)
    (row,) = grid.rows
    assert row[:3] == (
        "of the transmitter's power, by a control line",
        "the time around the call, and what the relay takes",
        1,
    )  # fmt: skip
    assert row[3] == pytest.approx(entries[0].cut_bound_ns / MS, abs=0.001)
    cuts = [entry.cut for entry in entries]
    assert cuts_of(cuts, cuts) == "1 of 1 cut of the transmitter's power, by a control line"
    assert way_counts(cuts) == {"of the transmitter's power, by a control line": 1}


def test_ways_from_outside_that_no_step_makes_are_named_once_each():
    rows = not_shown(evidence(Scenario()), [], set()).rows
    assert [row[0] for row in rows if row[0] in {f"cuts {words}" for words in OUTSIDE.values()}] == [
        "cuts of the transmitter's power",
        "cuts of the antenna path",
    ]
