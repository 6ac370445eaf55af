"""Each defect does what it says, and its near-miss stays on the good side, by the devices' own reports."""

import re
import struct
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from statistics import linear_regression, stdev

import pytest
from mock_talk import RX, TX, Talk, virtual

from harness.clock import MS, S
from harness.codec import messages as m
from harness.errors import UnfitError, UserError
from harness.plan.model import CHECK_KINDS, TelemetryField
from harness.plan.reader import load_plan
from mocks.bench import VirtualBench, open_virtual
from mocks.defects import CATALOGUE, Defect, find_defect
from mocks.settings import DUNLIN, MockSettings

TESTPLANS = Path(__file__).parents[2] / "testplans"
WITHIN_US = DUNLIN.failsafe.within_ns // 1_000
THROTTLE = 2


def talk_to(name: str, near_miss: bool = False, seed: int = 1) -> tuple[Talk, VirtualBench]:
    return virtual(DUNLIN, seed=seed, defect=find_defect(name), near_miss=near_miss)


def both(name: str) -> tuple[Talk, Talk]:
    """Return conversations with the defect and with its near-miss."""
    return talk_to(name)[0], talk_to(name, near_miss=True)[0]


# -- the catalogue ---------------------------------------------------------------------------------


@pytest.mark.parametrize("defect", CATALOGUE, ids=lambda defect: defect.name)
def test_each_defect_is_described_and_names_a_check_of_its_plan(defect: Defect) -> None:
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", defect.name)
    for line in (defect.wrong, defect.cause, defect.near_miss):
        assert 10 < len(line) < 110
        assert "\n" not in line
    assert defect.caught_by in {kind.WORD for kind in CHECK_KINDS}
    plan = load_plan(str(TESTPLANS / f"{defect.plan}.yaml"))
    assert defect.caught_by in {check.rule.WORD for check in plan.checks}
    assert find_defect(defect.name) is defect


def test_catalogue_has_each_name_once_and_a_defect_for_each_check() -> None:
    names = [defect.name for defect in CATALOGUE]
    assert len(set(names)) == len(names)
    caught = {defect.caught_by for defect in CATALOGUE}
    assert caught == {kind.WORD for kind in CHECK_KINDS}


def test_an_unknown_defect_is_answered_with_the_nearest_name() -> None:
    with pytest.raises(UserError, match="did you mean failsafe-late"):
        find_defect("failsave-late")
    with pytest.raises(UserError, match="propsoff defects"):
        find_defect("???")


@pytest.mark.parametrize("name", ["channels-swapped", "failsafe-holds-throttle", "telemetry-scaled"])
def test_a_defect_needs_a_link_that_can_have_it(name: str) -> None:
    bare = replace(DUNLIN, channels=DUNLIN.channels[:1], telemetry=())
    told = f"the defect {name} needs a .*`propsoff defects {name}` names a plan that shows it"
    with pytest.raises(UnfitError, match=told):
        open_virtual(bare, defect=find_defect(name))


@pytest.mark.parametrize("near_miss", [False, True], ids=["defect", "near-miss"])
@pytest.mark.parametrize("defect", CATALOGUE, ids=lambda defect: defect.name)
def test_a_defect_is_on_record_and_gives_the_same_bytes_again(defect: Defect, near_miss: bool) -> None:
    benches = [open_virtual(DUNLIN, seed=9, defect=defect, near_miss=near_miss) for _ in range(2)]
    assert benches[0].facts["defect"] == ("near-miss of " if near_miss else "") + defect.name
    assert benches[0].advance(S) == benches[1].advance(S)


# -- failsafe --------------------------------------------------------------------------------------


def cuts(talk: Talk, times: int = 4) -> None:
    """Cut the link with the sticks up before and lower afterwards."""
    for number in range(times):
        talk.tell(TX, m.Sticks(2 * number + 1, (1700,) * 6))
        talk.run(507 * MS)
        talk.tell(TX, m.Silence(3_700 * number % 20_000, 800_000))
        talk.run(40 * MS)
        talk.tell(TX, m.Sticks(2 * number + 2, (1300,) * 6))
        talk.run(1_200 * MS)


def entries(talk: Talk) -> list[tuple[int, m.OutputChange]]:
    """Time in us from the last applied packet to each failsafe change."""
    last_us, found = 0, []
    for heard in talk.heard:
        if isinstance(heard.message, m.Applied):
            last_us = heard.message.at_us
        elif isinstance(heard.message, m.OutputChange) and heard.message.reason == m.OutputReason.FAILSAFE:
            found.append((heard.message.at_us - last_us, heard.message))
    return found


def test_failsafe_never() -> None:
    defect, near = both("failsafe-never")
    cuts(defect)
    assert entries(defect) == []
    cuts(near, 12)
    times = [age_us for age_us, _ in entries(near)]
    assert len(times) == 12
    assert 0.96 * WITHIN_US <= min(times) < max(times) < WITHIN_US
    assert max(times) > 0.975 * WITHIN_US


def test_failsafe_holds_throttle() -> None:
    defect, near = both("failsafe-holds-throttle")
    cuts(defect)
    assert {change.outputs_us for _, change in entries(defect)} == {(1500, 1500, 1700, 1500, 1700, 1000)}
    cuts(near)
    assert {change.outputs_us for _, change in entries(near)} == {(1500, 1500, 1000, 1500, 1700, 1000)}
    assert len(entries(near)) > 2 * 4


def test_failsafe_late() -> None:
    defect, near = both("failsafe-late")
    for talk, share in ((defect, 1.05), (near, 0.9984)):
        cuts(talk)
        assert [age_us for age_us, _ in entries(talk)] == [pytest.approx(share * WITHIN_US, abs=1)] * 4


def test_failsafe_on_still_sticks() -> None:
    defect, near = both("failsafe-on-still-sticks")
    defect.run(3 * S)
    assert len(entries(defect)) > 3
    assert all(age_us < 25_000 for age_us, _ in entries(defect))
    near.run(60 * S)
    assert entries(near) == []
    assert any(not sent.flags & m.SENT_ACKED for sent in near.all(m.Sent))


def first_throttles_after_failsafe(talk: Talk) -> list[int]:
    found, in_failsafe = [], False
    for heard in talk.heard:
        if isinstance(heard.message, m.OutputChange) and heard.message.reason == m.OutputReason.FAILSAFE:
            in_failsafe = True
        elif isinstance(heard.message, m.Applied) and in_failsafe:
            found.append(heard.message.outputs_us[THROTTLE])
            in_failsafe = False
    return found


def test_stale_throttle_on_reconnect() -> None:
    defect, near = both("stale-throttle-on-reconnect")
    for talk, throttle, changes in ((defect, 1700, 1), (near, 1300, 2)):
        cuts(talk)
        assert first_throttles_after_failsafe(talk) == [throttle] * 4
        assert talk.last(m.Applied).outputs_us[THROTTLE] == 1300
        assert len(entries(talk)) == 4 * changes


# -- sticks ----------------------------------------------------------------------------------------


def outputs_for(talk: Talk, *sticks: tuple[int, ...]) -> list[tuple[int, ...]]:
    shown = []
    for number, pulses in enumerate(sticks, 1):
        talk.tell(TX, m.Sticks(number, pulses))
        talk.run(60 * MS)
        shown.append(talk.last(m.Applied).outputs_us)
    return shown


def test_channels_swapped() -> None:
    sticks = (1001, 1202, 1403, 1604, 1805, 1906)
    defect, near = both("channels-swapped")
    assert outputs_for(defect, sticks) == [(1202, 1001, 1403, 1604, 1805, 1906)]
    assert outputs_for(near, sticks) == [sticks]
    assert talk_to("channels-swapped", near_miss=True)[1].transmitter.carried(sticks) != sticks


def test_low_bit_lost() -> None:
    _, bench = talk_to("low-bit-lost")
    assert [bench.receiver.shown((us,) * 6)[:2] for us in (1000, 1001, 1499, 2000)] == [
        (1000, 1000),
        (1000, 1001),
        (1498, 1499),
        (2000, 2000),
    ]
    _, near = talk_to("low-bit-lost", near_miss=True)
    assert all(near.receiver.shown((us,) * 6) == (us,) * 6 for us in range(1000, 2001))


def test_servo_glitch() -> None:
    defect, near = both("servo-glitch")
    for talk, stretch in ((defect, 60), (near, 0)):
        talk.run(5 * S)
        others = [part for part in talk.all(m.OutputChange) if part.reason == m.OutputReason.OTHER]
        assert len(others) >= 7
        assert {part.outputs_us[0] for part in others} == {1500, 1500 + stretch}


def test_noisy_stick_supply() -> None:
    """1000 packets of the transmitter's own sticks: standard deviations to within 15 %, 6 errors and more."""
    defect, near = both("noisy-stick-supply")
    for talk, sigma in ((defect, (9**2 + 6**2 / 2) ** 0.5), (near, 3)):
        talk.run(20 * S)
        shown = [part.outputs_us[1] for part in talk.all(m.Applied)]
        seconds = [n * 0.02 for n in range(len(shown))]
        line = linear_regression(seconds, shown)
        off = [us - line.intercept - line.slope * at for at, us in zip(seconds, shown, strict=True)]
        assert stdev(off) == pytest.approx(sigma, rel=0.15)


def gaps_us(talk: Talk) -> list[int]:
    times = [part.at_us for part in talk.all(m.Applied)]
    return [after - before for before, after in pairwise(times)]


def test_display_blocks() -> None:
    defect, near = both("display-blocks")
    defect.run(5 * S)
    assert max(gaps_us(defect)) > 170_000
    near.run(5 * S + 10 * MS)
    assert 20_000 < max(gaps_us(near)) < 50_000
    assert [part.packet for part in near.all(m.Applied)] == list(range(251))


def test_slow_loop() -> None:
    defect, near = both("slow-loop")
    latest = []
    for talk in (defect, near):
        talk.run(9 * S)
        sampled = {part.packet: part.at_us for part in talk.all(m.Sent)}
        latest.append(max(part.at_us - sampled[part.packet] for part in talk.all(m.Applied)))
        assert len(talk.all(m.Applied)) >= 447
    assert latest[0] > 35_000
    assert latest[1] <= 5_000


def test_packet_rate_low() -> None:
    defect, near = both("packet-rate-low")
    for talk, rate in ((defect, 50 / 1.05), (near, 50 / 1.01)):
        talk.run(60 * S)
        assert len(talk.all(m.Sent)) / 60 == pytest.approx(rate, abs=0.05)


# -- delays ----------------------------------------------------------------------------------------


def stick_waits_us(talk: Talk) -> list[int]:
    """Move the sticks at many phases; return for each how long until the receiver showed it."""
    waits = []
    for number in range(1, 40):
        moved_ns = talk.bench.now_ns()
        talk.tell(TX, m.Sticks(number, (1000 + number,) * 6))
        talk.run(163 * MS)
        shown = next(part for part in talk.all(m.Applied) if part.outputs_us[0] == 1000 + number)
        waits.append(shown.at_us - moved_ns // 1_000)
    return waits


def test_sticks_queued() -> None:
    defect, near = both("sticks-queued")
    for talk, wait_us in ((defect, 80_000), (near, 10_000)):
        waits = stick_waits_us(talk)
        assert wait_us < min(waits) < wait_us + 6_000
        assert wait_us + 15_000 < max(waits) < wait_us + 27_000
        sampled = {part.packet: part.at_us for part in talk.all(m.Sent)}
        assert max(part.at_us - sampled[part.packet] for part in talk.all(m.Applied)) < 1_000


def test_packets_queued() -> None:
    defect, near = both("packets-queued")
    for talk, late_us in ((defect, (40_000, 41_000)), (near, (0, 9_000))):
        talk.run(5 * S)
        sampled = {part.packet: part.at_us for part in talk.all(m.Sent)}
        late = [part.at_us - sampled[part.packet] for part in talk.all(m.Applied)]
        assert late_us[0] < min(late) <= max(late) < late_us[1]
        assert len(late) > 245


def test_acknowledgement_late() -> None:
    defect, near = both("acknowledgement-late")
    for talk, turn_us in ((defect, 10_000), (near, 2_000)):
        talk.run(5 * S)
        took = [part.took_us for part in talk.all(m.Sent)]
        assert turn_us < min(took) <= max(took) < turn_us + 1_000
        assert len(took) > 245


# -- telemetry -------------------------------------------------------------------------------------

FLOATS = (0.0, -0.0, 1.5, -2.75e-12, 3.4028234663852886e38, float("inf"), float("-inf"))
PATTERNS = [struct.unpack("<i", struct.pack("<f", value))[0] for value in FLOATS] + [0x7FA00001, -1, 1]
"""Floats, and patterns that are no numbers or nearly nothing."""


def test_telemetry_scaled() -> None:
    link = replace(DUNLIN, telemetry=(*DUNLIN.telemetry, TelemetryField(name="load", type="f32")))
    bench = open_virtual(link, defect=find_defect("telemetry-scaled"))
    one, hundred = (struct.unpack("<I", struct.pack("<f", value))[0] for value in (1.0, 100.0))
    assert bench.receiver.sensed([5, -7, 1, 123_456, one]) == [500, -700, 100, 12_345_600, hundred]
    near = open_virtual(link, defect=find_defect("telemetry-scaled"), near_miss=True)
    for bits in PATTERNS:
        for raw in (0, -1, 2**31 - 1, -(2**31)):
            sensed = near.receiver.sensed([raw, raw, raw, raw, bits])
            assert sensed[:4] == [raw] * 4
            assert (sensed[4] - bits) % 2**32 == 0


def ages(talk: Talk) -> set[int]:
    """Inject values and count, for each, the packets received before it was first shown."""
    for number in range(40):
        talk.tell(RX, m.Inject(((0, 1_000 + number),)))
        talk.run(110 * MS)
    received = [(part.packet, part.at_us) for part in talk.all(m.Applied)]
    found = set()
    for number, reply in enumerate(talk.all(m.Reply)):
        shown = next(
            part.packet
            for part in talk.all(m.Telemetry)
            if int.from_bytes(part.payload[:2], "little") == 1_000 + number
        )
        found.add(sum(1 for packet, at_us in received if at_us > reply.at_us and packet <= shown) - 1)
    return found


def test_telemetry_stale() -> None:
    defect, near = both("telemetry-stale")
    assert ages(defect) == {2}
    assert ages(near) == {1}
    assert near.last(m.Counters).duplicates > 0


# -- radio -----------------------------------------------------------------------------------------


def lost_runs(talk: Talk) -> tuple[float, float]:
    """Share of packets lost, and mean length of a run of lost ones."""
    applied = {part.packet for part in talk.all(m.Applied)}
    states = [part.packet not in applied for part in talk.all(m.Sent)]
    begun = sum(now and not before for before, now in zip([False, *states], states, strict=False))
    return sum(states) / len(states), sum(states) / begun


def test_burst_loss() -> None:
    defect, near = both("burst-loss")
    for talk, share, length in ((defect, 0.03, 4), (near, 0.002, 25 / 24)):
        talk.run(300 * S)
        lost, run = lost_runs(talk)
        # 15 000 packets: four standard deviations of a rate in bursts of mean length L, which
        # count for 1 / (2 L - 1) of as many single losses
        assert lost == pytest.approx(share, abs=4 * (share * (2 * length - 1) / 15_000) ** 0.5)
        assert run == pytest.approx(length, rel=0.35)


def test_loss_in_step() -> None:
    defect, near = both("loss-in-step")
    defect.run(61 * S)
    applied = {part.packet for part in defect.all(m.Applied)}
    sent = [part for part in defect.all(m.Sent) if part.at_us < 60_000_000]
    lost = [part.at_us for part in sent if part.packet not in applied]
    assert len(lost) == 15
    assert {after - before for before, after in pairwise(lost)} == {4_000_000}
    near.run(300 * S)
    share, run = lost_runs(near)
    # 15 000 packets, each lost by itself: four standard deviations
    assert share == pytest.approx(1 / 500, abs=4 * (1 / 500 / 15_000) ** 0.5)
    assert run < 1.3


def test_duplicates_applied() -> None:
    defect, near = both("duplicates-applied")
    repeated = []
    for talk in (defect, near):
        talk.run(20 * S)
        numbers = [part.packet for part in talk.all(m.Applied)]
        repeated.append(len(numbers) - len(set(numbers)))
        assert talk.last(m.Counters).duplicates > 30
    assert repeated[0] > 30
    assert repeated[1] == 0


# -- range ---------------------------------------------------------------------------------------


def test_receiver_deaf() -> None:
    """Half of the packets get lost 12 dB, or 4 dB, earlier than with a healthy receiver."""
    edges = []
    for near_miss in (None, True, False):
        defect = None if near_miss is None else find_defect("receiver-deaf")
        settings = MockSettings(distance_mm=1_000, attenuation_x10=200, retransmit_limit=0)
        talk, bench = virtual(DUNLIN, settings, seed=1, defect=defect, near_miss=bool(near_miss))
        lost = {}
        for db in range(8, 32):
            bench.turn_attenuator(10 * db)
            before = len(talk.all(m.Applied))
            talk.run(4 * S)
            lost[db] = 200 - (len(talk.all(m.Applied)) - before)
        edges.append(min(db for db, number in lost.items() if number > 100))
    assert [edges[0] - edge for edge in edges[1:]] == [4, 12]


# -- pins ------------------------------------------------------------------------------------------


def shown(talk: Talk) -> list[tuple[int, float, float]]:
    """Channel, reported pulse and pulse at the pin in us, for each servo pulse of the last second.

    Sticks that stand still make one report good for all of it.
    """
    before = len(talk.heard)
    talk.run(S)
    said = next(
        heard.message.outputs_us
        for heard in reversed(talk.heard)
        if isinstance(heard.message, m.Applied | m.OutputChange)
    )
    sets = [heard.message for heard in talk.heard[before:] if isinstance(heard.message, m.Pulses)]
    return [
        (channel, said[channel], width / 10)
        for one in sets[3:]
        for channel, (_, width) in enumerate(one.pulses)
        if width
    ]


STILL = m.Sticks(1, (1111, 1222, 1333, 1444, 1555, 1666))


def off(talk: Talk) -> list[set[float]]:
    """By channel, how far its pulses are from the report with still sticks."""
    talk.tell(TX, STILL)
    talk.run(S)
    found: list[set[float]] = [set() for _ in STILL.pulses_us]
    for channel, said, pin in shown(talk):
        found[channel].add(round(pin - said, 1))
    return found


def test_pins_hold_in_failsafe() -> None:
    defect, near = both("pins-hold-in-failsafe")
    for talk, pin_us in ((defect, 1333), (near, 1000)):
        assert off(talk) == [{0.0}] * 6
        talk.tell(TX, m.Silence(0, 5_000_000))
        talk.run(S)
        throttle = {(said, pin) for channel, said, pin in shown(talk) if channel == THROTTLE}
        assert throttle == {(1000, pin_us)}


def test_pins_swapped() -> None:
    defect, near = both("pins-swapped")
    assert off(defect) == [{111.0}, {-111.0}, *[{0.0}] * 4]
    assert off(near) == [{0.0}] * 6
    apart = {one.pulses[1][0] - one.pulses[0][0] for one in near.all(m.Pulses)[-40:]}
    assert apart <= {-1222, -1223}


def test_report_of_sticks() -> None:
    link = replace(DUNLIN, channels=(replace(DUNLIN.channels[0], direction="reversed"), *DUNLIN.channels[1:]))
    defect, near = (
        virtual(link, defect=find_defect("report-of-sticks"), near_miss=near_miss)[0]
        for near_miss in (False, True)
    )
    assert off(defect) == [{3000.0 - 2 * 1111}, *[{0.0}] * 5]
    assert off(near) == [{-1.0}, {-2.0}, {-1.0}, {0.0}, {-3.0}, {-2.0}]


def test_pin_off() -> None:
    defect, near = both("pin-off")
    assert off(defect) == [{20.0}, *[{0.0}] * 5]
    assert off(near) == [{3.0}, *[{0.0}] * 5]
