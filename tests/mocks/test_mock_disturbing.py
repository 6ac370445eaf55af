"""What the mock transmitter sends in a disturbance, and what a healthy receiver makes of it: nothing."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from mock_talk import RX, TX, Talk, virtual

from harness.clock import MS, S
from harness.codec import messages as m
from harness.plan.model import Channel
from mocks.air import FOREIGN, OWN, Packet
from mocks.bench import VirtualBench
from mocks.settings import DUNLIN, MockSettings

Kind = m.Disturbance
IN_PLACE = pytest.mark.parametrize(
    "kind", [Kind.CORRUPTED, Kind.FOREIGN, Kind.REPEATED], ids=lambda k: k.name
)


def listened(settings: MockSettings | None = None) -> tuple[Talk, VirtualBench, list[Packet]]:
    """Return a conversation, and a list that takes every packet the receiver's radio hears."""
    talk, bench = virtual(settings=settings)
    heard: list[Packet] = []
    hear = bench.receiver.hear

    def listen(packet: Packet) -> bytes | None:
        heard.append(packet)
        return hear(packet)

    bench.receiver.hear = listen  # type: ignore[method-assign]
    return talk, bench, heard


def disturbed(kind: int, for_ms: int = 200, **settings: int) -> tuple[Talk, VirtualBench, list[Packet]]:
    """Disturb a second after the start, at 15 ms after a packet, and go on for another second."""
    talk, bench, heard = listened(MockSettings(**settings))  # type: ignore[arg-type]
    talk.tell(TX, m.Sticks(1, (1234,) * 6))
    talk.run(995 * MS)
    talk.tell(TX, m.Disturb(kind, 0, for_ms * 1_000))
    talk.run(for_ms * MS + S)
    return talk, bench, heard


def during(heard: list[Packet]) -> list[Packet]:
    """Return the packets from the first that is not healthy and new to the last."""
    odd = [
        n
        for n, packet in enumerate(heard)
        if not packet.sound or packet.sender != OWN or (n and packet == heard[n - 1])
    ]
    return heard[odd[0] : odd[-1] + 1]


@IN_PLACE
def test_mock_transmitter_disturbs_in_its_own_ticks_and_uses_no_numbers(kind: Kind) -> None:
    talk, _, heard = disturbed(kind)
    sent = talk.all(m.Sent)
    assert [part.packet for part in sent] == list(range(len(sent)))
    gaps = {after.at_us - before.at_us for before, after in pairwise(sent)}
    assert gaps == {20_000, 220_000}
    assert len(during(heard)) == 10
    [over] = talk.all(m.Disturbed)
    assert (over.kind, over.packets, over.acknowledged) == (kind, 10, 10)
    assert over.at_us == talk.all(m.Reply)[0].at_us + 200_000


def test_a_corrupted_packet_is_the_one_due_with_a_wrong_check() -> None:
    _, _, heard = disturbed(Kind.CORRUPTED)
    assert set(during(heard)) == {Packet(50, (1234,) * 6, OWN, sound=False)}
    assert heard[heard.index(during(heard)[-1]) - 1] == Packet(49, (1234,) * 6)


def test_a_foreign_packet_has_the_throttle_low_and_everything_else_high() -> None:
    _, _, heard = disturbed(Kind.FOREIGN)
    strangers = during(heard)
    assert {packet.pulses for packet in strangers} == {(2000, 2000, 1000, 2000, 2000, 2000)}
    assert {(packet.sender, packet.sound) for packet in strangers} == {(FOREIGN, True)}
    numbers = [packet.number for packet in strangers]
    assert numbers == list(range(numbers[0], numbers[0] + 10))


def test_a_repeated_packet_is_the_last_one_again() -> None:
    _, _, heard = disturbed(Kind.REPEATED)
    assert set(during(heard)) == {Packet(49, (1234,) * 6)}


def test_nothing_is_repeated_before_the_first_packet() -> None:
    talk, _, heard = listened(MockSettings(start_phase_ns=50 * MS))
    talk.tell(TX, m.Disturb(Kind.REPEATED, 0, 200_000))
    talk.run(150 * MS)
    assert heard == []
    talk.run(S)
    assert talk.last(m.Disturbed).packets == 0
    assert heard[0].number == 0


def test_packets_beside_its_own_come_half_way_between_them() -> None:
    talk, bench, heard = disturbed(Kind.BESIDE)
    sent = talk.all(m.Sent)
    assert {after.at_us - before.at_us for before, after in pairwise(sent)} == {20_000}
    strangers = [n for n, packet in enumerate(heard) if packet.sender == FOREIGN]
    assert {after - before for before, after in pairwise(strangers)} == {2}
    assert (len(strangers), talk.last(m.Disturbed).packets) == (10, 10)
    assert [part.packet for part in talk.all(m.Applied)] == list(range(len(sent)))
    assert bench.receiver.bad_packets == 10


@IN_PLACE
def test_a_healthy_receiver_goes_to_failsafe_in_a_disturbance_and_counts_it(kind: Kind) -> None:
    talk, bench, _ = disturbed(kind, for_ms=700)
    [change] = [part for part in talk.all(m.OutputChange) if part.reason == m.OutputReason.FAILSAFE]
    last = [part for part in talk.all(m.Applied) if part.at_us < change.at_us][-1]
    assert change.at_us - last.at_us == 480_000
    receiver = bench.receiver
    counted = (0, 35) if kind is Kind.REPEATED else (35, 0)
    assert (receiver.bad_packets, receiver.duplicates) == counted
    assert talk.last(m.Counters).bad_packets == receiver.bad_packets
    numbers = [part.packet for part in talk.all(m.Applied)]
    assert numbers == list(range(len(numbers)))


def test_disturbing_packets_are_sent_once_and_carry_no_telemetry_to_report() -> None:
    talk, _, heard = listened(MockSettings(retransmit_limit=5))
    talk.run(995 * MS)
    talk.tell(RX, m.MuteAcks(0, 150_000))
    talk.tell(TX, m.Disturb(Kind.FOREIGN, 0, 200_000))
    talk.run(220 * MS)
    assert len(during(heard)) == 10
    [over] = talk.all(m.Disturbed)
    assert (over.packets, over.acknowledged) == (10, 2)
    acked = [part.packet for part in talk.all(m.Sent) if part.flags & m.SENT_ACKED]
    assert [part.packet for part in talk.all(m.Telemetry)] == acked


def test_a_disturbance_waits_for_its_delay_and_ends_an_attempt_under_way() -> None:
    settings = MockSettings(start_phase_ns=10 * MS, retransmit_limit=15)
    talk, _, heard = listened(settings)
    talk.tell(RX, m.MuteAcks(0, 100_000))
    talk.tell(TX, m.Disturb(Kind.CORRUPTED, 12_000 - 1_389, 30_000))  # 16 bytes take 1389 us to arrive
    talk.run(100 * MS)
    first = talk.all(m.Sent)[0]
    assert (first.at_us, first.flags) == (10_000, 0)
    assert 1 < first.attempts < 5
    assert talk.all(m.Sent)[1].at_us == 50_000
    assert len([packet for packet in heard if not packet.sound]) == 1


def test_what_falls_due_of_a_burst_in_a_disturbance_is_never_sent() -> None:
    talk, _, heard = listened()
    talk.run(95 * MS)
    talk.tell(TX, m.Disturb(Kind.CORRUPTED, 0, 200_000))
    talk.tell(TX, m.Burst(20, 0))
    talk.run(S)
    assert [part for part in talk.all(m.Sent) if part.flags & m.SENT_IN_BURST] == []
    assert len(during(heard)) == 10


ENDS = [m.Release(), m.Silence(500_000, 1_000), m.Disturb(Kind.FOREIGN, 500_000, 1_000)]


@pytest.mark.parametrize("message", ENDS, ids=lambda message: type(message).__name__)
@pytest.mark.parametrize("kind", list(Kind), ids=lambda kind: kind.name)
def test_a_disturbance_ends_early_and_says_so(kind: Kind, message: m.Message) -> None:
    talk, _, heard = listened()
    talk.run(95 * MS)
    talk.tell(TX, m.Disturb(kind, 0, 60_000_000))
    talk.run(100 * MS)
    talk.tell(TX, message)
    talk.run(300 * MS)
    assert [over.kind for over in talk.all(m.Disturbed)] == [kind]
    assert talk.last(m.Disturbed).packets == 5
    assert heard[-1].sender == OWN
    assert heard[-1].sound
    talk.run(10 * S)
    assert len(talk.all(m.Disturbed)) == (2 if isinstance(message, m.Disturb) else 1)


def test_a_disturbance_ends_without_keep_alives() -> None:
    talk, _ = virtual()
    talk.tell(TX, m.KeepAlive())
    talk.tell(TX, m.Disturb(Kind.FOREIGN, 0, 60_000_000))
    talk.run(S)
    assert talk.last(m.Disturbed).at_us == pytest.approx(500_000, abs=1_000)


def test_a_disturbance_reports_its_last_packet_when_its_fate_is_known() -> None:
    talk, _ = virtual()
    talk.run(95 * MS)
    talk.tell(TX, m.Disturb(Kind.FOREIGN, 5_000 - 1_389, 100))  # until just after a tick
    talk.run(S)
    [over] = talk.all(m.Disturbed)
    assert (over.at_us, over.packets, over.acknowledged) == (100_099, 1, 1)


def test_a_restarted_transmitter_forgets_its_disturbance() -> None:
    talk, _ = virtual()
    talk.tell(TX, m.Disturb(Kind.FOREIGN, 0, 60_000_000))
    talk.run(100 * MS)
    talk.tell(TX, m.Restart())
    talk.run(S)
    assert talk.all(m.Disturbed) == []
    assert len(talk.all(m.Applied)) > 40


@pytest.mark.parametrize(("lacks", "kind"), [((), 0), ((), 5), (("beside",), 4), (("foreign",), 2)])
def test_a_kind_that_it_cannot_do_is_refused(lacks: tuple[str, ...], kind: int) -> None:
    talk, _ = virtual(settings=MockSettings(lacks=lacks))
    talk.tell(TX, m.Disturb(kind, 0, 100_000))
    talk.run(S)
    assert [reply.result for reply in talk.all(m.Reply)] == [m.Result.OUT_OF_RANGE]
    assert talk.all(m.Disturbed) == []
    assert len(talk.all(m.Sent)) == 50


def test_a_foreign_packet_has_the_ends_of_each_channels_own_range() -> None:
    narrow = replace(DUNLIN.channels[0], range=replace(DUNLIN.channels[0].range, low_us=1100, high_us=1900))
    link = replace(DUNLIN, channels=(narrow, Channel(name="motor", role="throttle", failsafe="low")))
    talk, bench = virtual(link)
    heard: list[Packet] = []
    bench.receiver.hear = heard.append  # type: ignore[method-assign, assignment]
    talk.tell(TX, m.Disturb(Kind.FOREIGN, 0, 100_000))
    talk.run(90 * MS)
    assert heard[-1].pulses == (1900, 1000)
