"""What time is it on a device, roughly, while a run goes on? From the pings of the last seconds.

For the display only: verdicts rest on `harness.measure.clocks`, which sees the whole run. The sample with the
least delay of the last eight is taken, as in the clock filter of NTP (RFC 5905, section 10), and the rate
between the first pings and that one.
"""

from __future__ import annotations

from collections import deque
from typing import Final

from harness.clock import S

SAMPLES: Final = 8
"""Stages of the clock filter (RFC 5905, section 7.2: NSTAGE)."""
WAITING_MAX: Final = 8
SLOPE_NS: Final = S
"""The rate is taken from pings at least so far apart."""
RATE_ERROR: Final = 0.005
"""How far a clock may be off before its rate is known: a ceramic resonator's half per cent (common practice,
no source)."""
HALF_WRAP: Final = 1 << 31
WRAP: Final = 1 << 32


class PingedClock:
    """Maps the device time of one start of one device to the bench's, in ns.

    `base` is the ping that the map rests on: its delay, the bench's time in its middle, the device's then.
    """

    __slots__ = ("_asked", "_error", "_first", "_ns_per_us", "_samples", "_us", "answers", "base")

    def __init__(self) -> None:
        self._asked: dict[int, int] = {}
        self.answers = 0
        self.begin_anew()

    def begin_anew(self) -> None:
        """Forget the map: the device has started, and its clock with it."""
        self._samples: deque[tuple[int, int, int]] = deque(maxlen=SAMPLES)
        self._first: tuple[int, int, int] | None = None
        self.base: tuple[int, int, int] | None = None
        self._us = 0
        self._ns_per_us = 1000.0
        self._error = RATE_ERROR

    def asked(self, nonce: int, at_ns: int) -> None:
        """Note that a ping left."""
        self._asked[nonce] = at_ns
        if len(self._asked) > WAITING_MAX:
            self._asked.pop(next(iter(self._asked)))

    def told(self, nonce: int, at_us: int, at_ns: int) -> None:
        """Take the answer to a ping; one that nobody asked for is passed over."""
        asked_ns = self._asked.pop(nonce, None)
        if asked_ns is None or at_ns < asked_ns:
            return
        self.answers += 1
        self._us += _signed(at_us - self._us)  # goes on counting where the device's clock wraps
        delay_ns = at_ns - asked_ns
        sample = (delay_ns, asked_ns + delay_ns // 2, self._us)
        self._samples.append(sample)
        if self._first is None or (delay_ns < self._first[0] and sample[1] - self._first[1] < SLOPE_NS):
            self._first = sample
        self._fit(at_ns)

    def host_ns(self, at_us: int) -> int:
        """Return the bench's time of a device time; there is one once `base` is set, by the first answer."""
        base = self.base
        assert base is not None
        return base[1] + int(((at_us - base[2] + HALF_WRAP) % WRAP - HALF_WRAP) * self._ns_per_us)

    def bound_ns(self, now_ns: int) -> int:
        """Return how far off that may be: half the ping's delay, and what the rate may add since."""
        base = self.base
        return 0 if base is None else base[0] // 2 + int(self._error * abs(now_ns - base[1]))

    def _fit(self, now_ns: int) -> None:
        base = min(self._samples, key=lambda one: one[0] / 2 + self._error * (now_ns - one[1]))
        first = self._first
        self.base = base
        if first is not None and base[1] - first[1] >= SLOPE_NS and base[2] > first[2]:
            span_ns = base[1] - first[1]
            error = (base[0] + first[0]) / 2 / span_ns
            if error < RATE_ERROR:
                self._ns_per_us, self._error = span_ns / (base[2] - first[2]), error


def _signed(difference: int) -> int:
    """Return a difference of 32-bit times as the shortest way."""
    return (difference + HALF_WRAP) % WRAP - HALF_WRAP
