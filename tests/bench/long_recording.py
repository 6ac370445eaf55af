"""A recording of a million packets in half a minute: the imaginary link's frames, made column by column."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import chain, repeat
from typing import Any

import numpy as np
from scenario import BAUD, RUN_NS, RX, START_NS, TX, Recording, S, Scenario, line_ns, p

from harness.clock import MS, US
from harness.codec import messages as wire
from harness.codec.frames import encode_frame
from harness.recording.model import Direction, PortPackets

PERIOD_NS = 20 * MS
LOST = 0.01
SENT = np.dtype("<u2, <u2, <u4, <u2, u1, u1")
TELEMETRY = np.dtype("<u2, <u4, u1, V8")
APPLIED = np.dtype("<u2, <u4, i1, u1, 4<u2")
STICKS = np.dtype("<u2, u1, 4<u2")
Messages = tuple[Any, int, Iterable[bytes]]
"""Times in ns at which messages are ready to be sent, their type and their payloads."""


def long_recording(plan: p.Plan, packets: int) -> Recording:
    """Return a healthy link's recording of so many packets 20 ms apart, 1 % of them lost, with telemetry.

    Header and marks are those of a `Scenario`.
    """
    seconds = packets * PERIOD_NS / S
    bare = Scenario(plan, seconds=seconds, period_ns=1 << 60).recording()
    chance = np.random.default_rng(1)
    place = np.arange(packets)
    at_ns = RUN_NS + PERIOD_NS * place
    came = chance.random(packets) >= LOST
    shown_ns = at_ns + 2 * MS + chance.integers(0, 500, packets) * US
    sticks = np.column_stack([1000 + place * step % 1001 for step in (7, 13, 29, 37)])
    outputs = np.column_stack(
        [column if one.direction == "normal" else 3000 - column
         for one, column in zip(plan.link.channels, sticks.T, strict=True)]
    )  # fmt: skip
    number, sets, done_ns = place % 65_536, 1 + place % 60_000, at_ns + 3 * MS
    sent = _rows(SENT, number, sets, _us(at_ns), 3_000, 1, came * wire.SENT_ACKED)
    more = _rows(TELEMETRY, number[came], _us(done_ns[came]), 8, np.zeros(int(came.sum()), "V8"))
    applied = _rows(APPLIED, number[came], _us(shown_ns[came]), -60, 4, outputs[came])
    transmitter = [
        (at_ns - 12 * MS, wire.Sticks.TYPE, _rows(STICKS, sets, 4, sticks)),
        (done_ns, wire.Sent.TYPE, sent), (done_ns[came], wire.Telemetry.TYPE, more),
    ]  # fmt: skip
    ports = {
        TX: _port(transmitter[:1], transmitter[1:], seconds, 1),
        RX: _port([], [(shown_ns[came], wire.Applied.TYPE, applied)], seconds, 2),
    }
    return Recording(bare.header, ports, bare.marks, True, ())


def _rows(layout: np.dtype[np.void], *columns: Any) -> list[bytes]:
    """Return the payloads whose fields stand in `columns`."""
    rows = np.zeros(len(columns[0]), dtype=layout)
    for name, column in zip(layout.names or (), columns, strict=True):
        rows[name] = column
    data, size = rows.tobytes(), layout.itemsize
    return [data[at : at + size] for at in range(0, len(data), size)]


def _us(at_ns: Any) -> Any:
    return at_ns // US % 2**32


def _port(told: Sequence[Messages], said: Sequence[Messages], seconds: float, number: int) -> PortPackets:
    """Return a port's packets: these messages, the identity, a ping a second and keep-alives."""
    asked = START_NS + 50 * MS + number * 7 * MS + S * np.arange(int(seconds) + 2)
    alive = START_NS + 200 * MS * np.arange(int(5 * seconds) + 10)
    nonces = list(range(1, len(asked) + 1))
    answered = asked + line_ns(11) + 30 * US
    pongs = [wire.Pong(nonce, int(us)).pack() for nonce, us in zip(nonces, _us(answered), strict=True)]
    identity = wire.Identity(1, number, 4, 50_000, 0xFFFF, "imaginary", "1.0", "42").pack()
    start = np.array([START_NS])
    down = _stream([
        (start, wire.Identify.TYPE, [b""]), (asked, wire.Ping.TYPE, [wire.Ping(n).pack() for n in nonces]),
        (alive, wire.KeepAlive.TYPE, repeat(b"", len(alive))), *told,
    ])  # fmt: skip
    up = _stream([
        (start + 5 * MS, wire.Identity.TYPE, [identity]), (answered, wire.Pong.TYPE, pongs), *said,
    ])  # fmt: skip
    through = np.cumsum([line_ns(len(data), BAUD) for data in up[1]])
    came = np.maximum.accumulate(up[0] - np.concatenate(([0], through[:-1]))) + through
    at_ns, frames = np.concatenate((down[0], came)), down[1] + up[1]
    ways = [int(Direction.TO_DEVICE)] * len(down[1]) + [int(Direction.TO_PC)] * len(up[1])
    order = np.argsort(at_ns, kind="stable").tolist()
    return PortPackets(
        at_ns[order].tolist(), [ways[each] for each in order], [frames[each] for each in order]
    )


def _stream(messages: Sequence[Messages]) -> tuple[Any, list[bytes]]:
    """Return the times and the frames of one direction, counted in order of time."""
    at_ns = np.concatenate([each[0] for each in messages])
    kinds = list(chain.from_iterable(repeat(kind, len(times)) for times, kind, _ in messages))
    payloads = list(chain.from_iterable(each[2] for each in messages))
    order = np.argsort(at_ns, kind="stable")
    frames = [encode_frame(kinds[row], count, payloads[row]) for count, row in enumerate(order.tolist())]
    return at_ns[order], frames
