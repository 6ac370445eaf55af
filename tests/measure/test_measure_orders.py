"""What was ordered to be done to the link: when it began and ended, as commands, replies and reports tell."""

import pytest
from scenario import RUN_NS, RX, TX, Meddling, ReplyTo, Scenario, Silence

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.orders import TAKES_NS, spans_of


def orders(scenario):
    return gather(scenario.plan, scenario.recording()).orders


@pytest.mark.parametrize(
    ("fields", "what", "role"),
    [({"silences": [Silence(RUN_NS + S, 700 * MS)]}, "silence", TX),
     ({"disturbs": [Meddling(RUN_NS + S, 700 * MS, kind=1)]}, "corrupted", TX),
     ({"disturbs": [Meddling(RUN_NS + S, 700 * MS, kind=2)]}, "foreign", TX),
     ({"disturbs": [Meddling(RUN_NS + S, 700 * MS, kind=3)]}, "repeated", TX),
     ({"disturbs": [Meddling(RUN_NS + S, 700 * MS, kind=4)]}, "beside", TX),
     ({"deafs": [Meddling(RUN_NS + S, 700 * MS)]}, "deaf", RX),
     ({"mutes": [Meddling(RUN_NS + S, 700 * MS)]}, "muted", RX)],
    ids=lambda value: value if isinstance(value, str) else "",
)  # fmt: skip
def test_each_order_is_known_by_its_command(fields, what, role):
    (order,) = orders(Scenario(**fields))
    assert (order.what, order.role, order.refused) == (what, role, False)
    assert order.start_ns == RUN_NS + S + 5 * MS
    assert order.end_ns == order.start_ns + 700 * MS
    assert order.began_ns == pytest.approx(order.start_ns, abs=0.2 * MS)


def test_without_a_reply_an_order_may_have_begun_later():
    cut = [Meddling(RUN_NS + S, 700 * MS)]
    (order,) = orders(Scenario(deafs=cut, drop=lambda role, place, message: isinstance(message, ReplyTo)))
    assert order.began_ns is None
    assert order.over_ns == order.start_ns + TAKES_NS + 707 * MS


def test_a_refused_order_has_no_span():
    scenario = Scenario()
    event = scenario.tell(RX, wire.Deafen(0, 700_000), RUN_NS + S)
    scenario.say(RX, ReplyTo(event, wire.Result.UNKNOWN, scenario.stamp(RX, RUN_NS + S)), RUN_NS + S + MS)
    found = orders(scenario)
    assert [order.refused for order in found] == [True]
    assert len(spans_of(found, "deaf")) == 0


@pytest.mark.parametrize(
    ("first", "ender", "ends"),
    [(wire.Disturb(1, 0, 900_000), wire.Silence(100_000, 1000), True),
     (wire.Disturb(1, 0, 900_000), wire.Disturb(4, 0, 1000), True),
     (wire.Silence(0, 900_000), wire.Disturb(2, 0, 1000), True),
     (wire.Silence(0, 900_000), wire.Silence(0, 1000), False),
     (wire.Silence(0, 900_000), wire.Release(), True),
     (wire.Disturb(4, 0, 900_000), wire.Burst(1, 0), False)],
    ids=["silence", "another", "a disturbance", "two silences", "release", "burst"],
)  # fmt: skip
def test_what_ends_an_order_ends_it_as_it_arrives(first, ender, ends):
    """shared/protocol.md section 5. A silence in a silence is read as two cuts, as ever."""
    scenario = Scenario()
    scenario.tell(TX, first, RUN_NS + S)
    scenario.tell(TX, ender, RUN_NS + 1300 * MS)
    assert orders(scenario)[0].end_ns == RUN_NS + S + (300 if ends else 900) * MS


def test_each_report_belongs_to_the_oldest_open_order_of_its_kind():
    places = [
        Meddling(RUN_NS + (500 + 1000 * n) * MS, 300 * MS, kind=1 + n % 2, sent=10 + n) for n in range(4)
    ]
    found = orders(Scenario(disturbs=places, seconds=5.0))
    assert [order.packets for order in found] == [10, 11, 12, 13]
    late = [Meddling(RUN_NS + 500 * MS, 300 * MS, kind=1, sent=-1), *places[2:]]
    assert [order.packets for order in orders(Scenario(disturbs=late, seconds=5.0))] == [None, 12, 13]


def test_a_report_without_an_order_is_no_order():
    scenario = Scenario()
    scenario.say(TX, wire.Disturbed(9, 5, 1, 1), RUN_NS + S)
    scenario.say(TX, wire.Disturbed(1, 5, 1, 1), RUN_NS + S)
    assert orders(scenario) == ()
    scenario = Scenario()
    scenario.tell(TX, wire.Disturb(77, 0, 1000), RUN_NS + S)
    assert [order.what for order in orders(scenario)] == ["beside"]
