"""The harness raises each alarm on defects and benches that cause it, and not on a near-miss."""

from dataclasses import replace
from fractions import Fraction

import pytest
from live_runs import DELIVERY, LATENCY, RX, TX, Hardware, Watcher, Without, watched
from test_flood import FLOODS, Flooding
from test_testplans import PLANS

from harness.alarms import AGAIN_NS, KEEP_NS, KEPT_MAX, Alarms
from harness.bench.rig import find_rig
from harness.clock import MS, S
from harness.codec import messages as m
from harness.errors import BenchError
from harness.plan import model as p
from harness.recording import RecordingWriter
from harness.runner import Runner
from harness.running import Request, header_for, open_for, timeline_for
from mocks.settings import MockSettings

WALK = p.Wander(for_ns=6 * S)
REST = p.Settle(for_ns=3 * S)
FADING = MockSettings(good_to_bad=Fraction(1, 200), retransmit_limit=0, failsafe_after_ns=60 * S)
WRAPPING = MockSettings(packet_number_start=65_400)


class Damaging:
    """A bench that changes a byte of what it sends to the receiver, or puts idle delimiters between."""

    def __init__(self, inner, *, damage):
        self.inner, self.damage = inner, damage

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def send(self, role, data):
        if role is RX and self.inner.now_ns() > 2 * S and data[1] != 0:
            data = bytes((data[0], data[1] ^ 1)) + data[2:] if self.damage else b"\0\0" + data
        return self.inner.send(role, data)


def mute(role, ms, kinds=None):
    return {"around": lambda bench: Without(bench, role, 3 * S, 3 * S + ms * MS, kinds)}


def flooding(rate):
    return {"around": lambda bench: Flooding(bench, RX, FLOODS["text"], rate, for_ns=5 * S)}


CASES = {
    "a link that never comes back": (
        "link lost, and no cut is on",
        (p.Wander(for_ns=20 * S),),
        {"settings": replace(FADING, bad_to_good=Fraction(1, 1000))},
        {"settings": replace(FADING, bad_to_good=Fraction(9, 10))},
    ),
    "failsafe for ever": (
        "failsafe, and no cut is on",
        (p.Cut(duration_ns=3 * S), p.Settle(for_ns=2 * S)),
        {"defect": "link-stays-lost"},
        {"defect": "link-stays-lost", "near_miss": True},
    ),
    "a short loss of the link": (
        "link was lost for 0.",
        (WALK,),
        {"settings": MockSettings(block_every_ns=4 * S, block_for_ns=260 * MS)},
        {"settings": MockSettings(block_every_ns=4 * S, block_for_ns=150 * MS)},
    ),
    "a failsafe for one packet": (
        "failsafe, and no cut is on",
        (WALK,),
        {"defect": "number-wrap-engages-failsafe", "settings": WRAPPING},
        {"defect": "number-wrap-engages-failsafe", "settings": WRAPPING, "near_miss": True},
    ),
    "a failsafe that does not come": (
        "no packet arrives, and no failsafe after 500 ms",
        (p.Cut(duration_ns=2 * S), REST),
        {"defect": "failsafe-never"},
        {"defect": "failsafe-late"},
    ),
    "a throttle open in failsafe": (
        "throttle is 1",
        (p.Cut(duration_ns=2 * S), REST),
        {"defect": "failsafe-holds-throttle"},
        {"defect": "failsafe-holds-throttle", "near_miss": True},
    ),
    "a throttle open with its stick at rest": (
        "throttle is open, 1500 us, with its stick at rest",
        (REST,),
        {"defect": "channels-swapped"},
        {"defect": "channels-swapped", "near_miss": True},
    ),
    "a receiver that restarts by itself": (
        "receiver restarted, and nobody asked it to",
        (p.Step(channel="throttle", times=3), REST),
        {"defect": "brown-out-at-throttle"},
        {"defect": "brown-out-at-throttle", "near_miss": True},
    ),
    "too little delivery": (
        "delivery ",
        (p.Wander(for_ns=20 * S),),
        {"settings": MockSettings(loss=Fraction(10, 100), retransmit_limit=0), "checks": (DELIVERY,)},
        {"settings": MockSettings(loss=Fraction(1, 100), retransmit_limit=0), "checks": (DELIVERY,)},
    ),
    "too long a latency": (
        "latency 2",
        (WALK,),
        {"defect": "slow-loop", "checks": (LATENCY,)},
        {"checks": (LATENCY,)},
    ),
    "telemetry that stops": (
        "telemetry stale: none for over 1 s",
        (WALK,),
        mute(TX, 2_000, {m.Telemetry.TYPE}),
        mute(TX, 800, {m.Telemetry.TYPE}),
    ),
    "messages that go missing": (
        "receiver's line: ",
        (WALK,),
        {"settings": MockSettings(receiver_message_loss=Fraction(2, 100))},
        {"settings": MockSettings(transmitter_message_loss=Fraction(2, 100))},
    ),
    "a line that is full": (
        "transmitter's line is full: 1",
        (WALK,),
        {"settings": MockSettings(baud=19_200)},
        {"settings": MockSettings(baud=38_400)},
    ),
    "a device that floods its port": (
        "receiver floods its port: what it sends is thrown away",
        (WALK,),
        flooding(3_000_000),
        flooding(11_520),
    ),
    "a port that falls silent": (
        "receiver's port is quiet: pings are not answered",
        (WALK,),
        mute(RX, 4_000),
        mute(RX, 2_000),
    ),
    "a port that goes": (
        "receiver's port is gone",
        (WALK,),
        {"trip": BenchError("gone", role=RX, port="x"), "gone": (RX,)},
        {"trip": BenchError("gone", role=TX, port="x"), "gone": (TX,)},
    ),
    "damage on the way to the receiver": (
        "receiver got ",
        (WALK,),
        {"around": lambda bench: Damaging(bench, damage=True)},
        {"around": lambda bench: Damaging(bench, damage=False)},
    ),
    "messages that leave late": (
        "this PC sent a message 30 ms late",
        (WALK,),
        {"around": lambda bench: Hardware(bench, 30 * MS, 4 * S, 5 * S)},
        {"around": lambda bench: Hardware(bench, 9 * MS)},
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_raises_the_alarm(name):
    words, actions, cause, _ = CASES[name]
    _, watcher = watched(*actions, **cause)
    assert any(found.startswith(words) for found in watcher.words), watcher.words


@pytest.mark.parametrize("name", CASES)
def test_spares_the_near_miss(name):
    words, actions, _, near = CASES[name]
    _, watcher = watched(*actions, **near)
    assert not any(found.startswith(words) for found in watcher.words), watcher.words


@pytest.mark.parametrize("words", ["link lost", "link was lost", "no packet arrives", "failsafe"])
def test_a_silent_port_is_no_lost_link(words):
    """Trouble on the bench never reads as a fault of the link."""
    _, watcher = watched(WALK, **mute(RX, 4_000))
    assert not any(found.startswith(words) for found in watcher.words), watcher.words


@pytest.mark.parametrize(
    "action",
    [
        p.Cut(duration_ns=2 * S, times=3),
        p.Cut(duration_ns=2 * S, times=2, by="deaf"),
        p.Cut(duration_ns=700 * MS, times=2, packet_rate_mhz=5_000),
        p.Fade(over_ns=2 * S, duration_ns=S),
        p.Mute(for_ns=2 * S),
        p.Restart(device=RX, times=2),
        p.Restart(device=TX, times=2, packets_wrap_in=20, clock_wraps_in_ns=S),
        p.Restart(device=RX, silent_ns=2 * S),
        p.FindThroughput(from_mhz=50_000, to_mhz=2_000_000, trial_ns=S),
        p.OwnSticks(for_ns=2 * S),
    ],
    ids=lambda action: f"{action.WORD}",
)
def test_what_is_done_on_purpose_is_no_alarm(action):
    _, watcher = watched(action, REST, checks=(DELIVERY, LATENCY))
    assert watcher.words == []


@pytest.mark.parametrize(
    "plan", ["first-look", *(pytest.param(name, marks=pytest.mark.slow) for name in PLANS)]
)
def test_a_healthy_link_raises_none_on_a_shipped_plan(plan, tmp_path):
    request = Request(plan=PLANS[plan], file=plan, rig=find_rig("mock"), seed=11)
    watcher, bench = Watcher(), open_for(request)
    with (tmp_path / "recording").open("wb") as file:
        writer = RecordingWriter(file, header_for(request, bench), bench.now_ns())
        Runner(bench, writer, request.plan, watcher).run(timeline_for(request))
    assert watcher.words == []


def looked(*looks):
    """Look at each (second, kinds); returns the alarms."""
    alarms = Alarms(0)
    for second, kinds in looks:
        alarms.look(second * S, ((kind, f"{kind} words") for kind in kinds))
    return alarms


def test_an_alarm_stays_for_half_a_minute_after_its_end():
    looks = [(1, ["a"]), (2, [])]
    end = 2 + KEEP_NS // S
    assert [one.ended_ns for one in looked(*looks, (end, [])).shown()] == [2 * S]
    assert looked(*looks, (13, []), (end + 1, [])).shown() == ()


def test_an_alarm_that_comes_back_soon_is_the_same():
    again = AGAIN_NS // S
    (one,) = looked((1, ["a"]), (2, []), (3, ["a"]), (4, []), (4 + again, ["a"])).shown()
    assert (one.times, one.number, one.ended_ns) == (3, 1, None)


def test_one_that_comes_back_late_is_another():
    alarms = looked((1, ["a"]), (2, []), (14, []), (15, ["a"]))
    assert [one.number for one in alarms.shown()] == [1, 2]
    assert alarms.total == 2


def test_the_newest_words_are_shown():
    alarms = Alarms(0)
    alarms.look(S, [("a", "one")])
    assert alarms.changed
    alarms.look(2 * S, [("a", "two")])
    assert not alarms.changed
    assert [one.words for one in alarms.shown()] == ["two"]


def test_times_count_from_the_beginning_of_the_run():
    alarms = Alarms(100 * S)
    alarms.look(103 * S, [("a", "one")])
    assert alarms.shown()[0].begun_ns == 3 * S


def test_what_is_kept_is_bounded():
    alarms = Alarms(0)
    for second in range(1_000):
        alarms.look(second * S // 10, [(f"kind {second}", "words")])
    assert len(alarms.shown()) == KEPT_MAX
    assert alarms.total == 1_000
