"""What is special about a port at the other end of a network? Small frames at once, and an end to waiting.

A server that vanishes without a word (power, cable, Wi-Fi) is noticed by what is not acknowledged: within
`VANISHED_MS` where the system can be told so, as Linux can, otherwise by the system's own patience and by the
device's silence, which the verdict tells in any case.
"""

from __future__ import annotations

import contextlib
import socket
import struct
from typing import Final

from harness.bench.ports import NETWORK, WRITE_LIMIT_MS, PortSpec, scheme

VANISHED_MS: Final = 5_000
"""What was sent must be acknowledged within this time. Wi-Fi that roams takes two or three seconds (common
practice, no source)."""
_RTT_AT: Final = 68
"""Where `struct tcp_info` of Linux (linux/tcp.h) has `tcpi_rtt`, the smoothed round trip in us."""
_KEEP_ALIVE: Final = (("TCP_KEEPIDLE", 1), ("TCP_KEEPINTVL", 1), ("TCP_KEEPCNT", VANISHED_MS // 1_000 - 1))
"""Asked for after 1 s without data, each second, so many times."""


def connection(port: object) -> socket.socket | None:
    """Return a port's TCP connection, None if it is no network port."""
    plain = getattr(port, "_socket", None)
    return plain if isinstance(plain, socket.socket) else None


def quicken(port: object) -> None:
    """Send small frames at once, let no write block for longer than any other, and notice a dead server."""
    plain = connection(port)
    if plain is None:
        return
    plain.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    if plain.gettimeout():
        plain.settimeout(WRITE_LIMIT_MS / 1000)
    plain.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for name, value in (*_KEEP_ALIVE, ("TCP_USER_TIMEOUT", VANISHED_MS)):
        number = getattr(socket, name, None)
        if number is not None:
            with contextlib.suppress(OSError):
                plain.setsockopt(socket.IPPROTO_TCP, number, value)


def describe(port: object, spec: PortSpec) -> dict[str, str]:
    """Return what is known of a network port, by topic; nothing of any other."""
    if scheme(spec.url) not in NETWORK:
        return {}
    facts = {"latency timer": "not known: the adapter is at the other end of the network"}
    plain = connection(port)
    trip = None if plain is None else round_trip_us(plain)
    told = "round trip not known" if trip is None else f"round trip {trip} us when it was opened"
    facts["network"] = f"{scheme(spec.url)}, {told}"
    return facts


def round_trip_us(plain: socket.socket) -> int | None:
    """Return the system's estimate of a connection's round trip, None where it tells none."""
    number = getattr(socket, "TCP_INFO", None)
    if number is None:
        return None
    try:
        found = plain.getsockopt(socket.IPPROTO_TCP, number, _RTT_AT + 4)
    except OSError:
        return None
    if len(found) < _RTT_AT + 4:
        return None
    trip: int = struct.unpack_from("=I", found, _RTT_AT)[0]
    return trip or None
