"""A simulated device on a simulated line whose true times are all known, for clock_trials.py."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.clock import MS, US, S
from harness.codec import messages as wire
from harness.load import PING_NS
from harness.measure.arrays import Ints, Rows, ints
from harness.measure.exchanges import FRAME_OVERHEAD, PING_BYTES, PONG_BYTES, WRAP_US
from harness.measure.tables import COLUMNS, HEAD, Heard, Stream, Table
from harness.runner import PING_EVERY_NS, PINGS_AT_ENDS

BAUD_OFF = 0.025
HOUR_NS = 3600 * S
SENT_BYTES = FRAME_OVERHEAD + wire.Sent.LAYOUT.size
Chance = np.random.Generator


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of line and device. Delays in ns, uniform up to the figure unless said otherwise.

    `there` and `back` are waits of each message on the two ways, `fixed` and `extra` further ones that are
    constant in a run, `extra` on one way only; `stalls` is the share of messages that wait up to 300 ms
    more, `latency` a USB adapter's timer, `poll` the device's loop, `turn` the time from its stamp to its
    pong, `restarts` how often it may start anew, `warming` the change of its rate in ppm during a run,
    `least` and `most` a run's length in s.
    """

    name: str
    baud: int = 115_200
    bytes_take_time: bool = True
    there: int = 5 * US
    back: int = 10 * US
    fixed: int = 30 * US
    extra: int = 0
    stalls: float = 0.0
    latency: int = 0
    poll: int = 10 * US
    turn: int = 20 * US
    report_hz: int = 50
    restarts: int = 0
    warming: float = 0.0
    answers: bool = True
    least: int = 10
    most: int = 90


CLEAN = "clean, 115 200 baud"
FIXED = 200 * US
CLEAN_USB = "clean, native USB (no byte times)"
KINDS = (
    Kind(CLEAN),
    Kind(CLEAN_USB, bytes_take_time=False, there=3 * US, poll=5 * US, turn=5 * US, back=5 * US, fixed=FIXED),
    Kind("jitter of 100 us, native USB", bytes_take_time=False, fixed=100 * US, there=30 * US, back=50 * US),
    Kind("clean, 9 600 baud", baud=9_600, report_hz=10),
    Kind("jitter of 1 ms, 1 000 000 baud", baud=1_000_000, there=MS, back=MS, poll=100 * US),
    Kind("one way 10 ms slower", extra=10 * MS, there=100 * US, back=100 * US),
    Kind("bursts of stalls to 300 ms", stalls=0.1, there=300 * US, back=300 * US),
    Kind("USB batches of 16 ms", latency=16 * MS, there=MS, back=200 * US),
    Kind("loop of 30 ms in the device", poll=30 * MS, there=100 * US, back=100 * US),
    Kind("restarts, USB batches, stalls", restarts=3, latency=16 * MS, stalls=0.02, there=MS),
    Kind("clock warming by 20 ppm", warming=20.0, there=100 * US, back=100 * US),
    Kind("clock warming by 100 ppm", warming=100.0, there=100 * US, back=100 * US),
    Kind("all of it together", restarts=2, latency=16 * MS, stalls=0.05, extra=5 * MS, there=MS, poll=5 * MS,
         warming=10.0),
    Kind("no answers to pings, USB batches", answers=False, latency=16 * MS),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Truth:
    """A device's clock as it really is: microseconds `clock_us(host ns)` since the start of each life."""

    origin_ns: int
    offset_ns: int
    skew: float
    warming: float
    length_ns: int
    starts_ns: Ints

    def life(self, at_ns: Ints) -> Ints:
        """Return which life of the device each time falls into, from 0."""
        return np.searchsorted(self.starts_ns, at_ns, side="right")

    def stamp(self, at_ns: Ints) -> Ints:
        """Return the device's own microseconds modulo 2**32."""
        life = self.life(at_ns)
        born = np.concatenate(([self.origin_ns - self.offset_ns], self.starts_ns))[life]
        gone = at_ns - self.origin_ns
        since_born = np.where(life > 0, self._fast(born - self.origin_ns), 0)
        return (at_ns - born + self._fast(gone) - since_born) // US % WRAP_US

    def _fast(self, gone: Ints) -> Ints:
        """Return by how much the clock has run ahead, in ns, `gone` ns after the origin."""
        warmed = self.warming * gone / 2 * (gone / self.length_ns)
        fast: Ints = np.rint(self.skew * gone + warmed).astype(np.int64)
        return fast


def truth_of(kind: Kind, chance: Chance) -> Truth:
    length = int(chance.integers(kind.least, kind.most)) * S
    origin = int(chance.integers(HOUR_NS, 3 * HOUR_NS))
    starts = np.sort(chance.integers(origin + S, origin + length, chance.integers(0, kind.restarts + 1)))
    offset = int(chance.integers(-HOUR_NS, HOUR_NS)) + origin
    skew, warming = chance.uniform(-200e-6, 200e-6), kind.warming * 1e-6 * chance.uniform(-1, 1)
    return Truth(origin, offset, float(skew), float(warming), length, ints(starts))


def conversation(kind: Kind, truth: Truth, chance: Chance) -> tuple[Stream, Stream, float]:
    """Return both directions of the port as the harness would have them, and the best round trip in ns."""
    byte_ns = 10 * S / kind.baud / (1 + chance.uniform(-BAUD_OFF, BAUD_OFF)) * kind.bytes_take_time
    slow_there, slow_back = (kind.extra * way for way in ((1, 0), (0, 1))[chance.integers(2)])
    sent = _ping_times(truth)
    stamped = sent + int(PING_BYTES * byte_ns) + _wait(chance, kind, len(sent), kind.there)
    stamped += chance.integers(0, kind.poll, len(sent)) + slow_there
    keep = (truth.life(stamped) == truth.life(stamped + 5 * MS)) & kind.answers
    order = np.argsort(stamped[keep], kind="stable")
    asked, stamped = sent[keep][order], stamped[keep][order]
    sampled, took = _reports(kind, truth, chance)
    ready = np.concatenate((stamped + chance.integers(0, kind.turn, len(stamped)), sampled + took))
    size = np.concatenate((np.full(len(stamped), PONG_BYTES), np.full(len(sampled), SENT_BYTES)))
    came = np.empty_like(ready)
    queue = np.argsort(ready, kind="stable")
    came[queue] = _over_the_line(ready[queue], size[queue], byte_ns, kind.latency)
    came += slow_back
    late = _wait(chance, kind, len(ready), kind.back) + kind.fixed
    came[queue] = np.maximum.accumulate(came[queue] + late)
    nonces = np.flatnonzero(keep)[order]
    best = float((came[: len(asked)] - asked).min()) if len(asked) else np.inf
    return _told(sent), _heard(truth, came, queue, (nonces, stamped), (sampled, took)), best


def _ping_times(truth: Truth) -> Ints:
    ends = np.arange(PINGS_AT_ENDS) * PING_EVERY_NS
    run = np.arange(S, truth.length_ns - S, PING_NS)
    return truth.origin_ns + np.concatenate((ends, run, truth.length_ns - ends[::-1]))


def _reports(kind: Kind, truth: Truth, chance: Chance) -> tuple[Ints, Ints]:
    every = S // kind.report_hz
    sampled = truth.origin_ns + np.arange(chance.integers(MS, every), truth.length_ns, every)
    took = chance.integers(600, 3000, len(sampled)) * US
    whole = truth.life(sampled) == truth.life(sampled + 5 * MS)
    return sampled[whole], took[whole]


def _wait(chance: Chance, kind: Kind, count: int, most: int) -> Ints:
    wait = chance.integers(0, most, count)
    stalled = chance.random(count) < kind.stalls
    return ints(wait + stalled * chance.integers(0, 300 * MS, count))


def _over_the_line(ready: Ints, size: Ints, byte_ns: float, latency: int) -> Ints:
    """Return when each message has come through: first in, first out, then in an adapter's batches."""
    lasts = np.rint(np.cumsum(size) * byte_ns).astype(np.int64)
    starts = lasts - np.rint(size * byte_ns).astype(np.int64)
    ended: Ints = np.maximum.accumulate(ready - starts) + lasts
    if not latency:
        return ended
    came, up = [], -1
    for end, length in zip(ended.tolist(), np.rint(size * byte_ns).tolist(), strict=True):
        first = end - int(length)
        if first > up or end > up:  # a message that the open batch does not hold whole goes with the next
            up = max(first, up) + latency
        came.append(max(up, end))
    return ints(came)


def _told(sent: Ints) -> Stream:
    rows = _rows(wire.Ping.TYPE, len(sent))
    rows["nonce"] = np.arange(len(sent))
    return _stream(sent, np.zeros_like(sent), {wire.Ping.TYPE: _table(np.arange(len(sent)), sent, rows)}, ())


def _heard(
    truth: Truth, came: Ints, queue: Ints, pongs: tuple[Ints, Ints], reports: tuple[Ints, Ints]
) -> Stream:
    """Return what came: pongs (nonce, stamped) and reports (sampled, took), and a `Started` for each life."""
    count = len(pongs[0])
    born = np.concatenate((pongs[1], reports[0] + reports[1]))
    at = np.concatenate((came, truth.starts_ns + 3 * MS))
    lives = np.concatenate((truth.life(born), np.arange(1, len(truth.starts_ns) + 1)))
    rank = np.empty(len(at), dtype=np.int64)
    rank[queue] = 1 + np.arange(len(queue))
    rank[len(queue) :] = 0
    order = np.lexsort((rank, lives))
    at[order] = np.maximum.accumulate(at[order])
    frame = np.empty(len(at), dtype=np.int64)
    frame[order] = np.arange(len(at))
    pong, sent = _rows(wire.Pong.TYPE, count), _rows(wire.Sent.TYPE, len(reports[0]))
    pong["nonce"], pong["at_us"] = pongs[0], truth.stamp(pongs[1])
    sent["at_us"] = truth.stamp(reports[0])
    sent["took_us"] = (truth.stamp(reports[0] + reports[1]) - sent["at_us"].astype(np.int64)) % WRAP_US
    tables = {}
    for kind, rows, part in (
        (wire.Pong.TYPE, pong, slice(0, count)),
        (wire.Sent.TYPE, sent, slice(count, len(queue))),
    ):
        by_frame = np.argsort(frame[part])
        tables[kind] = _table(frame[part][by_frame], at[part][by_frame], rows[by_frame])
    began = [
        Heard(int(place), int(time), 0, wire.Started(2, 0))
        for place, time in zip(frame[len(queue) :], at[len(queue) :], strict=True)
    ]
    return _stream(at[order], lives[order], tables, tuple(began))


def _rows(kind: int, count: int) -> Rows:
    return np.zeros(count, dtype=np.dtype([*HEAD, *COLUMNS[kind]]))


def _table(frame: Ints, at_ns: Ints, rows: Rows) -> Table:
    none = np.zeros((len(frame), 0), dtype=np.int64)
    return Table(frame, at_ns, rows, none, np.zeros(len(frame), dtype=np.int64))


def _stream(at_ns: Ints, segment: Ints, tables: dict[int, Table], others: tuple[Heard, ...]) -> Stream:
    none = np.zeros((0, 3), dtype=np.int64)
    place = np.arange(len(at_ns))
    first = segment - segment[:1].sum()
    return Stream(at_ns, place % 65_536, np.zeros_like(place), first, none, none, tables, others,
                  0, {}, 0, 0, b"", 0)  # fmt: skip
