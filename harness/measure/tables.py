"""What did each port say? One direction of one port as tables, one per message type.

The frames of a port are decoded in one go; frames that carry many packets' worth of data (`COLUMNS`) become
structured arrays, the few others stay messages. The sender's message counter tells how many messages the
serial line lost, and where: that is bench trouble and never radio loss.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import compress
from typing import Final, NamedTuple

import numpy as np

from harness.clock import S
from harness.codec import messages as wire
from harness.codec.frames import MAX_FRAME, Frame, checked_bodies, decode_piece
from harness.measure.arrays import Flags, Ints, Rows, ints
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
MAX_TEXT: Final = 400
"""Console text kept of each port, in bytes: enough for a boot banner, bounded against a chatty device."""
MANY: Final = 1 << 40
"""Stands for an unknown number of missing messages."""
BUFFERED: Final = 4
"""Messages that a small device may still have to send when it restarts (common practice, no source)."""
OBEYS_NS: Final = 2 * S
"""A device replies to a restart command and is gone within this time."""
NOT_A_FRAME: Final = b"\xff"
CRC_BYTES: Final = 2


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
    before is missing, and its counter cannot tell.
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
        return self.tables.get(kind) or _table(kind, [], ints([]), ints([]))[0]

    def lost_between(self, first: Ints, last: Ints) -> Ints:
        """Return how many messages are missing between the frames `first` and `last`, arrays of places."""
        lost: Ints = self.lost[last] - self.lost[first]
        return lost


def read_stream(packets: PortPackets | None, direction: Direction) -> Stream:
    """Decode one direction of a port. No input raises; what cannot be read is counted."""
    if packets is None:
        return _stream([], ints([]), [], 0)
    wanted = np.asarray(packets.direction, dtype=np.int64) == int(direction)
    data = list(compress(packets.data, wanted.tolist()))
    at_ns = ints(packets.at_ns)[wanted]
    bodies = checked_bodies([piece[:-1] if piece.endswith(b"\0") else NOT_A_FRAME for piece in data])
    texts, bad = _second_look(data, bodies)
    good = np.fromiter(map(bool, bodies), dtype=np.bool_, count=len(bodies))
    kept = [body for body in bodies if body]
    return _stream(kept, at_ns[good], texts, bad, sum(map(len, data)))


def with_commands(heard: Stream, told: Stream) -> Stream:
    """Return what a device said, its restarts marked where the harness commanded them.

    A restart on command excuses the packets around it, so any number of messages may be missing there.
    """
    commands = ints([note.at_ns for note in told.others if isinstance(note.message, wire.Restart)])
    first = np.searchsorted(commands, heard.restarts[:, 0] - OBEYS_NS)
    after = np.searchsorted(commands, heard.restarts[:, 1])
    restarts = heard.restarts.copy()
    restarts[after > first, 2] = MANY
    return replace(heard, restarts=restarts)


def _second_look(data: Sequence[bytes], bodies: list[bytes | None]) -> tuple[list[bytes], int]:
    """Find frames behind console text among the bad pieces; return the text and how many stay bad.

    `bodies` is mended in place. A piece that does not end at a delimiter was cut by length, so it is looked
    at together with the next one.
    """
    texts: list[bytes] = []
    bad, rest = 0, b""
    for place, body in enumerate(bodies):
        if body is not None:
            rest = b""
            continue
        piece = data[place]
        if not piece.endswith(b"\0"):
            rest = (rest + piece)[-2 * MAX_FRAME :]
            texts.append(piece)
            continue
        found = decode_piece((rest + piece[:-1])[-2 * MAX_FRAME :])
        rest = b""
        texts.append(found.text if isinstance(found, Frame) else piece[:-1])
        if isinstance(found, Frame):
            head = bytes((found.type, found.counter & 0xFF, found.counter >> 8))
            bodies[place] = head + found.payload + bytes(CRC_BYTES)
        else:
            bad += not _is_text(piece[:-1])
    return [text for text in texts if _is_text(text)], bad


def _is_text(data: bytes) -> bool:
    """Return whether bytes look printed rather than broken: nine in ten are ASCII text."""
    printed = sum(32 <= byte < 127 or byte in b"\t\r\n\x1b" for byte in data)
    return 10 * printed >= 9 * len(data) and bool(data)


def _stream(bodies: list[bytes], at_ns: Ints, texts: Sequence[bytes], bad: int, size: int = 0) -> Stream:
    heads = np.frombuffer(b"".join([body[:3] for body in bodies]), dtype=np.dtype(list(HEAD)))
    kind, counter = heads["type"].astype(np.int64), heads["counter"].astype(np.int64)
    started = kind == wire.Started.TYPE
    lost, segment, back = _count(counter, started)
    tables, unreadable = _tables(bodies, kind, at_ns)
    others, more = _others(bodies, kind, at_ns, counter)
    text = b"".join(texts[:MAX_TEXT])
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
        size=size,
        text=text[:MAX_TEXT],
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


def _unknown(kind: Ints) -> dict[int, int]:
    counts = Counter(kind.tolist())
    return {number: count for number, count in sorted(counts.items()) if number not in wire.BY_TYPE}


def _tables(bodies: list[bytes], kind: Ints, at_ns: Ints) -> tuple[dict[int, Table], int]:
    tables: dict[int, Table] = {}
    unreadable = 0
    for number in COLUMNS:
        chosen = kind == number
        frames = np.flatnonzero(chosen)
        if len(frames):
            picked = list(compress(bodies, chosen.tolist()))
            tables[number], bad = _table(number, picked, frames, at_ns[frames])
            unreadable += bad
    return tables, unreadable


def _table(kind: int, bodies: list[bytes], frames: Ints, at_ns: Ints) -> tuple[Table, int]:
    """Return the rows of one type and how many bodies do not fit it.

    Bodies of one length have one layout, so each length is read in one go.
    """
    head = np.dtype([*HEAD, *COLUMNS[kind]])
    lengths = np.fromiter(map(len, bodies), dtype=np.int64, count=len(bodies))
    kind_of = TAILS.get(kind, NO_TAIL)
    fits = {int(size) for size in np.unique(lengths) if _fits(kind_of, int(size) - head.itemsize - CRC_BYTES)}
    width = max(((size - head.itemsize - CRC_BYTES) // kind_of.width for size in fits), default=0)
    rows = np.zeros(len(bodies), dtype=head)
    tail = np.zeros((len(bodies), width), dtype=np.int64)
    count = np.zeros(len(bodies), dtype=np.int64)
    good = np.zeros(len(bodies), dtype=np.bool_)
    for size in sorted(fits):
        chosen = lengths == size
        many = (size - head.itemsize - CRC_BYTES) // kind_of.width
        layout = np.dtype([("head", head), ("tail", f"<u{kind_of.width}", (many,)), ("crc", ">u2")])
        part = np.frombuffer(b"".join(compress(bodies, chosen.tolist())), dtype=layout)
        rows[chosen], count[chosen], good[chosen] = part["head"], many // kind_of.numbers, True
        tail[chosen, :many] = part["tail"]
    if kind in TAILS:
        good &= rows["count"] == count
    return Table(frames[good], at_ns[good], rows[good], tail[good], count[good]), int((~good).sum())


def _fits(tail: Tail, spare: int) -> bool:
    """Return whether `spare` bytes behind the fixed fields can be such a tail."""
    each = tail.numbers * tail.width
    return 0 <= spare <= each * tail.most and spare % each == 0


def _others(bodies: list[bytes], kind: Ints, at_ns: Ints, counter: Ints) -> tuple[tuple[Heard, ...], int]:
    heard: list[Heard] = []
    bad = 0
    wanted = [number for number in wire.BY_TYPE if number not in COLUMNS and number not in SKIPPED]
    for place in np.flatnonzero(np.isin(kind, wanted)).tolist():
        body = bodies[place]
        message = wire.parse(Frame(body[0], int(counter[place]), body[3:-CRC_BYTES]))
        if message is None:
            bad += 1
        else:
            heard.append(Heard(place, int(at_ns[place]), int(counter[place]), message))
    return tuple(heard), bad
