"""The harness's side of the talk: everything is recorded, little is believed, nothing grows without bound."""

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_runner import HEADER

from harness.bench.protocol import DEVICES, Chunk, Role
from harness.clock import MS, S, VirtualClock
from harness.codec import encode
from harness.codec import messages as m
from harness.codec.frames import decode_piece
from harness.conversation import SEEN_MAX, Conversation
from harness.recording import Direction, RecordingWriter, parse_recording

TX, RX = Role.TRANSMITTER, Role.RECEIVER


class ScriptedPorts:
    """A bench that hands out what it was given, at its time, and keeps what is sent."""

    is_virtual, is_hardware = True, False

    def __init__(self, *chunks, answer=None):
        self.clock = VirtualClock()
        self.coming = list(chunks)
        self.sent = []
        self.answer = answer
        self.facts = {}
        self.baud = dict.fromkeys(DEVICES, 115_200)

    def now_ns(self):
        return self.clock.now_ns()

    def send(self, role, data):
        self.sent.append((role, data))
        if self.answer:
            self.coming.extend(self.answer(role, data, self.now_ns()))
        return self.now_ns()

    def advance(self, until_ns):
        self.clock.sleep_until_ns(until_ns)
        ready = [chunk for chunk in self.coming if chunk.at_ns <= until_ns]
        self.coming = [chunk for chunk in self.coming if chunk.at_ns > until_ns]
        return ready


def talk_over(bench):
    file = io.BytesIO()
    return Conversation(bench, RecordingWriter(file, HEADER, 0)), file


def stream_of(talk, file, role, direction=Direction.TO_PC):
    talk.finish()
    talk.writer.close()
    port = parse_recording(file.getvalue(), "x").ports[role]
    return b"".join(data for way, data in zip(port.direction, port.data, strict=True) if way == direction)


@given(st.lists(st.binary(min_size=1, max_size=300), max_size=20))
def test_every_byte_that_arrives_is_recorded_in_order(pieces):
    bench = ScriptedPorts(*(Chunk(TX, data, n * MS) for n, data in enumerate(pieces)))
    talk, file = talk_over(bench)
    talk.advance(S)
    assert stream_of(talk, file, TX) == b"".join(pieces)


def test_what_is_sent_is_recorded_and_numbered():
    bench = ScriptedPorts()
    talk, file = talk_over(bench)
    counters = [talk.send(RX, m.KeepAlive()) for _ in range(3)]
    assert counters == [0, 1, 2]
    assert stream_of(talk, file, RX, Direction.TO_DEVICE) == b"".join(data for _, data in bench.sent)


def test_counters_wrap_at_16_bits():
    talk, _ = talk_over(ScriptedPorts())
    talk.ports[TX].counter = 0xFFFF
    assert [talk.send(TX, m.KeepAlive()) for _ in range(2)] == [0xFFFF, 0]


def test_a_command_is_asked_again_until_it_is_replied_to():
    def deaf_once(role, data, now):
        if len(bench.sent) < 2:
            return []
        return [Chunk(role, encode(m.Reply(m.Setting.TYPE, 1, m.Result.DONE, 0), 0), now + MS)]

    bench = ScriptedPorts(answer=deaf_once)
    talk, _ = talk_over(bench)
    assert talk.ask(TX, m.Setting(1, 2)).result == m.Result.DONE
    assert len(bench.sent) == 2


def test_a_command_that_is_never_replied_to_gives_up():
    bench = ScriptedPorts()
    talk, _ = talk_over(bench)
    assert talk.ask(TX, m.Setting(1, 2)) is None
    assert len(bench.sent) == 3


def test_replies_that_nobody_asked_for_do_not_pile_up():
    flood = b"".join(encode(m.Reply(1, n, 0, 0), n) for n in range(1000))
    talk, _ = talk_over(ScriptedPorts(Chunk(TX, flood, MS)))
    talk.advance(S)
    assert len(talk.ports[TX].replies) <= 64


def test_only_the_first_bytes_of_an_unknown_device_are_kept_to_explain_it():
    talk, _ = talk_over(ScriptedPorts(*(Chunk(TX, b"x" * 1000, n) for n in range(100))))
    talk.advance(S)
    assert len(talk.ports[TX].seen) == SEEN_MAX


def test_keep_alives_start_when_told_and_not_before():
    bench = ScriptedPorts()
    talk, _ = talk_over(bench)
    talk.advance(S)
    assert bench.sent == []
    talk.keeps_alive = True
    talk.advance(2 * S)
    assert {role for role, _ in bench.sent} == set(DEVICES)


@pytest.mark.parametrize(
    ("messages", "state"),
    [
        ([], "searching"),
        ([m.Applied(1, 0, 0, (1500,))], "linked"),
        ([m.Applied(1, 0, 0, (1500,)), m.OutputChange(0, m.OutputReason.FAILSAFE, (1000,))], "failsafe"),
        ([m.OutputChange(0, m.OutputReason.FAILSAFE, (1000,)), m.Applied(1, 0, 0, (1500,))], "linked"),
    ],
    ids=["nothing", "packets", "failsafe", "back"],
)
def test_the_link_state_is_told_from_what_the_receiver_says(messages, state):
    data = b"".join(encode(message, n) for n, message in enumerate(messages))
    talk, _ = talk_over(ScriptedPorts(*([Chunk(RX, data, 950 * MS)] if data else [])))
    talk.advance(S)
    assert talk.link_state == state
    talk.advance(2 * S)
    assert talk.link_state == ("lost" if state == "linked" else state)


APPLIED = encode(m.Applied(1, 0, 0, (1500,)), 0)


@pytest.mark.parametrize("role", DEVICES)
@pytest.mark.parametrize("command", [m.Restart(), m.RestartAt(5, 0)], ids=["restart", "restart at"])
def test_a_link_is_up_again_only_with_a_packet_after_the_restart_that_was_asked_for(role, command):
    packets = [Chunk(RX, APPLIED, at * 20 * MS) for at in range(1, 40) if at != 13]
    talk, _ = talk_over(ScriptedPorts(*packets, Chunk(role, encode(m.Started(1, 0), 0), 250 * MS)))
    talk.advance(195 * MS)
    assert talk.link_state == "linked"
    talk.send(role, command)
    for now in range(195, 275, 5):  # packets from before the start come in meanwhile
        talk.advance(now * MS)
        assert talk.link_state == "searching"
    talk.advance(300 * MS)
    assert talk.link_state == "linked"


def test_a_start_that_is_never_told_does_not_keep_the_link_down_for_ever():
    talk, _ = talk_over(ScriptedPorts(*(Chunk(RX, APPLIED, at * 20 * MS) for at in range(1, 300))))
    talk.send(TX, m.Restart())
    talk.advance(2 * S)
    assert talk.link_state == "searching"
    talk.advance(4 * S)
    assert talk.link_state == "linked"


def test_a_transmitter_that_starts_anew_leaves_the_receiver_in_failsafe():
    failsafe = encode(m.OutputChange(0, m.OutputReason.FAILSAFE, (1000,)), 0)
    started = encode(m.Started(1, 0), 0)
    talk, _ = talk_over(ScriptedPorts(Chunk(RX, failsafe, MS), Chunk(TX, started, 2 * MS)))
    talk.advance(3 * MS)
    assert talk.in_failsafe


def test_pings_a_device_soon_after_each_of_its_starts():
    pings = []

    def note(role, data, now_ns):
        if role is RX and decode_piece(data[:-1]).type == m.Ping.TYPE:
            pings.append(now_ns)
        return []

    starts = [Chunk(RX, encode(m.Started(1, 0), 0), at * S // 10) for at in (12, 14, 16)]
    talk, _ = talk_over(ScriptedPorts(*starts, answer=note))
    talk.keeps_alive = True
    for tick in range(400):  # a real bench wakes when bytes come
        talk.advance(tick * 5 * MS)
    soon = [[at for at in pings if 0 < at - start.at_ns <= 30 * MS] for start in starts]
    assert [len(each) for each in soon] == [1, 1, 1]


def test_what_a_reading_thread_heard_before_the_talk_began_counts_as_heard_then():
    bench = ScriptedPorts(Chunk(RX, b"early\0", 3 * MS))
    bench.clock.sleep_until_ns(5 * MS)
    file = io.BytesIO()
    talk = Conversation(bench, RecordingWriter(file, HEADER, 4 * MS))
    talk.advance(6 * MS)
    talk.finish()
    talk.writer.close()
    port = parse_recording(file.getvalue(), "x").ports[RX]
    assert (port.at_ns, port.data) == ([1 * MS], [b"early\0"])
