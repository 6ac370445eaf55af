"""The firmware library answers as the mock devices do: same commands, same replies, as many bad frames."""

from __future__ import annotations

import sys

import pytest
from firmware_host import HERE, Library, library, needs_gcc, plain_codec
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(HERE.parent / "mocks"))

from mock_talk import RX, TX, virtual

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import messages as m
from mocks.receiver import Receiver
from mocks.settings import MockSettings
from mocks.transmitter import Transmitter

pytestmark = needs_gcc
STEP_NS = 50 * MS
MOCKS = {TX: Transmitter, RX: Receiver}
FAST = 4_000_000
"""Bits a second: at 115 200 the reports of 500 packets a second fill the line, and answers are dropped."""
Answers = list[list[tuple[int, ...]]]
SETTINGS = {1: (1_000, 1_000_000), 4: (0, 15), 5: (0, 1_000_000)}
"""What the mock transmitter can be set to: setting, least, most."""

u8, u16, u32 = (st.integers(0, 2**bits - 1) for bits in (8, 16, 32))
spans = st.integers(0, 2**31 - 1)
HALF_US = STEP_NS // 2_000
whole_steps = st.integers(0, 40_000).map(lambda steps: steps * 2 * HALF_US)
"""A disturbance tells when it is over: in the middle of a step, so that both tell it in the same one."""
commands = st.one_of(
    st.builds(m.Identify, u8),
    st.builds(m.Ping, u32),
    st.just(m.KeepAlive()),
    st.just(m.Release()),
    st.builds(m.Setting, st.integers(0, 9), st.integers(-(2**31), 2**31 - 1) | st.integers(0, 2_000_000)),
    st.builds(m.Sticks, u16, st.lists(st.integers(500, 2_500), max_size=8).map(tuple)),
    st.builds(m.Burst, st.integers(0, 3), st.just(0)),
    st.builds(m.Silence, spans, spans),
    st.builds(m.MuteAcks, spans, spans),
    st.builds(m.Deafen, spans, spans),
    st.builds(m.Disturb, st.integers(0, 6), whole_steps, whole_steps.map(lambda us: us + HALF_US)),
    st.builds(
        m.Inject,
        st.lists(st.tuples(st.sampled_from([1, 8, 200]), st.integers(0, 32_767)), max_size=4).map(tuple),
    ),
)
unruly = st.tuples(st.integers(0, 0x3F), st.binary(min_size=2, max_size=60)).filter(
    lambda body: (
        body[0] not in (0x06, 0x07, 0x20)
        and (body[0] not in (0x11, 0x12, 0x13, 0x21, 0x22) or len(body[1]) not in (8, 10, 11))
    )
)
"""Bodies of any kind but restarts and Inject, and of spans but for their length: the library refuses half the
clock. What devices say is ignored, which other tests show."""


def head(command: m.Message, counter: int) -> bytes:
    return bytes((command.TYPE,)) + counter.to_bytes(2, "little")


def written(command: m.Message, counter: int) -> bytes:
    return plain_codec.raw_frame(head(command, counter) + command.pack())


def flipped(frame: bytes, at: int, bit: int) -> bytes:
    """A frame with one bit wrong; never a delimiter, nor a line end that a PC looks behind."""
    spoilt = bytearray(frame)
    place = at % (len(frame) - 1)
    spoilt[place] ^= 1 << bit
    return bytes(spoilt) if spoilt[place] not in (0, 0x0A) else frame


frames = st.one_of(
    st.builds(written, commands, u16),
    unruly.map(lambda body: plain_codec.raw_frame(bytes((body[0],)) + body[1])),
    st.builds(flipped, st.builds(written, commands, u16), u8, st.integers(0, 7)),
)


def told_by_mock(role: Role, told: list[bytes]) -> tuple[Answers, int | None]:
    """What the mock device says to each frame, and how many were bad."""
    talk, bench = virtual(None, MockSettings(baud=FAST))
    talk.run(STEP_NS)
    answers = []
    for frame in told:
        bench.send(role, frame)
        heard = [one.message for one in talk.run(STEP_NS) if one.role is role]
        answers.append([key for message in heard if (key := key_of(message.TYPE, message.pack()))])
    talk.run(2 * S)
    bad = talk.last(m.Counters).bad_frames if role is RX else None
    return answers, bad


def told_by_library(device: Library, role: Role, told: list[bytes]) -> tuple[Answers, int]:
    """The same of the library, with hooks that do as the mock does."""
    device.begin(role=2 if role is RX else 1, channels=6, abilities=int(MOCKS[role].ABILITIES))
    answers = []
    for place, frame in enumerate(told):
        device.at((place + 1) * STEP_NS // 1_000)
        events = device.do("loop")
        device.do("accept", int(in_range(frame)))
        events += device.receive(frame)
        device.at((place + 2) * STEP_NS // 1_000 - 1)
        events += device.do("loop")  # what ended meanwhile is told in this step, as the mock does
        while device.do("burst") == ["due"]:
            pass
        sent = [bytes.fromhex(event.split()[1]) for event in events if event.startswith("frame")]
        inside = [plain_codec.cobs_decode(one[:-1]) or b"" for one in sent]
        answers.append([key for body in inside if (key := key_of(body[0], body[3:-2]))])
    return answers, device.state().bad_frames


def key_of(kind: int, payload: bytes) -> tuple[int, ...] | None:
    """An answer without its times and texts; None for what is no answer."""
    if kind == m.Reply.TYPE:
        return (kind, *payload[:4])
    if kind == m.Pong.TYPE:
        return (kind, *payload[:4])
    if kind == m.Disturbed.TYPE:
        return (kind, payload[0])
    return (kind, payload[0], payload[1], payload[2]) if kind == m.Identity.TYPE else None


def in_range(frame: bytes) -> bool:
    body = plain_codec.cobs_decode(frame[:-1]) or b""
    if len(body) != 10 or body[0] != m.Setting.TYPE:
        return True
    least, most = SETTINGS.get(body[3], (0, -1))
    return least <= int.from_bytes(body[4:8], "little", signed=True) <= most


@pytest.mark.parametrize("role", MOCKS, ids=str)
@given(told=st.lists(frames, max_size=12))
def test_library_and_mock_device_give_the_same_answers(role: Role, told: list[bytes]) -> None:
    of_mock, bad_of_mock = told_by_mock(role, told)
    of_library, bad_of_library = told_by_library(library(), role, told)
    assert of_library == of_mock
    if bad_of_mock is not None:
        assert bad_of_library == bad_of_mock
