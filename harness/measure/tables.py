"""What did each port say? One direction of one port as tables, one per message type.

The frames of a port are decoded in one go; frames that carry many packets' worth of data (`COLUMNS`) become
structured arrays, the few others stay messages. The sender's message counter tells how many messages the
serial line lost, and where: that is bench trouble and never radio loss.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import compress
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.clock import S
from harness.codec import messages as wire
from harness.codec.frames import Frame
from harness.measure.arrays import Flags, Ints, Rows, ints
from harness.measure.bodies import CRC_BYTES, Bodies, decode
from harness.recording.model import Direction, PortPackets

HEAD: Final = (("type", "u1"), ("counter", "<u2"))
COLUMNS: Final[Mapping[int, tuple[tuple[str, str], ...]]] = {
    wire.Ping.TYPE: (("nonce", "<u4"),),
    wire.Pong.TYPE: (("nonce", "<u4"), ("at_us", "<u4")),
    wire.Sent.TYPE: (
        ("packet", "<u2"), ("set_number", "<u2"), ("at_us", "<u4"), ("took_us", "<u2"), ("attempts", "u1"),
        ("flags", "u1"),
    ),
    wire.Telemetry.TYPE: (("packet", "<u2"), ("at_us", "<u4"), ("count", "u1")),
    wire.Applied.TYPE: (("packet", "<u2"), ("at_us", "<u4"), ("signal_dbm", "i1"), ("count", "u1")),
    wire.OutputChange.TYPE: (("at_us", "<u4"), ("reason", "u1"), ("count", "u1")),
    wire.Sticks.TYPE: (("set_number", "<u2"), ("count", "u1")),
    wire.Pulses.TYPE: (("at_us", "<u4"), ("count", "u1")),
}  # fmt: skip
"""The fixed fields of each message kept as a table, as `harness.codec.messages` packs them."""


class Tail(NamedTuple):
    """What stands `count` times, at most `most`, behind the fixed fields: `numbers` of `width` bytes each."""

    numbers: int
    width: int
    most: int


TAILS: Final[Mapping[int, Tail]] = {
    wire.Applied.TYPE: Tail(1, 2, wire.MAX_CHANNELS),
    wire.OutputChange.TYPE: Tail(1, 2, wire.MAX_CHANNELS),
    wire.Sticks.TYPE: Tail(1, 2, wire.MAX_CHANNELS),
    wire.Pulses.TYPE: Tail(2, 2, wire.MAX_CHANNELS),
    wire.Telemetry.TYPE: Tail(1, 1, wire.MAX_TELEMETRY),
}
NO_TAIL: Final = Tail(1, 1, 0)
SKIPPED: Final = frozenset((wire.KeepAlive.TYPE,))
"""Known, counted, and of no interest here."""
HALF: Final = 1 << 15
NO_BODIES: Final = Bodies(np.zeros(0, dtype=np.uint8), ints([]), ints([]))
MAX_TEXT: Final = 400
"""Console text kept of each port, in bytes: enough for a boot banner, bounded against a chatty device."""
MANY: Final = 1 << 40
"""Stands for an unknown number of missing messages."""
BUFFERED: Final = 4
"""Messages that a small device may still have to send when it restarts (common practice, no source)."""
OBEYS_NS: Final = 2 * S
"""A device replies to a restart command and is gone within this time."""


Kinds = NDArray[np.uint8]
"""The message type of each frame."""


class Heard(NamedTuple):
    """A message that is not kept as a table row. `frame` is its place among the stream's good frames."""

    frame: int
    at_ns: int
    counter: int
    message: wire.AnyMessage


@dataclass(frozen=True, slots=True)
class Table:
    """All messages of one type in time order.

    `frame` is each row's place among the stream's good frames, `at_ns` its arrival (or sending) time, `rows`
    its fields, `tail` what follows them: an (n, width) array of pulses or payload bytes, 0 where a row has
    fewer, with `tail_count` saying how many a row has. A witness's pulse takes two columns.
    """

    frame: Ints
    at_ns: Ints
    rows: Rows
    tail: Ints
    tail_count: Ints

    def __len__(self) -> int:
        return len(self.frame)


@dataclass(frozen=True, slots=True)
class Stream:
    """One direction of one port.

    `at_ns` and `counter` have one entry per good frame; `lost` counts, up to and including each frame, the
    messages that the counter shows to be missing before it; `segment` grows by one with each start of the
    device. `gaps` is an (n, 3) array: time of the frame before, of the frame after, and messages missing
    (`MANY` if nobody knows). `restarts` has the same for each start of the device: what it still had to send
    before is missing, and its counter cannot tell. `piece_ns` and `piece_size` tell of every piece on the
    line, good or bad: when, and how many bytes.
    """

    at_ns: Ints
    counter: Ints
    lost: Ints
    segment: Ints
    gaps: Ints
    restarts: Ints
    tables: Mapping[int, Table]
    others: tuple[Heard, ...]
    bad_frames: int
    unknown: Mapping[int, int]
    unreadable: int
    size: int
    text: bytes
    text_size: int
    piece_ns: Ints = field(default_factory=lambda: ints([]))
    piece_size: Ints = field(default_factory=lambda: ints([]))

    @property
    def messages(self) -> int:
        """Good frames of any type."""
        return len(self.at_ns)

    @property
    def messages_lost(self) -> int:
        """Messages missing in the counter, in all."""
        return int(self.lost[-1]) if len(self.lost) else 0

    def table(self, kind: int) -> Table:
        """Return the table of a message type, empty if none came."""
        return self.tables.get(kind) or _table(kind, NO_BODIES, ints([]), ints([]))[0]

    def lost_between(self, first: Ints, last: Ints) -> Ints:
        """Return how many messages are missing between the frames `first` and `last`, arrays of places."""
        lost: Ints = self.lost[last] - self.lost[first]
        return lost


def read_stream(packets: PortPackets | None, direction: Direction) -> Stream:
    """Decode one direction of a port. No input raises; what cannot be read is counted."""
    packets = packets or PortPackets([], [], [])
    wanted = (np.frombuffer(bytes(packets.direction), dtype=np.uint8) == int(direction)).tolist()
    data = list(compress(packets.data, wanted))
    at_ns = np.fromiter(compress(packets.at_ns, wanted), dtype=np.int64, count=len(data))
    sizes = np.fromiter(map(len, data), dtype=np.int64, count=len(data))
    decoded = decode(data, sizes)
    stream = _stream(decoded.bodies, at_ns[decoded.good], decoded.texts, decoded.bad)
    return replace(stream, size=int(sizes.sum()), piece_ns=at_ns, piece_size=sizes)


def with_commands(heard: Stream, told: Stream, power_ns: Ints | None = None) -> Stream:
    """Return what a device said, its restarts marked where the harness made them.

    A restart on command excuses the packets around it, so any number of messages may be missing there; so
    does power taken away at `power_ns`.
    """
    restarts = (wire.Restart, wire.RestartAt)
    commands = ints([note.at_ns for note in told.others if isinstance(note.message, restarts)])
    if power_ns is not None and len(power_ns):
        heard = _without_power(heard, np.sort(power_ns))
        commands = np.sort(np.concatenate((commands, power_ns)))
    first = np.searchsorted(commands, heard.restarts[:, 0] - OBEYS_NS)
    after = np.searchsorted(commands, heard.restarts[:, 1])
    marked = heard.restarts.copy()
    marked[after > first, 2] = MANY
    return replace(heard, restarts=marked)


def _without_power(heard: Stream, power_ns: Ints) -> Stream:
    """Return the stream without the losses at starts after an outage: those are no fault of the line.

    A device without power stops in mid-message, and a pin that gets power may look like a byte.
    """
    first = np.searchsorted(power_ns, heard.restarts[:, 0] - OBEYS_NS)
    fed = np.searchsorted(power_ns, heard.restarts[:, 1]) > first
    frames = np.flatnonzero(np.diff(heard.segment) > 0)[fed] + 1
    missing = np.zeros(len(heard.lost), dtype=np.int64)
    missing[frames] = heard.lost[frames] - heard.lost[frames - 1]
    at_start = (heard.gaps[:, None, :2] == heard.restarts[None, fed, :2]).all(axis=2).any(axis=1)
    return replace(heard, lost=heard.lost - np.cumsum(missing), gaps=heard.gaps[~at_start])


def _stream(bodies: Bodies, at_ns: Ints, texts: Sequence[bytes], bad: int) -> Stream:
    heads = bodies.rows(np.arange(len(bodies)), np.dtype(list(HEAD)))
    kind, counter = heads["type"].copy(), heads["counter"].astype(np.int64)
    lost, segment, back = _count(counter, kind == wire.Started.TYPE)
    tables, unreadable = _tables(bodies, kind, at_ns)
    others, more = _others(bodies, kind, at_ns, counter)
    return Stream(
        at_ns=at_ns,
        counter=counter,
        lost=lost,
        segment=segment,
        gaps=_gaps(at_ns, lost, back),
        restarts=_restarts(at_ns, lost, segment),
        tables=tables,
        others=others,
        bad_frames=bad,
        unknown=_unknown(kind),
        unreadable=unreadable + more,
        size=0,
        text=b"".join(texts[:MAX_TEXT])[:MAX_TEXT],
        text_size=sum(map(len, texts)),
    )


def _count(counter: Ints, started: Flags) -> tuple[Ints, Ints, Flags]:
    """Return cumulative lost messages and the segment of each frame.

    The counter goes up by one, modulo 65 536 (serial-number arithmetic, RFC 1982 section 3.2). A `Started`
    begins again: what it counts from 0 is missing. A counter that goes back without one means that the
    `Started` itself is missing: one message at least, and nobody knows how many. The third array marks these.
    """
    if not len(counter):
        return ints([]), ints([]), np.zeros(0, dtype=np.bool_)
    step = np.diff(counter) % (2 * HALF)
    back = (step == 0) | (step >= HALF)
    missing = np.where(back, 1, step - 1)
    fresh = started[1:]
    missing = np.where(fresh, counter[1:], missing)
    lost = np.concatenate(([counter[0] if started[0] else 0], missing))
    segment = np.concatenate(([0], (fresh | back).astype(np.int64)))
    return np.cumsum(lost), np.cumsum(segment), np.concatenate(([False], back & ~fresh))


def _gaps(at_ns: Ints, lost: Ints, back: Flags) -> Ints:
    each = np.where(back[1:], MANY, np.diff(lost))
    where = np.flatnonzero(each > 0)
    return np.stack((at_ns[where], at_ns[where + 1], each[where]), axis=1).reshape(-1, 3)


def _restarts(at_ns: Ints, lost: Ints, segment: Ints) -> Ints:
    where = np.flatnonzero(np.diff(segment) > 0)
    count = MANY if len(lost) and lost[-1] else BUFFERED
    return np.stack((at_ns[where], at_ns[where + 1], np.full(len(where), count)), axis=1).reshape(-1, 3)


def _unknown(kind: Kinds) -> dict[int, int]:
    counts = enumerate(np.bincount(kind).tolist())
    return {number: count for number, count in counts if count and number not in wire.BY_TYPE}


def _tables(bodies: Bodies, kind: Kinds, at_ns: Ints) -> tuple[dict[int, Table], int]:
    tables: dict[int, Table] = {}
    unreadable = 0
    for number in COLUMNS:
        frames = np.flatnonzero(kind == number)
        if len(frames):
            tables[number], bad = _table(number, bodies, frames, at_ns[frames])
            unreadable += bad
    return tables, unreadable


def _table(kind: int, bodies: Bodies, frames: Ints, at_ns: Ints) -> tuple[Table, int]:
    """Return the rows of one type, which are at `frames`, and how many bodies do not fit it.

    Bodies of one size have one layout, so each size is read in one go.
    """
    head = np.dtype([*HEAD, *COLUMNS[kind]])
    sizes = bodies.size[frames]
    kind_of = TAILS.get(kind, NO_TAIL)
    seen = np.flatnonzero(np.bincount(sizes)).tolist()
    fits = [size for size in seen if _fits(kind_of, size - head.itemsize - CRC_BYTES)]
    width = max(((size - head.itemsize - CRC_BYTES) // kind_of.width for size in fits), default=0)
    rows = np.zeros(len(frames), dtype=head)
    tail = np.zeros((len(frames), width), dtype=np.int64)
    count = np.zeros(len(frames), dtype=np.int64)
    good = np.zeros(len(frames), dtype=np.bool_)
    for size in fits:
        chosen = slice(None) if len(seen) == 1 else np.flatnonzero(sizes == size)
        many = (size - head.itemsize - CRC_BYTES) // kind_of.width
        layout = np.dtype([("head", head), ("tail", f"<u{kind_of.width}", (many,)), ("crc", ">u2")])
        part = bodies.rows(frames[chosen], layout)
        rows[chosen], count[chosen], good[chosen] = part["head"], many // kind_of.numbers, True
        tail[chosen, :many] = part["tail"]
    if kind in TAILS:
        good &= rows["count"] == count
    if good.all():
        return Table(frames, at_ns, rows, tail, count), 0
    return Table(frames[good], at_ns[good], rows[good], tail[good], count[good]), int((~good).sum())


def _fits(tail: Tail, spare: int) -> bool:
    """Return whether `spare` bytes behind the fixed fields can be such a tail."""
    each = tail.numbers * tail.width
    return 0 <= spare <= each * tail.most and spare % each == 0


def _others(bodies: Bodies, kind: Kinds, at_ns: Ints, counter: Ints) -> tuple[tuple[Heard, ...], int]:
    heard: list[Heard] = []
    bad = 0
    wanted = np.zeros(256, dtype=np.bool_)
    wanted[[number for number in wire.BY_TYPE if number not in COLUMNS and number not in SKIPPED]] = True
    for place in np.flatnonzero(wanted[kind]).tolist():
        body = bodies.body(place)
        message = wire.parse(Frame(body[0], int(counter[place]), body[3:-CRC_BYTES]))
        if message is None:
            bad += 1
        else:
            heard.append(Heard(place, int(at_ns[place]), int(counter[place]), message))
    return tuple(heard), bad
