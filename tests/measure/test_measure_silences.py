"""The harness knows when the PC left a device alone for so long that it let go."""

import pytest

from harness.clock import MS, S
from harness.codec import encode
from harness.codec import messages as m
from harness.measure.silences import read_silences
from harness.recording import Direction, PortPackets


def port(*times_ns, message=None):
    message = message or m.KeepAlive()
    data = [encode(message, n) for n in range(len(times_ns))]
    return PortPackets(list(times_ns), [Direction.TO_DEVICE] * len(data), data)


@pytest.mark.parametrize(("gap_ms", "count"), [(150, 0), (450, 0), (451, 1), (900, 1)])
def test_a_silence_is_a_gap_near_the_dead_man_time_or_longer(gap_ms, count):
    silences = read_silences(port(S, S + gap_ms * MS, S + gap_ms * MS + 150 * MS))
    assert [(one.start_ns, one.end_ns) for one in silences] == [(S, S + gap_ms * MS)] * count


def test_only_keep_alives_count():
    assert read_silences(port(S, 9 * S, message=m.Release())) == ()
    assert read_silences(port(S, 9 * S, message=m.Ping(1))) == ()


def test_a_port_without_keep_alives_has_no_silences():
    assert read_silences(port()) == ()
    assert read_silences(None) == ()


def test_a_damaged_keep_alive_does_not_count():
    whole = port(S, S + 400 * MS, S + 800 * MS)
    assert read_silences(whole) == ()
    first, second, third = whole.data
    for middle in (bytes([second[0], second[1] ^ 4]) + second[2:], second[:2] + b"\0" + second[3:]):
        silences = read_silences(PortPackets(whole.at_ns, whole.direction, [first, middle, third]))
        assert [(one.start_ns, one.end_ns) for one in silences] == [(S, S + 800 * MS)]
