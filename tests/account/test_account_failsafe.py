"""The section on failsafe tells the times over all cuts, their bounds, and by what the receiver goes."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import RUN_NS, RX, Scenario, Silence

from harness.account.failsafe import account
from harness.clock import MS
from harness.codec import messages as wire
from harness.measure.evidence import gather
from harness.measure.failsafe import failsafe_entries


def cuts(count):
    return [Silence(RUN_NS + 200 * MS + place * 1200 * MS, 700 * MS) for place in range(count)]


def section(count, **fields):
    scenario = Scenario(silences=cuts(count), seconds=0.4 + 1.2 * max(1, count), **fields)
    return account(gather(scenario.plan, scenario.recording()))


def figures(found):
    return {figure.name: figure for figure in found.figures}


def test_a_run_without_cuts_has_no_section():
    assert section(0) is None


def test_59_cuts_bound_95_per_cent_by_the_largest():
    """59 of 59 for 95 % at 95 % (Wilks 1941; the source was not read, the number recomputed)."""
    found = figures(section(59, failsafe_ns=lambda place: (400 + place) * MS))
    bound = found["95 % of cuts, after the last packet"]
    assert bound.value == found["latest after the last packet"].value == pytest.approx(458, abs=0.1)
    assert bound.confidence == 0.95


def test_93_cuts_bound_it_by_the_second_largest():
    """The second order: 93 (Wilks)."""
    found = figures(section(93, failsafe_ns=lambda place: (300 + place) * MS))
    assert found["95 % of cuts, after the last packet"].value == pytest.approx(391, abs=0.1)


def test_fewer_cuts_have_no_bound_and_say_what_they_cover():
    found = section(10)
    assert "95 % of cuts, after the last packet" not in figures(found)
    assert any("74.1 % of cuts" in note for note in found.notes)
    assert found.grids[0].rows[0][-1] == "too few cuts"


def test_both_times_have_their_distribution():
    grid = section(10).grids[0]
    packet, cut = grid.rows
    assert packet[2:-1] == pytest.approx((400.0,) * 5, abs=0.1)
    assert all(380 <= time <= 400.1 for time in cut[2:-1])


def test_a_failsafe_that_never_came_is_no_number():
    found = section(10, failsafe_ns=lambda place: None)
    assert figures(found)["latest after the last packet"].value is None
    assert found.grids[0].rows[0][2] == "never seen"


def test_one_packet_rate_leaves_open_what_the_receiver_goes_by():
    found = section(10)
    assert "cannot be told" in found.notes[0]
    assert any("packet_rate" in note for note in found.notes)


def test_a_cut_whose_last_packet_may_be_unreported_tells_no_time_since_it():
    """The last packet before the third cut reached the receiver, and its report is missing."""

    def drop(role, _place, message):
        return role == RX and isinstance(message, wire.Applied) and message.packet in unreported

    scenario = Scenario(silences=cuts(10), seconds=12.4)
    there = gather(scenario.plan, scenario.recording())
    last = failsafe_entries(there, 500 * MS)[2].last_applied
    unreported = (int(there.applied.number[last]),)
    found = section(10, drop=drop)
    packet, cut = found.grids[0].rows
    assert (packet[1], cut[1]) == (9, 10)
    assert packet[2:-1] == pytest.approx((400.0,) * 5, abs=0.1)
    assert figures(found)["latest after the last packet"].note == "over 9 cuts"
    assert any("of 1 cut the last packet is not known" in note for note in found.notes)
    assert any("the latest of 9 cuts" in note for note in found.notes)
    assert not any("not known" in note for note in section(10).notes)


def test_the_bound_names_the_cut_that_it_rests_on():
    assert figures(section(59))["95 % of cuts, after the last packet"].note == "Wilks; the latest"
    assert figures(section(93))["95 % of cuts, after the last packet"].note == "Wilks; all but the 1 latest"
