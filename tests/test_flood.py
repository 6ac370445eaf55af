"""The harness bounds what a device that sends without end can fill, and says that it did."""

import pytest
from test_replug import failed, short
from unplugging import Played

from harness.bench.protocol import DEVICES, Chunk, Role
from harness.chance import stream
from harness.clock import MS, S
from harness.codec import encode
from harness.codec import messages as m
from harness.flood import BURST_BYTES, BYTES_PER_S, PIECE_BYTES, Room
from harness.verdict import Verdict

T, R = Role.TRANSMITTER, Role.RECEIVER
JUNK = stream(7, "flood").randbytes(1 << 20)
FRAMES = b"".join(encode(m.Telemetry(n, 0, b""), n) for n in range(2_000))
FLOODS = {
    "noise": JUNK,
    "zeros": bytes(1 << 20),
    "text": b"printing, printing\r\n" * 50_000,
    "frames": FRAMES,
}


class Flooding:
    """A bench on one port of which a device sends `what` at `rate` bytes a second, beside its reports."""

    def __init__(self, inner, role, what, rate, from_ns=S, for_ns=60 * S):
        self.inner, self.role, self.what, self.rate = inner, role, what, rate
        self.from_ns, self.to_ns, self.sent = from_ns, from_ns + for_ns, 0

    def __getattr__(self, name):
        return getattr(self.inner, name)

    def advance(self, until_ns):
        chunks = list(self.inner.advance(until_ns))
        now = min(self.inner.now_ns(), self.to_ns)
        due = max(0, now - self.from_ns) * self.rate // S
        while self.sent < due:
            at = self.sent % len(self.what)
            data = self.what[at : at + min(4096, due - self.sent)]
            self.sent += len(data)
            chunks.append(Chunk(self.role, data, self.inner.now_ns()))
        return chunks


def flooded(role, kind, *, rate, for_s=3):
    around = lambda bench: Flooding(bench, role, FLOODS[kind], rate, for_ns=for_s * S)  # noqa: E731
    return Played(short(f"  - wander: {{for: {for_s} s}}\n", within=""), around=around)


@pytest.mark.parametrize("kind", FLOODS)
@pytest.mark.parametrize("role", DEVICES)
def test_a_flood_at_line_rate_is_bench_trouble_and_no_fault_of_the_link(role, kind):
    run = flooded(role, kind, rate=11_520)
    assert run.end.why in ("complete", "wait missed")
    assert not failed(run)
    if kind != "zeros":  # an idle delimiter is no byte of junk, and no report was lost
        assert run.judgement.verdict is not Verdict.PASS


@pytest.mark.parametrize("kind", ["noise", "zeros", "frames"])
def test_a_fast_flood_fills_no_disk_and_the_verdict_says_what_was_thrown_away(kind):
    run = flooded(R, kind, rate=1_200_000, for_s=8)
    (start, *_), ends = run.marks("flooded"), run.marks("flood over")
    assert start.fields["role"] == "receiver"
    assert ends
    assert sum(mark.fields["dropped"] for mark in ends) > 100_000
    assert not failed(run)
    verdict, reason = run.results()["bench"]
    assert verdict == "error"
    assert "the receiver's port was flooded from" in reason
    assert "bytes were counted and not recorded" in reason


@pytest.mark.slow
@pytest.mark.parametrize("kind", FLOODS)
def test_a_minute_of_flood_at_twelve_megabaud_stays_bounded(kind):
    run = flooded(T, kind, rate=1_200_000, for_s=60)
    port = run.recording.ports[T]
    size = sum(map(len, port.data)) + 64 * len(port.data)
    lasts = run.recording.marks[-1].at_ns
    assert size < BURST_BYTES + BYTES_PER_S * lasts // S + BURST_BYTES // 2
    assert lasts > 60 * S
    assert not failed(run)


def test_room_comes_back_with_time():
    marks = []
    writer = type("Writer", (), {"mark": lambda _, at, kind, **fields: marks.append((at, kind, fields))})()
    room = Room(0)
    room.left = -1
    assert room.lacks(R, 100, 0, writer)
    assert room.lacks(R, 50, MS, writer)
    assert not room.lacks(R, 50, 10 * S, writer)
    assert marks == [(0, "flooded", {"role": R}), (10 * S, "flood over", {"role": R, "dropped": 150})]
    assert room.left == BURST_BYTES


def test_no_link_that_a_plan_can_declare_comes_near_a_flood():
    """1000 packets a second, each with its three longest reports on one port: less than may go on and on."""
    applied = encode(m.Applied(1, 0, 0, (1500,) * 16), 1)
    telemetry = encode(m.Telemetry(1, 0, bytes(range(32))), 1)
    assert 1000 * (2 * len(applied) + len(telemetry) + 3 * PIECE_BYTES) < BYTES_PER_S
