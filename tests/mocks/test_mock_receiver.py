from dataclasses import replace
from fractions import Fraction

import pytest
from mock_talk import RX, TX, Talk, virtual

from harness.clock import MS, S
from harness.codec import messages as m
from harness.plan.model import Channel, Failsafe, Link
from mocks.air import FOREIGN, OWN, Packet
from mocks.settings import DUNLIN, MockSettings

AIR_US = 161  # 73 bits of overhead and 11 bytes at 1 Mbit/s


def cut(talk: Talk, for_ms: int = 900) -> None:
    talk.tell(TX, m.Silence(0, for_ms * 1_000))
    talk.run(for_ms * MS + 100 * MS)


def failsafe_changes(talk: Talk) -> list[m.OutputChange]:
    return [change for change in talk.all(m.OutputChange) if change.reason == m.OutputReason.FAILSAFE]


def test_mock_receiver_applies_each_packet_when_it_has_arrived() -> None:
    talk, _ = virtual()
    talk.tell(TX, m.Sticks(1, (1001, 1402, 1803, 1204, 1605, 1999)))
    talk.run(S)
    assert [part.packet for part in talk.all(m.Applied)] == list(range(50))
    assert [part.at_us for part in talk.all(m.Applied)] == [n * 20_000 + AIR_US for n in range(50)]
    assert talk.last(m.Applied).outputs_us == (1001, 1402, 1803, 1204, 1605, 1999)
    assert talk.last(m.Applied).signal_dbm == m.SIGNAL_UNKNOWN


def test_mock_receiver_packs_its_reports_as_the_codec_does() -> None:
    talk, bench = virtual()
    sent: list[tuple[int, bytes]] = []
    bench.receiver.say_packed = lambda kind, payload: sent.append((kind, payload))  # type: ignore[method-assign]
    talk.run(50 * MS)
    outputs = bench.receiver.outputs
    assert sent[0] == (m.Applied.TYPE, m.Applied(0, AIR_US, m.SIGNAL_UNKNOWN, outputs).pack())


def test_mock_receiver_mirrors_a_reversed_channel() -> None:
    channels = (
        Channel(name="left elevon", failsafe="centre"),
        Channel(name="right elevon", direction="reversed", failsafe=1200),
    )
    link = Link(packet_rate_mhz=50_000, channels=channels, failsafe=Failsafe(within_ns=300 * MS))
    talk, _ = virtual(link)
    assert talk.run(10 * MS)
    assert talk.all(m.OutputChange) == [m.OutputChange(0, m.OutputReason.START, (1500, 1200))]
    talk.tell(TX, m.Sticks(1, (1100, 1100)))
    talk.run(100 * MS)
    assert talk.last(m.Applied).outputs_us == (1100, 1900)
    cut(talk)
    assert failsafe_changes(talk)[0].outputs_us == (1500, 1200)
    assert talk.all(m.Telemetry) == []


def test_mock_receiver_drives_failsafe_outputs_from_the_start_until_a_packet_comes() -> None:
    talk, _ = virtual(settings=MockSettings(loss=Fraction(1)))
    talk.run(5 * S)
    [start] = talk.all(m.OutputChange)
    assert start == m.OutputChange(0, m.OutputReason.START, (1500, 1500, 1000, 1500, 1500, 1000))


def test_mock_receiver_drops_repeated_packets_and_counts_them() -> None:
    talk, _ = virtual(settings=MockSettings(ack_loss=Fraction(1, 2), retransmit_limit=15))
    talk.run(10 * S + 10 * MS)
    numbers = [part.packet for part in talk.all(m.Applied)]
    assert numbers == list(range(len(numbers)))
    repeated = sum(part.attempts - 1 for part in talk.all(m.Sent))
    assert talk.last(m.Counters).duplicates == pytest.approx(repeated, abs=10)
    assert repeated > 300


def test_mock_receiver_fifo_holds_three_packets_and_refuses_the_fourth() -> None:
    settings = MockSettings(receiver_loop_ns=200 * MS, retransmit_limit=0, start_phase_ns=10 * MS)
    talk, bench = virtual(settings=settings)
    talk.run(2 * S)
    acked = [bool(part.flags & m.SENT_ACKED) for part in talk.all(m.Sent)]
    assert acked[:30] == ([True] * 3 + [False] * 7) * 3
    applied = talk.all(m.Applied)
    assert [part.packet for part in applied[:6]] == [0, 1, 2, 10, 11, 12]
    assert {part.at_us for part in applied} == set(range(200_000, 2_000_000, 200_000))
    assert bench.receiver.overruns == len(acked) - sum(acked)


def test_mock_receiver_takes_a_packet_when_its_loop_comes_round() -> None:
    talk, _ = virtual(settings=MockSettings(receiver_loop_ns=3 * MS))
    talk.run(S)
    assert {part.at_us % 3_000 for part in talk.all(m.Applied)} == {0}
    late = [part.at_us - 20_000 * part.packet - AIR_US for part in talk.all(m.Applied)]
    assert min(late) >= 0
    assert max(late) < 3_000


def test_mock_receiver_loop_stands_still_while_a_routine_blocks_it() -> None:
    talk, _ = virtual(settings=MockSettings(block_every_ns=S, block_for_ns=150 * MS))
    talk.run(4 * S + 10 * MS)
    blocked = [part.at_us for part in talk.all(m.Applied) if part.at_us % 1_000_000 > 850_000]
    assert blocked == []
    together = [part.at_us for part in talk.all(m.Applied) if part.at_us % 1_000_000 == 0]
    assert together == [1_000_000] * 3 + [2_000_000] * 3 + [3_000_000] * 3 + [4_000_000] * 3


@pytest.mark.parametrize("skew_ppm", [-150, 0, 150])
@pytest.mark.parametrize("within_ms", [100, 500])
def test_mock_receiver_is_in_failsafe_after_96_percent_of_the_declared_time(
    within_ms: int, skew_ppm: int
) -> None:
    link = replace(DUNLIN, failsafe=Failsafe(within_ns=within_ms * MS))
    talk, _ = virtual(link, MockSettings(receiver_skew_ppm=skew_ppm))
    talk.tell(TX, m.Sticks(1, (1700,) * 6))
    talk.run(S)
    cut(talk)
    [change] = failsafe_changes(talk)
    last = [part.at_us for part in talk.all(m.Applied) if part.at_us < change.at_us][-1]
    assert change.at_us - last == pytest.approx(within_ms * 960, abs=1)
    assert change.outputs_us == (1500, 1500, 1000, 1500, 1700, 1000)


def test_mock_receiver_follows_the_first_packet_after_failsafe() -> None:
    talk, _ = virtual()
    talk.tell(TX, m.Sticks(1, (1700,) * 6))
    talk.run(S)
    talk.tell(TX, m.Sticks(2, (1300,) * 6))
    cut(talk)
    change = failsafe_changes(talk)[0]
    first = next(part for part in talk.all(m.Applied) if part.at_us > change.at_us)
    assert first.outputs_us == (1300,) * 6
    cut(talk)
    assert len(failsafe_changes(talk)) == 2


def test_mock_receiver_takes_failsafe_time_and_outputs_from_its_settings() -> None:
    settings = MockSettings(failsafe_after_ns=123 * MS, failsafe_us=(1111, 1222, 1333, 1444, 1555, 1666))
    talk, _ = virtual(settings=settings)
    talk.run(S)
    cut(talk)
    [change] = failsafe_changes(talk)
    last = [part.at_us for part in talk.all(m.Applied) if part.at_us < change.at_us][-1]
    assert (change.at_us - last, change.outputs_us) == (123_000, settings.failsafe_us)


def test_mock_receiver_stays_out_of_failsafe_in_a_cut_shorter_than_its_time() -> None:
    talk, _ = virtual()
    talk.run(S)
    cut(talk, for_ms=440)
    assert failsafe_changes(talk) == []


def battery(payload: bytes) -> int:
    return int.from_bytes(payload[:2], "little")


def test_mock_telemetry_is_exactly_one_packet_old() -> None:
    talk, _ = virtual()
    for number in range(60):
        talk.tell(RX, m.Inject(((0, 1_000 + number),)))
        talk.run(70 * MS)
    telemetry = talk.all(m.Telemetry)
    arrived = {part.packet: part.at_us for part in talk.all(m.Applied)}
    ages = set()
    for number, reply in enumerate(talk.all(m.Reply)):
        shows = next(part.packet for part in telemetry if battery(part.payload) == 1_000 + number)
        ages.add(sum(1 for packet, at_us in arrived.items() if at_us > reply.at_us and packet <= shows) - 1)
    assert ages == {1}


def test_mock_telemetry_repeats_its_payload_when_an_acknowledgement_was_lost() -> None:
    talk, _ = virtual(settings=MockSettings(ack_loss=Fraction(1, 3), retransmit_limit=15))
    for number in range(30):
        talk.tell(RX, m.Inject(((0, 1_000 + number),)))
        talk.run(20 * MS)
    shown = [battery(part.payload) for part in talk.all(m.Telemetry)]
    assert shown[2:29] == list(range(1_000, 1_027))


REFUSED = [
    ((4, 1),),  # no such field
    ((0, -1),),  # u16
    ((0, 65_536),),
    ((1, 32_768),),  # i16
    ((2, 128),),  # i8
    ((0, 5), (9, 1)),  # one good, one bad
]


@pytest.mark.parametrize("values", REFUSED)
def test_mock_receiver_refuses_an_injection_that_does_not_fit_and_changes_nothing(
    values: tuple[tuple[int, int], ...],
) -> None:
    talk, _ = virtual()
    talk.tell(RX, m.Inject(values))
    talk.run(100 * MS)
    assert talk.last(m.Reply).result == m.Result.OUT_OF_RANGE
    assert {part.payload for part in talk.all(m.Telemetry)} == {bytes.fromhex("6400 6500 66 67000000")}


def test_mock_receiver_applies_packets_that_it_does_not_acknowledge() -> None:
    talk, _ = virtual(settings=MockSettings(retransmit_limit=0))
    talk.run(105 * MS)
    talk.tell(RX, m.MuteAcks(10_000, 100_000))
    talk.run(395 * MS)
    acked = [bool(part.flags & m.SENT_ACKED) for part in talk.all(m.Sent)]
    assert acked == [True] * 6 + [False] * 5 + [True] * 14
    assert len(talk.all(m.Applied)) == 25


def test_mock_receiver_counts_once_a_second() -> None:
    talk, _ = virtual()
    talk.run(3 * S + 10 * MS)
    counters = talk.all(m.Counters)
    assert [part.packets for part in counters] == [50, 100, 150]
    assert {(part.duplicates, part.bad_packets, part.restarts) for part in counters} == {(0, 0, 0)}


def test_mock_receiver_starts_over_after_a_restart() -> None:
    talk, bench = virtual()
    talk.tell(TX, m.Sticks(1, (1700,) * 6))
    talk.tell(RX, m.Inject(((0, 1234),)))
    talk.run(S + 10 * MS)
    talk.tell(RX, m.Restart())
    talk.run(2 * S)
    start = talk.all(m.OutputChange)[-1]
    assert (start.at_us, start.reason) == (0, m.OutputReason.START)
    assert start.outputs_us == (1500, 1500, 1000, 1500, 1500, 1000)
    assert talk.last(m.Counters).restarts == 1
    assert talk.last(m.Counters).packets in (50, 51)
    assert battery(talk.last(m.Telemetry).payload) == 100
    missed = {part.packet for part in talk.all(m.Sent)} - {part.packet for part in talk.all(m.Applied)}
    assert 2 <= len(missed) <= 4
    assert bench.receiver.life.restarts == 1


def entry_times(settings: MockSettings, rate_mhz: int = 50_000) -> tuple[list[int], list[int]]:
    """Failsafe times since the last packet and failsafe instants in us, over six cuts at uneven times."""
    talk, _ = virtual(settings=settings)
    if rate_mhz != 50_000:
        talk.tell(TX, m.Setting(m.SettingId.PACKET_RATE_MHZ, rate_mhz))
    for number in range(6):
        talk.run(500 * MS + number * 7 * MS)
        cut(talk, 1_200)
    since, instants, last = [], [], 0
    for heard in talk.heard:
        if isinstance(heard.message, m.Applied):
            last = heard.message.at_us
        elif isinstance(heard.message, m.OutputChange) and heard.message.reason == m.OutputReason.FAILSAFE:
            since.append(heard.message.at_us - last)
            instants.append(heard.message.at_us)
    assert len(since) == 6
    return since, instants


def test_mock_receiver_goes_by_a_timer_at_any_packet_rate() -> None:
    for rate_mhz in (50_000, 25_000):
        assert set(entry_times(MockSettings(), rate_mhz)[0]) == {480_000}


def test_mock_receiver_looks_at_its_timer_every_tick() -> None:
    since, instants = entry_times(MockSettings(failsafe_tick_ns=7 * MS))
    assert {at_us % 7_000 for at_us in instants} == {0}
    assert 480_000 <= min(since) < max(since) < 487_000


def test_mock_receiver_counts_its_own_frames() -> None:
    settings = MockSettings(failsafe_by="frames", receiver_skew_ppm=200)
    since, instants = entry_times(settings)
    assert {at_us % 20_000 for at_us in instants} <= {0, 1, 19_999}
    assert 460_000 <= min(since) < max(since) <= 480_001


@pytest.mark.parametrize(("rate_mhz", "time_us"), [(50_000, 480_000), (25_000, 960_000)])
def test_mock_receiver_counts_packet_periods(rate_mhz: int, time_us: int) -> None:
    assert set(entry_times(MockSettings(failsafe_by="packets"), rate_mhz)[0]) == {time_us}


def test_a_deaf_mock_receiver_acknowledges_what_it_throws_away() -> None:
    talk, bench = virtual()
    talk.run(105 * MS)
    before = talk.last(m.Telemetry).payload
    talk.tell(RX, m.Deafen(10_000, 100_000))
    talk.run(395 * MS)
    sent = talk.all(m.Sent)
    assert {part.flags for part in sent} == {m.SENT_ACKED}
    applied = [part.packet for part in talk.all(m.Applied)]
    assert [part.packet for part in sent if part.packet not in applied] == [6, 7, 8, 9, 10]
    assert {part.payload for part in talk.all(m.Telemetry)} == {before}
    assert (bench.receiver.bad_packets, bench.receiver.duplicates) == (0, 0)


def test_a_deaf_mock_receiver_goes_to_failsafe_and_hears_again_when_released() -> None:
    talk, _ = virtual()
    talk.run(105 * MS)
    talk.tell(RX, m.Deafen(0, 60_000_000))
    talk.run(S)
    assert len(failsafe_changes(talk)) == 1
    talk.tell(RX, m.Release())
    talk.run(100 * MS)
    assert talk.last(m.Applied).packet == talk.last(m.Sent).packet


def test_a_deaf_mock_receiver_throws_away_what_its_loop_takes_out() -> None:
    talk, _ = virtual(settings=MockSettings(receiver_loop_ns=50 * MS))
    talk.run(105 * MS)
    talk.tell(RX, m.Deafen(40_000, 10_000))  # on when the loop comes round at 150 ms
    talk.run(395 * MS)
    applied = {part.packet for part in talk.all(m.Applied)}
    assert set(range(20)) - applied == {5, 6, 7}


@pytest.mark.parametrize(("sender", "sound"), [(OWN, False), (FOREIGN, True), (FOREIGN, False)])
def test_mock_receiver_counts_a_packet_that_is_not_for_it_and_does_nothing_else(
    sender: int, sound: bool
) -> None:
    talk, bench = virtual()
    talk.run(105 * MS)
    receiver = bench.receiver
    state = (receiver.outputs, receiver.packets, receiver.duplicates, receiver.refreshed_ns)
    answer = receiver.hear(Packet(6, (1999,) * 6, sender, sound))
    assert answer == talk.last(m.Telemetry).payload
    assert (receiver.outputs, receiver.packets, receiver.duplicates, receiver.refreshed_ns) == state
    assert receiver.bad_packets == 1
    talk.run(100 * MS)
    assert [part.packet for part in talk.all(m.Applied)] == list(range(11))


def test_mock_receiver_of_a_link_that_was_never_up_ignores_strangers() -> None:
    talk, bench = virtual(settings=MockSettings(start_phase_ns=5 * S))
    bench.receiver.hear(Packet(0, (1999,) * 6, FOREIGN))
    talk.run(S)
    [start] = talk.all(m.OutputChange)
    assert start.reason == m.OutputReason.START
    assert bench.receiver.outputs == start.outputs_us == (1500, 1500, 1000, 1500, 1500, 1000)
