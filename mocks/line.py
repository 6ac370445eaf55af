"""When do bytes arrive on a serial line, and which do not? Both directions of one bench port.

A byte takes ten bit times (8N1: a start bit, eight data bits, a stop bit). The device has a bounded output
buffer; a message that does not fit is dropped whole. A USB adapter's latency timer may hold bytes back on
their way to the PC. Noise flips single bits.
"""

from __future__ import annotations

from collections import deque
from fractions import Fraction
from math import log
from random import Random

from harness.bench.protocol import Chunk, Role
from harness.chance import stream
from harness.clock import S
from harness.errors import BenchError
from mocks.settings import WorldSettings

BITS_PER_BYTE = 10
BYTE_NS_BAUD = BITS_PER_BYTE * S
"""Divided by the baud rate it is the time that a byte takes, in ns."""
USB_BATCH_BYTES = 62
"""Data bytes in a full-speed USB bulk packet of a common serial adapter (64 less two of status): common
practice, no source. A full packet does not wait for the latency timer."""
MAX_BACKLOG_BYTES = 65_536
"""What the PC's side may have waiting for the line before the bench is called overloaded."""


class Noise:
    """Flips bits at random, drawing only the distances between errors (geometric distribution)."""

    __slots__ = ("_chance", "_scale", "_to_next")

    def __init__(self, bit_errors: Fraction, chance: Random) -> None:
        assert 0 < bit_errors <= 1
        self._chance = chance
        self._scale = 1 / log(1 - bit_errors) if bit_errors < 1 else 0.0
        self._to_next = self._draw()

    def _draw(self) -> int:
        return int(log(1 - self._chance.random()) * self._scale)

    def disturb(self, data: bytes) -> bytes:
        """Return `data` with its share of flipped bits."""
        bits = 8 * len(data)
        if self._to_next >= bits:
            self._to_next -= bits
            return data
        noisy = bytearray(data)
        while self._to_next < bits:
            noisy[self._to_next // 8] ^= 1 << self._to_next % 8
            self._to_next += 1 + self._draw()
        self._to_next -= bits
        return bytes(noisy)


class Loss:
    """Drops whole messages at random."""

    __slots__ = ("_random", "_share")

    def __init__(self, share: Fraction, chance: Random) -> None:
        self._share = float(share)
        self._random = chance.random

    def hits(self) -> bool:
        """Return whether the next message is lost."""
        return self._random() < self._share


class LineToDevice:
    """The PC's bytes on their way to a device."""

    __slots__ = ("_baud", "_free_ns", "_noise", "_role")

    def __init__(self, role: Role, baud: int, noise: Noise | None) -> None:
        self._role = role
        self._baud = baud
        self._noise = noise
        self._free_ns = 0

    def write(self, data: bytes, now_ns: int) -> list[tuple[int, bytes]]:
        """Take bytes from the PC; return pieces cut after each 0x00 with the arrival of their last byte.

        Raises BenchError if more than `MAX_BACKLOG_BYTES` would be waiting.
        """
        at_ns = max(self._free_ns, now_ns)
        if at_ns > now_ns and self.backlog_bytes(now_ns) > MAX_BACKLOG_BYTES:
            raise BenchError(
                f"the serial line to the {self._role} is more than {MAX_BACKLOG_BYTES} bytes behind",
                role=self._role,
                port=f"virtual {self._role}",
                at_ns=now_ns,
            )
        if self._noise is not None:
            data = self._noise.disturb(data)
        pieces = [data] if data.find(0) == len(data) - 1 else _cut(data)
        due = []
        for piece in pieces:
            at_ns += len(piece) * BYTE_NS_BAUD // self._baud
            due.append((at_ns, piece))
        self._free_ns = at_ns
        return due

    def backlog_bytes(self, now_ns: int) -> int:
        """Return how many bytes have not arrived yet."""
        return max(0, self._free_ns - now_ns) * self._baud // BYTE_NS_BAUD


def _cut(data: bytes) -> list[bytes]:
    pieces = [piece + b"\0" for piece in data.split(b"\0")]
    last = pieces.pop()[:-1]
    return [*pieces, last] if last else pieces


class LineToPC:
    """A device's messages on their way to the PC."""

    __slots__ = ("_baud", "_free_ns", "_loss", "_noise", "_room_ns", "_sent", "dropped")

    def __init__(self, baud: int, buffer_bytes: int, loss: Loss | None, noise: Noise | None) -> None:
        self._baud = baud
        self._room_ns = buffer_bytes * BYTE_NS_BAUD // baud
        self._loss = loss
        self._noise = noise
        self._free_ns = 0
        self._sent: deque[tuple[int, bytes]] = deque()
        self.dropped = 0

    def write(self, data: bytes, now_ns: int) -> None:
        """Take one message; it is dropped whole if the output buffer has no room for it, or by chance."""
        free_ns = self._free_ns
        start_ns = free_ns if free_ns > now_ns else now_ns  # noqa: FURB136 - hot, and max() is slower
        end_ns = start_ns + len(data) * BYTE_NS_BAUD // self._baud
        if end_ns - now_ns > self._room_ns or (self._loss is not None and self._loss.hits()):
            self.dropped += 1
            return
        if self._noise is not None:
            data = self._noise.disturb(data)
        self._free_ns = end_ns
        self._sent.append((end_ns, data))

    def carry(self, end_ns: int, data: bytes) -> None:
        """Take bytes that a board itself put on the line, the last of which ends at `end_ns`."""
        if self._loss is not None and self._loss.hits():
            self.dropped += 1
            return
        if self._noise is not None:
            data = self._noise.disturb(data)
        self._sent.append((end_ns, data))

    def drained_ns(self, now_ns: int) -> int:
        """Return when the last byte taken so far has left."""
        return max(self._free_ns, now_ns)

    def take(self, role: Role, until_ns: int, arrived: list[Chunk]) -> None:
        """Append the chunks that arrive at the PC up to `until_ns`, each message a chunk."""
        sent = self._sent
        while sent and sent[0][0] <= until_ns:
            end_ns, data = sent.popleft()
            arrived.append(Chunk(role, data, end_ns))

    def lose_power(self, now_ns: int) -> None:
        """Forget what a device without power still had to send; a message half sent stops in its middle."""
        kept = deque(one for one in self._sent if one[0] <= now_ns)
        for end_ns, data in self._sent:
            left = -(-(end_ns - now_ns) * self._baud // BYTE_NS_BAUD) if end_ns > now_ns else 0
            if 0 < left < len(data):
                kept.append((now_ns, data[:-left]))
        self._sent = kept
        self._free_ns = min(self._free_ns, now_ns)

    def due_ns(self) -> int | None:
        """Return when the next chunk arrives, or None if none is on its way."""
        return self._sent[0][0] if self._sent else None


class BatchedLineToPC(LineToPC):
    """The same behind a USB adapter that hands bytes on in batches.

    The first byte starts the latency timer; a batch goes when the timer is up or when it is full. Batches in
    which no message ends are handed over with the next one, if that has gone too: nothing ends in them.
    """

    __slots__ = ("_batch", "_batches", "_ended", "_latency_ns", "_up_ns")

    def __init__(
        self, baud: int, buffer_bytes: int, loss: Loss | None, noise: Noise | None, latency_ns: int
    ) -> None:
        super().__init__(baud, buffer_bytes, loss, noise)
        self._latency_ns = latency_ns
        self._batch = b""
        self._up_ns = 0
        self._ended = False
        self._batches: deque[tuple[int, bytes, bool]] = deque()

    def _spread(self) -> None:
        """Spread what was taken over batches: each byte goes with the one that is open when it arrives."""
        batch, ended, up_ns, baud = self._batch, self._ended, self._up_ns, self._baud
        close = self._batches.append
        for end_ns, data in self._sent:
            at, left = 0, len(data)
            odd = data.find(0) != left - 1  # no frame: something may end anywhere in it
            while left:
                first_ns = end_ns - (left - 1) * BYTE_NS_BAUD // baud
                if batch and first_ns > up_ns:
                    close((up_ns, batch, ended))
                    batch = b""
                if not batch:
                    up_ns, ended = first_ns + self._latency_ns, odd
                taken = left if end_ns <= up_ns else left + (up_ns - end_ns) * baud // BYTE_NS_BAUD
                room = USB_BATCH_BYTES - len(batch)
                if taken > room:  # noqa: PLR1730 - hot, and min() is slower
                    taken = room
                batch += data[at : at + taken]
                at += taken
                left -= taken
                if not left:
                    ended = True
                if len(batch) == USB_BATCH_BYTES:
                    close((end_ns - left * BYTE_NS_BAUD // baud, batch, ended))
                    batch = b""
        self._sent.clear()
        self._batch, self._ended, self._up_ns = batch, ended, up_ns

    def take(self, role: Role, until_ns: int, arrived: list[Chunk]) -> None:
        """Append the batches that arrive at the PC up to `until_ns`."""
        if self._sent:
            self._spread()
        batches = self._batches
        if self._batch and self._up_ns <= until_ns:
            batches.append((self._up_ns, self._batch, True))
            self._batch = b""
        held, end_ns = b"", 0
        while batches and batches[0][0] <= until_ns:
            end_ns, data, ended = batches.popleft()
            held += data
            if ended:
                arrived.append(Chunk(role, held, end_ns))
                held = b""
        if held:
            arrived.append(Chunk(role, held, end_ns))

    def due_ns(self) -> int | None:
        """Return when the next batch arrives, or None if none is under way."""
        self._spread()
        if self._batches:
            return self._batches[0][0]
        return self._up_ns if self._batch else None


def lines_of(role: Role, port: Role, settings: WorldSettings, seed: int) -> tuple[LineToPC, LineToDevice]:
    """Return both directions of a device's serial line; `port` is whose the PC takes it for."""
    shares = {
        Role.TRANSMITTER: settings.transmitter_message_loss,
        Role.RECEIVER: settings.receiver_message_loss,
        Role.WITNESS: settings.witness_message_loss,
    }
    share = shares[role]
    loss = Loss(share, stream(seed, f"mock {role} message loss")) if share else None
    to_pc, to_device = (_noise(settings, seed, f"mock {role} noise {way}") for way in ("to PC", "to device"))
    baud, room = settings.baud, settings.output_buffer_bytes
    if settings.usb_latency_ns:
        line: LineToPC = BatchedLineToPC(baud, room, loss, to_pc, settings.usb_latency_ns)
    else:
        line = LineToPC(baud, room, loss, to_pc)
    return line, LineToDevice(port, baud, to_device)


def _noise(settings: WorldSettings, seed: int, name: str) -> Noise | None:
    errors = settings.bit_errors
    return Noise(errors, stream(seed, name)) if errors else None
