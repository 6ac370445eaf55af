from fractions import Fraction
from itertools import pairwise

import pytest
from mock_talk import RX, TX, Talk, virtual

from harness.clock import MS, S
from harness.codec import encode
from harness.codec import messages as m
from mocks.settings import MockSettings

AIR_US = 161  # 73 bits of overhead and 11 bytes at 1 Mbit/s
ACK_US = 130 + 73 + 8 * 9  # turn-round, and Dunlin's nine bytes of telemetry


def test_mock_transmitter_samples_at_its_packet_rate_and_numbers_packets() -> None:
    talk, _ = virtual()
    talk.run(10 * S)
    sent = talk.all(m.Sent)
    assert [part.packet for part in sent] == list(range(500))
    assert [part.at_us for part in sent] == list(range(0, 10_000_000, 20_000))
    assert {(part.attempts, part.took_us, part.flags) for part in sent} == {
        (1, AIR_US + ACK_US, m.SENT_ACKED)
    }


def test_mock_transmitter_packet_numbers_wrap() -> None:
    talk, _ = virtual(settings=MockSettings(packet_number_start=65_534))
    talk.run(90 * MS)
    assert [part.packet for part in talk.all(m.Sent)] == [65_534, 65_535, 0, 1, 2]
    assert [part.packet for part in talk.all(m.Applied)] == [65_534, 65_535, 0, 1, 2]


def test_mock_transmitter_starts_at_its_phase_and_follows_its_own_clock() -> None:
    settings = MockSettings(start_phase_ns=7 * MS, transmitter_skew_ppm=100, transmitter_clock_us=1_000)
    talk, _ = virtual(settings=settings)
    talk.run(100 * S)
    sent = talk.all(m.Sent)
    assert len(sent) == 5001  # a hundred seconds of a clock that is 10 ms ahead by then
    gaps = {after.at_us - before.at_us for before, after in pairwise(sent)}
    assert gaps <= {19_999, 20_000, 20_001}
    assert sent[0].at_us == pytest.approx(8_000, abs=1)


def test_mock_transmitter_samples_the_newest_sticks_it_has_completely_received() -> None:
    talk, bench = virtual()
    talk.run(30 * MS)
    line_ns = len(encode(m.Sticks(1, (1600,) * 6), 0)) * 10 * S // 115_200
    talk.run(40 * MS - line_ns + 1 - 30 * MS)
    talk.tell(TX, m.Sticks(1, (1600,) * 6))
    talk.run(S)
    by_time = {part.at_us: part.set_number for part in talk.all(m.Sent)}
    assert (by_time[40_000], by_time[60_000]) == (m.NO_SET, 1)
    assert bench.receiver.outputs == (1600,) * 6


def test_mock_transmitter_leaves_channels_alone_that_were_not_given() -> None:
    talk, _ = virtual()
    talk.tell(TX, m.Sticks(3, (1600, 1700)))
    talk.run(100 * MS)
    assert talk.last(m.Applied).outputs_us == (1600, 1700, 1000, 1500, 1500, 1500)
    talk.tell(TX, m.Sticks(4, (1600,) * 7))
    talk.run(100 * MS)
    assert talk.last(m.Reply).result == m.Result.OUT_OF_RANGE
    assert talk.last(m.Sent).set_number == 3


def test_mock_transmitter_retransmits_after_its_delay_and_gives_up_at_its_limit() -> None:
    talk, _ = virtual(settings=MockSettings(loss=Fraction(1), retransmit_limit=2))
    talk.run(S)
    sent = talk.all(m.Sent)
    assert {(part.attempts, part.flags) for part in sent} == {(3, 0)}
    assert {part.took_us for part in sent} == {3 * (AIR_US + 750)}
    assert talk.all(m.Telemetry) == []


def test_mock_transmitter_reports_the_attempts_that_a_packet_took() -> None:
    talk, _ = virtual(settings=MockSettings(ack_loss=Fraction(1, 2), retransmit_limit=15))
    talk.run(20 * S)
    sent = talk.all(m.Sent)
    assert {part.took_us - (part.attempts - 1) * (AIR_US + 750) for part in sent} == {AIR_US + ACK_US}
    # a geometric number of attempts: 2 on average, standard deviation 2 ** 0.5
    assert sum(part.attempts for part in sent) / len(sent) == pytest.approx(2, abs=4 * 2**0.5 / 1000**0.5)


def test_mock_transmitter_waits_for_an_acknowledgement_longer_than_its_delay_if_it_must() -> None:
    talk, _ = virtual(settings=MockSettings(retransmit_delay_ns=0))
    talk.run(S)
    assert {part.attempts for part in talk.all(m.Sent)} == {1}


def test_mock_transmitter_sends_at_once_when_attempts_ran_past_a_tick() -> None:
    settings = MockSettings(loss=Fraction(1), retransmit_limit=1, packet_rate_mhz=1_000_000)
    talk, _ = virtual(settings=settings)
    talk.run(100 * MS)
    sent = talk.all(m.Sent)
    took_us = 2 * (AIR_US + 750)
    assert {part.took_us for part in sent} == {took_us}
    starts = [part.at_us for part in sent]
    assert {after - before for before, after in pairwise(starts)} <= {took_us, 2_000}
    assert took_us in {after - before for before, after in pairwise(starts)}


def test_mock_transmitter_is_silent_exactly_as_long_as_told_and_uses_no_numbers() -> None:
    talk, _ = virtual()
    talk.run(S)
    talk.tell(TX, m.Silence(5_000, 100_000))
    talk.run(S)
    [reply] = talk.all(m.Reply)
    sent = talk.all(m.Sent)
    assert [part.packet for part in sent] == list(range(len(sent)))
    begin_us = reply.at_us + 5_000
    assert not [part for part in sent if begin_us <= part.at_us < begin_us + 100_000]
    assert next(part.at_us for part in sent if part.at_us >= begin_us) == 1_120_000
    assert [part.at_us for part in sent if part.at_us < begin_us][-1] == 1_000_000


def test_mock_transmitter_does_not_retransmit_into_a_silence() -> None:
    talk, _ = virtual(settings=MockSettings(loss=Fraction(1), start_phase_ns=10 * MS))
    talk.tell(TX, m.Silence(0, 500_000))
    talk.run(5 * MS)
    delay_us = 10_000 - talk.all(m.Reply)[0].at_us + 1_000
    talk.tell(TX, m.Silence(delay_us - 4_000, 500_000))
    talk.run(S)
    assert all(part.attempts == 4 for part in talk.all(m.Sent)[1:])
    assert talk.all(m.Sent)[0].attempts < 4


def bursts(talk: Talk) -> list[m.Sent]:
    return [part for part in talk.all(m.Sent) if part.flags & m.SENT_IN_BURST]


def test_mock_transmitter_sends_a_spaced_burst_between_its_packets() -> None:
    talk, _ = virtual()
    talk.run(105 * MS)
    talk.tell(TX, m.Burst(5, 2_000))
    talk.run(S)
    starts = [part.at_us for part in bursts(talk)]
    assert [at_us - starts[0] for at_us in starts] == [0, 2_000, 4_000, 6_000, 8_000]
    assert len(talk.all(m.Sent)) - 5 == 56
    numbers = [part.packet for part in talk.all(m.Sent)]
    assert numbers == list(range(len(numbers)))


def test_mock_transmitter_sends_a_burst_back_to_back() -> None:
    talk, _ = virtual()
    talk.run(105 * MS)
    talk.tell(TX, m.Burst(10, 0))
    talk.tell(TX, m.Burst(10, 0))
    talk.run(S)
    starts = [part.at_us for part in bursts(talk)]
    assert {after - before for before, after in pairwise(starts)} == {AIR_US + ACK_US}
    assert [reply.result for reply in talk.all(m.Reply)] == [m.Result.DONE, m.Result.BUSY]


@pytest.mark.parametrize("spacing_us", [0, 3_000])
def test_mock_transmitter_never_sends_what_a_burst_owes_in_a_silence(spacing_us: int) -> None:
    talk, _ = virtual()
    talk.tell(TX, m.Silence(0, 300_000))
    talk.tell(TX, m.Burst(20, spacing_us))
    talk.run(S)
    assert bursts(talk) == []
    talk.tell(TX, m.Burst(3, spacing_us))
    talk.run(S)
    assert len(bursts(talk)) == 3


@pytest.mark.parametrize("spacing_us", [0, 100_000])
def test_mock_transmitter_ends_a_burst_when_released(spacing_us: int) -> None:
    talk, _ = virtual(settings=MockSettings(baud=2_000_000))
    talk.tell(TX, m.Burst(1_000, spacing_us))
    talk.run(150 * MS)
    before = len(bursts(talk))
    talk.tell(TX, m.Release())
    talk.run(2 * MS)
    talk.tell(TX, m.Burst(4, spacing_us))
    talk.run(S)
    assert before <= len(bursts(talk)) - 4 <= before + 10


def test_mock_transmitter_forgets_everything_when_it_restarts() -> None:
    talk, _ = virtual(settings=MockSettings(packet_number_start=500))
    talk.tell(TX, m.Sticks(9, (1200,) * 6))
    talk.tell(TX, m.Setting(m.SettingId.PACKET_RATE_MHZ, 25_000))
    talk.tell(TX, m.Burst(1_000, 50_000))
    talk.run(S)
    assert talk.last(m.Sent).packet > 500
    talk.tell(TX, m.Restart())
    after = [
        part.message for part in talk.run(S) if isinstance(part.message, m.Sent) and part.message.packet < 500
    ]
    assert [part.packet for part in after] == list(range(len(after)))
    assert {(part.set_number, part.flags) for part in after} == {(m.NO_SET, m.SENT_ACKED)}
    assert after[1].at_us - after[0].at_us == 20_000


SETTINGS = [
    (m.SettingId.PACKET_RATE_MHZ, 100_000, m.Result.DONE),
    (m.SettingId.PACKET_RATE_MHZ, 999, m.Result.OUT_OF_RANGE),
    (m.SettingId.PACKET_RATE_MHZ, -1, m.Result.OUT_OF_RANGE),
    (m.SettingId.RETRANSMIT_LIMIT, 15, m.Result.DONE),
    (m.SettingId.RETRANSMIT_LIMIT, 16, m.Result.OUT_OF_RANGE),
    (m.SettingId.RETRANSMIT_DELAY_US, 250, m.Result.DONE),
    (m.SettingId.POWER_DBM_X10, 100, m.Result.UNKNOWN),
    (m.SettingId.RADIO_CHANNEL, 3, m.Result.UNKNOWN),
    (99, 3, m.Result.UNKNOWN),
]


@pytest.mark.parametrize(("setting", "value", "result"), SETTINGS)
def test_mock_transmitter_answers_a_setting(setting: int, value: int, result: m.Result) -> None:
    talk, _ = virtual()
    talk.tell(TX, m.Setting(setting, value))
    talk.run(100 * MS)
    assert [reply.result for reply in talk.all(m.Reply)] == [result]


def test_mock_transmitter_changes_its_rate_and_keeps_its_phase_if_nothing_changes() -> None:
    talk, _ = virtual()
    talk.run(105 * MS)
    talk.tell(TX, m.Setting(m.SettingId.PACKET_RATE_MHZ, 50_000))
    talk.run(100 * MS)
    assert {part.at_us % 20_000 for part in talk.all(m.Sent)} == {0}
    talk.tell(TX, m.Setting(m.SettingId.PACKET_RATE_MHZ, 200_000))
    heard = talk.run(S)
    assert sum(isinstance(part.message, m.Sent) for part in heard) == pytest.approx(199, abs=1)


def test_mock_transmitter_changes_how_it_retransmits() -> None:
    talk, _ = virtual(settings=MockSettings(loss=Fraction(1)))
    talk.tell(TX, m.Setting(m.SettingId.RETRANSMIT_LIMIT, 1))
    talk.tell(TX, m.Setting(m.SettingId.RETRANSMIT_DELAY_US, 2_000))
    talk.run(S)
    assert talk.last(m.Sent).took_us == 2 * (AIR_US + 2_000)


def test_mock_transmitter_says_at_most_what_its_report_can_hold() -> None:
    settings = MockSettings(loss=Fraction(1), retransmit_delay_ns=50 * MS)
    talk, _ = virtual(settings=settings)
    talk.run(S)
    assert talk.all(m.Sent)[0].took_us == 65_535


def test_mock_transmitter_loses_serial_messages_but_counts_them() -> None:
    talk, _ = virtual(settings=MockSettings(transmitter_message_loss=Fraction(1, 10)))
    talk.run(100 * S)
    counters = [heard.counter for heard in talk.heard if heard.role is TX]
    assert counters[-1] >= 10_000
    assert 1 - len(counters) / (counters[-1] + 1) == pytest.approx(0.1, abs=0.012)
    others = [heard.counter for heard in talk.heard if heard.role is RX]
    assert others == list(range(len(others)))


def test_mock_transmitter_drops_messages_that_its_slow_line_cannot_take() -> None:
    talk, _ = virtual(settings=MockSettings(baud=9_600, packet_rate_mhz=200_000))
    talk.run(20 * S)
    counters = [heard.counter for heard in talk.heard if heard.role is TX]
    assert len(counters) < counters[-1]
    assert talk.junk == []
