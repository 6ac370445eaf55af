"""What both mock devices do alike; every test runs on the transmitter and on the receiver."""

import pytest
from mock_talk import RX, TX, virtual

from harness.bench.protocol import DEVICES, Role
from harness.clock import MS, S
from harness.codec import encode
from harness.codec import messages as m
from mocks.settings import MockSettings

BOTH = pytest.mark.parametrize("role", [TX, RX], ids=str)


@BOTH
def test_mock_device_says_that_it_started_and_who_it_is(role: Role) -> None:
    talk, _ = virtual()
    talk.tell(role, m.Identify())
    first, *_, identity = [heard for heard in talk.run(15 * MS) if heard.role is role]
    assert first.message == m.Started(m.StartCause.POWER, 0)
    assert first.counter == 0
    assert isinstance(identity.message, m.Identity)
    assert identity.message.role == (m.WireRole.TRANSMITTER if role is TX else m.WireRole.RECEIVER)
    assert (identity.message.channels, identity.message.packet_rate_mhz) == (6, 50_000)
    assert identity.message.protocol == m.PROTOCOL_VERSION


@BOTH
def test_mock_device_tells_the_serial_number_of_its_unit(role: Role) -> None:
    for settings, serial in ((MockSettings(), "mock-1"), (MockSettings(unit_serial="dunlin-7"), "dunlin-7")):
        talk, _ = virtual(settings=settings)
        talk.tell(role, m.Identify())
        identity = next(heard.message for heard in talk.run(15 * MS) if isinstance(heard.message, m.Identity))
        assert identity.serial == serial


@BOTH
def test_mock_device_counts_its_messages_from_zero_without_a_gap(role: Role) -> None:
    talk, _ = virtual()
    talk.run(3 * S)
    counters = [heard.counter for heard in talk.heard if heard.role is role]
    assert counters == list(range(len(counters)))


@BOTH
def test_mock_device_answers_a_ping_with_its_time_on_whole_arrival(role: Role) -> None:
    talk, _ = virtual()
    talk.run(1_234_567)
    ping = m.Ping(77)
    talk.tell(role, ping)
    talk.run(15 * MS)
    arrived_ns = 1_234_567 + len(encode(ping, 0)) * 10 * S // 115_200
    assert talk.all(m.Pong) == [m.Pong(77, arrived_ns // 1_000)]


@BOTH
@pytest.mark.parametrize("ppm", [-200, 0, 40])
def test_mock_device_clock_runs_fast_by_its_skew_and_wraps(role: Role, ppm: int) -> None:
    start_us = 2**32 - 1_000_000
    talk, _ = virtual(
        settings=MockSettings(
            transmitter_clock_us=start_us,
            receiver_clock_us=start_us,
            transmitter_skew_ppm=ppm,
            receiver_skew_ppm=ppm,
        )
    )
    talk.run(100 * S)
    ping = m.Ping(1)
    talk.tell(role, ping)
    talk.run(15 * MS)
    true_us = (100 * S + len(encode(ping, 0)) * 10 * S // 115_200) / 1_000
    assert talk.last(m.Pong).at_us == pytest.approx(true_us * (1 + ppm * 1e-6) - 1_000_000, abs=1)


@BOTH
def test_mock_device_restarts_after_its_reply_with_a_new_clock_and_counter(role: Role) -> None:
    talk, _ = virtual(settings=MockSettings(transmitter_clock_us=9_000_000, receiver_clock_us=9_000_000))
    talk.run(S)
    talk.tell(role, m.Restart())
    heard = [part for part in talk.run(200 * MS) if part.role is role]
    replied = next(n for n, part in enumerate(heard) if isinstance(part.message, m.Reply))
    reply, started = heard[replied], heard[replied + 1]
    assert isinstance(reply.message, m.Reply)
    assert (reply.message.command, reply.message.result) == (m.Restart.TYPE, m.Result.DONE)
    assert started.message == m.Started(m.StartCause.COMMAND, 0)
    assert started.counter == 0
    assert started.at_ns - reply.at_ns > 50 * MS


@BOTH
def test_mock_device_misses_what_is_said_while_it_restarts(role: Role) -> None:
    talk, bench = virtual()
    talk.tell(role, m.Restart())
    talk.run(30 * MS)
    device = bench.transmitter if role is TX else bench.receiver
    assert not device.alive
    talk.tell(role, m.Ping(1))
    talk.run(S)
    assert talk.all(m.Pong) == []


@BOTH
def test_mock_device_prints_its_banner_before_it_speaks(role: Role) -> None:
    talk, _ = virtual(settings=MockSettings(banner="firmware 7, free memory 903"))
    talk.run(S)
    assert talk.texts == [b"firmware 7, free memory 903\r\n"] * 2
    assert talk.junk == []
    assert role in {heard.role for heard in talk.heard if isinstance(heard.message, m.Started)}


@BOTH
@pytest.mark.parametrize("kind", [0x1F, 0x2F, 0x3F])
def test_mock_device_says_that_it_does_not_know_a_command(role: Role, kind: int) -> None:
    talk, bench = virtual()
    bench.send(role, m.encode_frame(kind, 513, b"?"))
    talk.run(15 * MS)
    [reply] = talk.all(m.Reply)
    assert (reply.command, reply.counter, reply.result) == (kind, 513, m.Result.UNKNOWN)


def test_mock_device_does_not_know_the_other_ones_commands() -> None:
    talk, _ = virtual()
    talk.tell(TX, m.Inject(()))
    talk.tell(RX, m.Burst(1, 0))
    talk.tell(RX, m.Setting(m.SettingId.POWER_DBM_X10, 0))
    talk.run(20 * MS)
    assert [reply.result for reply in talk.all(m.Reply)] == [m.Result.UNKNOWN] * 3


@BOTH
def test_mock_device_takes_noise_for_noise_and_hears_the_next_command(role: Role) -> None:
    talk, bench = virtual()
    frame = encode(m.Ping(1), 0)
    bench.send(
        role, b"\xff junk \0" + frame[:-3] + b"\0" + m.encode_frame(m.Ping.TYPE, 0, b"short") + b"\0\0"
    )
    bench.send(role, encode(m.Pong(1, 1), 0))
    talk.tell(role, m.Ping(2))
    talk.run(30 * MS)
    assert [pong.nonce for pong in talk.all(m.Pong)] == [2]
    assert (bench.transmitter if role is TX else bench.receiver).bad_frames == 3
    assert talk.all(m.Reply) == []


def test_mock_transmitter_lets_go_half_a_second_after_the_last_keep_alive() -> None:
    talk, _ = virtual()
    talk.tell(TX, m.Sticks(7, (1100,) * 6))
    for _ in range(4):
        talk.tell(TX, m.KeepAlive())
        talk.run(150 * MS)
    talk.run(S)
    under = [sent.at_us for sent in talk.all(m.Sent) if sent.set_number == 7]
    last_heard_us = 450_000 + len(encode(m.KeepAlive(), 3)) * 10_000_000 / 115_200
    assert last_heard_us + 480_000 < under[-1] < last_heard_us + 500_000
    assert talk.last(m.Sent).set_number == m.NO_SET


def test_mock_receiver_ends_injections_without_keep_alives() -> None:
    talk, _ = virtual()
    talk.tell(RX, m.KeepAlive())
    talk.tell(RX, m.Inject(((0, 1234),)))
    talk.run(450 * MS)
    assert talk.last(m.Telemetry).payload[:2] == (1234).to_bytes(2, "little")
    talk.run(100 * MS)
    assert talk.last(m.Telemetry).payload[:2] == (100).to_bytes(2, "little")


def test_mock_devices_keep_going_if_they_never_heard_a_keep_alive() -> None:
    talk, _ = virtual()
    talk.tell(TX, m.Sticks(7, (1100,) * 6))
    talk.run(5 * S)
    assert talk.last(m.Sent).set_number == 7


def test_mock_devices_let_go_at_once_when_released() -> None:
    talk, _ = virtual()
    talk.tell(TX, m.Sticks(7, (1100,) * 6))
    talk.tell(TX, m.Silence(0, 60_000_000))
    talk.tell(RX, m.Inject(((0, 1234),)))
    talk.tell(RX, m.MuteAcks(0, 60_000_000))
    talk.run(200 * MS)
    for role in DEVICES:
        talk.tell(role, m.Release())
    heard = talk.run(100 * MS)
    sent = [part.message for part in heard if isinstance(part.message, m.Sent)]
    assert [(part.set_number, part.flags) for part in sent] == [(m.NO_SET, m.SENT_ACKED)] * len(sent)
    assert len(sent) in (4, 5)
    assert talk.last(m.Telemetry).payload[:2] == (100).to_bytes(2, "little")


@BOTH
@pytest.mark.parametrize("clock_us", [0, 77, 2**32 - 2_000_000])
def test_mock_device_restarts_with_the_clock_it_was_told(role: Role, clock_us: int) -> None:
    talk, bench = virtual()
    talk.run(S)
    talk.tell(role, m.RestartAt(clock_us, 65_500))
    talk.run(5 * S)
    assert talk.last(m.Started) == m.Started(m.StartCause.COMMAND, clock_us)
    [reply] = talk.all(m.Reply)
    assert (reply.command, reply.result) == (m.RestartAt.TYPE, m.Result.DONE)
    talk.tell(role, m.Ping(1))
    talk.run(15 * MS)
    assert (talk.last(m.Pong).at_us - clock_us) % 2**32 == pytest.approx(4_950_000, abs=10_000)
    talk.tell(role, m.Restart())
    talk.run(S)
    assert talk.last(m.Started) == m.Started(m.StartCause.COMMAND, 0)
    assert (bench.transmitter if role is TX else bench.receiver).life.restarts == 2


def test_mock_transmitter_starts_its_packet_numbers_where_it_is_told() -> None:
    talk, _ = virtual(settings=MockSettings(packet_number_start=7))
    talk.run(100 * MS)
    talk.tell(TX, m.RestartAt(0, 65_534))
    talk.run(130 * MS)
    numbers = [part.packet for part in talk.all(m.Sent)]
    assert numbers[-4:] == [65_534, 65_535, 0, 1]
    assert [part.packet for part in talk.all(m.Applied)] == numbers


@BOTH
def test_mock_device_counters_of_its_own_wrap_with_its_clock(role: Role) -> None:
    talk, bench = virtual()
    device = bench.transmitter if role is TX else bench.receiver
    assert (device.ticks(1_000, 32), device.ticks(1_000, 16)) == (0, 0)
    talk.run(70 * S)
    assert (device.ticks(1_000, 32), device.ticks(1_000, 16)) == (70_000, 70_000 - 65_536)
    talk.tell(role, m.RestartAt(2**32 - 2_000_000, 0))
    talk.run(60 * MS)
    device = bench.transmitter if role is TX else bench.receiver
    left_us = 2**32 - device.now_us()
    assert 1_900_000 < left_us <= 2_000_000
    for bits in (8, 16, 32):
        assert device.ticks(1, bits) == -left_us % 2**bits
        assert device.ticks(1_000, bits) == (-left_us // 1_000) % 2**bits
    talk.run(2 * S)
    assert device.ticks(1_000, 32) == device.now_us() // 1_000 < 100


LACKING = [
    ("burst", TX, m.Burst(1, 0), m.Ability.BURST),
    ("silence", TX, m.Silence(0, 0), m.Ability.SILENCE),
    ("disturb", TX, m.Disturb(1, 0, 0), m.Ability.DISTURB),
    ("restart", TX, m.Restart(), m.Ability.RESTART),
    ("restart at", RX, m.RestartAt(0, 0), m.Ability.RESTART_AT),
    ("inject", RX, m.Inject(()), m.Ability.INJECT),
    ("mute acks", RX, m.MuteAcks(0, 0), m.Ability.MUTE_ACKS),
    ("deafen", RX, m.Deafen(0, 0), m.Ability.DEAFEN),
]


@pytest.mark.parametrize(("word", "role", "command", "ability"), LACKING, ids=[case[0] for case in LACKING])
def test_mock_device_says_and_shows_that_it_lacks_an_ability(
    word: str, role: Role, command: m.Message, ability: m.Ability
) -> None:
    for lacks in ((), (word,)):
        talk, _ = virtual(settings=MockSettings(lacks=lacks))
        talk.tell(role, m.Identify())
        talk.tell(role, command)
        talk.run(40 * MS)
        assert bool(talk.last(m.Identity).abilities & ability) is not bool(lacks)
        assert talk.last(m.Reply).result == (m.Result.UNKNOWN if lacks else m.Result.DONE)
