"""What ties a device's stamps to host time? Answered pings, and when stamped messages came."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, TypeVar, cast

import numpy as np

from harness.clock import S
from harness.codec import messages as wire
from harness.codec.frames import MIN_BODY
from harness.measure.arrays import Floats, Ints, ints
from harness.measure.tables import NO_TAIL, TAILS, Stream

WRAP_US: Final = 1 << 32
BITS_A_BYTE: Final = 10
BYTE_TIME_SHARE: Final = 0.97
"""Baud rates are up to 3 % off; less than the nominal byte time is taken to be certain."""
FRAME_OVERHEAD: Final = MIN_BODY + 2
PING_BYTES: Final = FRAME_OVERHEAD + wire.Ping.LAYOUT.size
PONG_BYTES: Final = FRAME_OVERHEAD + wire.Pong.LAYOUT.size
TOOK_MOST_US: Final = 65535
Quantity = TypeVar("Quantity", float, Floats)


@dataclass(frozen=True, slots=True)
class Stamps:
    """Every message with a device time, in order: stamp, when it was heard, least byte time, segment.

    `stamp_us` is as sent, modulo 2**32; `line_ns` is 0 on a line that takes no byte times.
    """

    stamp_us: Ints
    heard_ns: Ints
    line_ns: Ints
    segment: Ints

    def slice(self, number: int) -> slice:
        """Return where a segment's stamps stand."""
        return slice_of(self.segment, number)


@dataclass(frozen=True, slots=True)
class Exchanges:
    """Answered pings in order: the stamp as sent, when it was heard, the host times it lies between.

    `trip_ns` is the round trip as the host saw it, the bytes of ping and pong included. `baud` is 0 if the
    line takes no byte times.
    """

    stamp_us: Ints
    heard_ns: Ints
    earliest_ns: Ints
    latest_ns: Ints
    trip_ns: Ints
    segment: Ints
    baud: int

    def slice(self, number: int) -> slice:
        """Return where a segment's exchanges stand."""
        return slice_of(self.segment, number)


def slice_of(segments: Ints, number: int) -> slice:
    """Return where one segment stands in an ascending array of segment numbers."""
    first, last = np.searchsorted(segments, (number, number + 1)).tolist()
    return slice(first, last)


def offset_and_delay(
    t1: Quantity, t2: Quantity, t3: Quantity, t4: Quantity, precision: float = 0.0
) -> tuple[Quantity, Quantity]:
    """Return clock offset ((t2-t1) + (t3-t4)) / 2 and round-trip delay (t4-t1) - (t3-t2).

    `t1` and `t4` are the asking side's times, `t2` and `t3` the answering side's, all in one unit, numbers or
    arrays. The offset, answering side less asking side, is wrong by at most half the delay, however unlike
    the two ways are. A delay of less than `precision` is taken as that. Source: RFC 5905 section 8.
    """
    offset, delay = ((t2 - t1) + (t3 - t4)) / 2, (t4 - t1) - (t3 - t2)
    return offset, cast("Quantity", np.maximum(delay, precision))


def frequency_error(difference: float, elapsed: float) -> float:
    """Return what a frequency difference adds to a time measured over `elapsed`: -difference * elapsed.

    `difference` is a share (1e-6 is 1 ppm); the answer has the unit of `elapsed`. Source: RFC 5905 section 8
    (100 ppm over 64 s look like a delay of -6.4 ms); RFC 3393 section 2.7.1 has it as skew times interval.
    """
    return -difference * elapsed


def byte_time_ns(count: int, baud: int) -> int:
    """Return the least time that `count` bytes take on the line (8N1: ten bits a byte); 0 without a baud."""
    return int(count * BITS_A_BYTE * S * BYTE_TIME_SHARE) // baud if baud > 0 else 0


def byte_doubt_ns(baud: int) -> int:
    """Return by how much the byte times of one ping and its pong may be longer than what is certain."""
    return int((PING_BYTES + PONG_BYTES) * BITS_A_BYTE * S * (1 - BYTE_TIME_SHARE)) // baud if baud > 0 else 0


def read_exchanges(heard: Stream, told: Stream, baud: int) -> Exchanges:
    """Match pongs to pings by nonce: the latest ping with that nonce sent before the pong came.

    The device took its stamp between the ping's last byte reaching it and the pong's first byte leaving. A
    round trip shorter than the byte times shows that this line takes none (a pseudo-terminal, a USB device).
    """
    pings, pongs = told.table(wire.Ping.TYPE), heard.table(wire.Pong.TYPE)
    picked = ints(_pairs(pings.at_ns, pings.rows["nonce"], pongs.at_ns, pongs.rows["nonce"])).reshape(-1, 2)
    row, sent = picked[:, 0], picked[:, 1]
    came = pongs.at_ns[row]
    there, back = byte_time_ns(PING_BYTES, baud), byte_time_ns(PONG_BYTES, baud)
    real_line = not len(row) or int((came - sent).min()) >= there + back
    if not real_line:
        there = back = 0
    stamp = pongs.rows["at_us"].astype(np.int64)[row]
    segment = heard.segment[pongs.frame[row]]
    baud = baud if real_line else 0
    return Exchanges(stamp, came, sent + there, came - back, came - sent, segment, baud)


def _pairs(ping_at: Ints, asked: Ints, pong_at: Ints, answered: Ints) -> list[tuple[int, int]]:
    """Return (row of the pong, time of its ping) for each pong that answers a ping."""
    waiting: dict[int, int] = {}
    found: list[tuple[int, int]] = []
    pings = list(zip(ping_at.tolist(), asked.tolist(), strict=True))
    turn = 0
    for row, (at_ns, nonce) in enumerate(zip(pong_at.tolist(), answered.tolist(), strict=True)):
        while turn < len(pings) and pings[turn][0] <= at_ns:
            waiting[pings[turn][1]] = pings[turn][0]
            turn += 1
        sent_ns = waiting.pop(nonce, None)
        if sent_ns is not None:
            found.append((row, sent_ns))
    return found


def read_stamps(heard: Stream, baud: int) -> Stamps:
    """Return every stamp of a past event that a device sent, with the time at which the message had arrived.

    Replies are left out: a command may take effect after its reply.
    """
    columns = [_table_stamps(heard, kind) for kind in _STAMPED]
    for note in heard.others:
        if isinstance(note.message, wire.Started):
            line = FRAME_OVERHEAD + note.message.LAYOUT.size
            columns.append((ints([note.frame]), ints([note.message.at_us]), ints([note.at_ns]), ints([line])))
    frame, stamp, at_ns, size = (np.concatenate(column) for column in zip(*columns, strict=True))
    order = np.argsort(frame, kind="stable")
    line_ns = size[order] * byte_time_ns(1, baud)
    return Stamps(stamp[order], at_ns[order], line_ns, heard.segment[frame[order]])


_STAMPED: Final = (
    wire.Pong.TYPE, wire.Sent.TYPE, wire.Telemetry.TYPE, wire.Applied.TYPE, wire.OutputChange.TYPE,
    wire.Pulses.TYPE,
)  # fmt: skip


def _table_stamps(heard: Stream, kind: int) -> tuple[Ints, Ints, Ints, Ints]:
    """Return frame, stamp, arrival and size on the line of one table's messages.

    A packet is reported when it is done with, so its stamp here is sampling time plus time taken.
    """
    table = heard.table(kind)
    stamp = table.rows["at_us"].astype(np.int64)
    if kind == wire.Sent.TYPE:
        took = table.rows["took_us"].astype(np.int64)
        stamp = (stamp + np.where(took < TOOK_MOST_US, took, 0)) % WRAP_US
    tail = TAILS.get(kind, NO_TAIL)
    size = table.rows.dtype.itemsize + 4 + tail.numbers * tail.width * table.tail_count
    return table.frame, stamp, table.at_ns, size
