"""What is in a recording, whole, cut short or damaged? Gives back what can be trusted, and names the rest.

The file is untrusted: every length is checked against what is there, each byte is looked at a bounded number
of times, and damage becomes a line in `problems`, never a crash or a silent loss.
"""

from __future__ import annotations

import json
import math
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from mmap import mmap
from pathlib import Path
from typing import Any, Final, NoReturn
from zlib import crc32

from harness.errors import RecordingError
from harness.recording.header import HeaderError, from_comments, plan_is_intact
from harness.recording.model import Header, Mark, PortPackets, Recording
from harness.recording.pcapng import (
    BLOCK_HEAD,
    BLOCK_MAX,
    BLOCK_MIN,
    BYTE_ORDER,
    COMMENT,
    EPB_FLAGS,
    EPB_HASH,
    FLAGS_HEAD,
    HASH_CRC32,
    HASH_HEAD,
    INTERFACE,
    MARKS,
    OTHER_BLOCKS,
    PACKET,
    PACKET_EXTRA,
    PACKET_HEAD,
    PACKET_TAIL,
    SECTION_BODY,
    SECTION_HEADER,
    USER_APPLICATION,
    interface_block,
    interfaces,
    read_options,
)
from harness.recording.writer import MARK_KEY, WRITTEN

FILE_MAX: Final = 2 * 1024**3
"""About two days of a busy bench; more is not read into memory."""
MARK_MAX: Final = 64 * 1024
LATEST_NS: Final = 1 << 50
"""Thirteen days: no run lasts as long, and sums and products of such times fit into 64 bits."""
WHOLE_MOST: Final = (1 << 63) - 1
PROBLEMS_MAX: Final = 50
Bytes = bytes | mmap
_TAIL_HASH: Final = HASH_HEAD.to_bytes(4, "little") + bytes((HASH_CRC32,))
_HIGH_MOST: Final = LATEST_NS >> 32
_PACKET_BYTES: Final = PACKET.to_bytes(4, "little")


def read_recording(path: Path) -> Recording:
    """Read the recording in the file at `path`; see `parse_recording`. Raises RecordingError."""
    with told_of(path):
        require_file(path, FILE_MAX)
        data = path.read_bytes()
    return parse_recording(data, str(path))


@contextmanager
def told_of(path: Path) -> Iterator[None]:
    """Turn what the operating system says of the file at `path` into a RecordingError."""
    try:
        yield
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise RecordingError(f"{path}: cannot read the recording: {reason}") from error


def require_file(path: Path, most: int) -> None:
    """Raise RecordingError unless there is a file of at most so many bytes."""
    status = path.stat()
    if stat.S_ISDIR(status.st_mode):
        raise RecordingError(
            f"{path}: a folder; name the recording in it, such as {path / 'recording.pcapng'}"
        )
    if not stat.S_ISREG(status.st_mode):
        raise RecordingError(f"{path}: not a file")
    if status.st_size > most:
        raise RecordingError(f"{path}: {status.st_size} bytes; a recording has at most {most}")


def parse_recording(data: bytes, name: str) -> Recording:
    """Return what is whole in `data`; `name` stands in front of error messages.

    A packet whose data do not have their CRC-32 is left out. Times are ns since the recording's start. Raises
    RecordingError if there is no whole header of ours to begin with.
    """
    walk = begin_walk(data, name)
    while walk.go_on():
        pass
    return _taken(walk)


class Follower:
    """Reads a recording that is still being written, each part of it once.

    A look may be taken whenever the writer has flushed, and for the last time when it is closed.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._walk: Walk | None = None

    def read(self, data: bytes) -> Recording:
        """Return what is whole in `data`, which begins with what was given the last time.

        Later looks leave it as it is. Raises RecordingError as `parse_recording` does.
        """
        self._walk = walk = self._walk or begin_walk(data, self._name)
        walk.data = data
        while walk.at < len(data):
            walk.go_on()
        recording = _taken(walk)
        ports = {role: _copied(port) for role, port in recording.ports.items()}
        return replace(
            recording, ports=ports, complete=walk.ended and recording.complete,
            beside={name: _copied(port) for name, port in recording.beside.items()},
        )  # fmt: skip


def _copied(port: PortPackets) -> PortPackets:
    return PortPackets(port.at_ns.copy(), port.direction.copy(), port.data.copy())


def _taken(walk: Walk) -> Recording:
    """Return what a walk has come by."""
    return Recording(
        header=walk.header,
        ports={kind.role: walk.ports[number] for number, kind in enumerate(walk.kinds) if kind.role},
        marks=tuple(walk.marks),
        complete=not walk.problems,
        problems=walk.told(),
        damaged=walk.damaged,
        beside=_beside(walk),
    )


def _beside(walk: Walk) -> dict[str, PortPackets]:
    first = len(walk.kinds) - len(walk.header.beside)
    return {kind.name: walk.ports[first + n] for n, kind in enumerate(walk.kinds[first:])}


def begin_walk(data: Bytes, name: str) -> Walk:
    """Return a walk that stands behind the header; raises RecordingError if there is no whole one of ours."""
    try:
        header, at, intact = _read_header(data)
    except HeaderError as error:
        raise RecordingError(f"{name}: not a recording made by propsoff: {error}") from error
    walk = Walk(data, at, header)
    if not intact:
        walk.problem(at, "the plan's text is not what it was when it was recorded")
    return walk


def _read_header(data: Bytes) -> tuple[Header, int, bool]:
    """Return the header, its length in bytes, and whether the plan's text is whole. Raises HeaderError."""
    size = _header_size(data)
    comments = []
    application = ""
    for code, value in read_options(data[BLOCK_HEAD.size + SECTION_BODY.size : size - 4]):
        if code == COMMENT:
            comments.append(value.decode("utf-8", "replace"))
        elif code == USER_APPLICATION:
            application = value.decode("utf-8", "replace")
    if not any(comment.startswith("propsoff.") for comment in comments):
        raise HeaderError(f"it is a pcapng file of another program ({application!r:.40})")
    return from_comments(comments), size, plan_is_intact(comments)


def _header_size(data: Bytes) -> int:
    if not data:
        _refuse("the file is empty")
    if data[:4] != SECTION_HEADER.to_bytes(4, "little")[: len(data)]:
        _refuse("it does not begin with a pcapng section header")
    if len(data) < BLOCK_HEAD.size + SECTION_BODY.size:
        _refuse(f"it is cut short inside its header, after {len(data)} bytes")
    size = int.from_bytes(data[4:8], "little")
    order, major, _, _ = SECTION_BODY.unpack_from(data, BLOCK_HEAD.size)
    if order == int.from_bytes(BYTE_ORDER.to_bytes(4, "little"), "big"):
        _refuse("it is a big-endian pcapng file; recordings are little-endian")
    if order != BYTE_ORDER or major != 1:
        _refuse("its section header has no known byte order and version")
    if not BLOCK_HEAD.size + SECTION_BODY.size + 4 <= size <= BLOCK_MAX or size % 4:
        _refuse(f"its header claims {size} bytes")
    if size > len(data):
        _refuse(f"it is cut short inside its header, after {len(data)} of {size} bytes")
    return size


def _refuse(reason: str) -> NoReturn:
    raise HeaderError(reason)


class Walk:
    """One way through the blocks after the header: a fast loop for sound packets, slow care for the rest."""

    def __init__(self, data: Bytes, at: int, header: Header) -> None:
        self.data = data
        self.at = at
        self.header = header
        self.kinds = interfaces(header.baud, header.beside)
        numbers = [number for number in range(len(self.kinds)) if number != MARKS]
        self.ports = {number: PortPackets([], [], []) for number in numbers}
        self.marks: list[Mark] = []
        self.problems: list[str] = []
        self.damaged = False
        self.unlisted = 0
        self.ended = False
        self._interfaces = 0
        self._vouched = 0
        self._missing = 0
        self._last_problem = -1

    def go_on(self) -> bool:
        """Take packets up to the next block of another kind, and that; False at the end of the data."""
        if self.at < len(self.data):
            self._sound_packets()
            if self.at < len(self.data):
                self._one_block()
            return True
        if not self.ended and not self.problems:
            self.problem(
                self.at, f"the recording stops at byte {self.at} without its end mark", missing_end=True
            )
        return False

    def problem(self, end: int, text: str, *, missing_end: bool = False) -> None:
        """Note what is wrong with the bytes before `end`; anything but a missing end is damage."""
        self.damaged |= not missing_end
        self._last_problem = max(self._last_problem, end)
        if len(self.problems) < PROBLEMS_MAX:
            self.problems.append(text)
        else:
            self.unlisted += 1

    def told(self) -> tuple[str, ...]:
        """Return the problems, the last line counting those that are not listed."""
        more = (f"and {self.unlisted} more problems like these",) if self.unlisted else ()
        return (*self.problems, *more)

    def _sound_packets(self) -> None:
        """Take packets of the ports for as long as each is just as our writer makes them.

        This loop sets the time that reading takes, hence its plain style and local names.
        """
        data, at, size = self.data, self.at, len(self.data)
        head, tail, crc = PACKET_HEAD.unpack_from, PACKET_TAIL.unpack_from, crc32
        sinks = {
            number: (port.at_ns.append, port.direction.append, port.data.append)
            for number, port in self.ports.items()
        }
        last = size - PACKET_EXTRA
        while at <= last:
            kind, total, interface, high, low, length, _ = head(data, at)
            stop = at + total
            if (
                kind != PACKET
                or interface not in sinks
                or total != PACKET_EXTRA + length + (-length & 3)
                or stop > size
                or high >= _HIGH_MOST
            ):
                break
            flags, direction, hashed, algorithm, checksum, end, again = tail(data, stop - 28)
            body = data[at + 28 : at + 28 + length]
            if again != total or crc(body) != checksum or end or not 0 < direction < 3:
                break
            if flags != FLAGS_HEAD or hashed != HASH_HEAD or algorithm != HASH_CRC32:
                break
            add_time, add_direction, add_data = sinks[interface]
            add_time(high << 32 | low)
            add_direction(direction)
            add_data(body)
            at = stop
        self.at = at

    def _one_block(self) -> None:
        at = self.at
        total = self._block_size(at)
        if not total:
            self._find_feet()
            return
        kind = int.from_bytes(self.data[at : at + 4], "little")
        if kind == PACKET:
            self._packet(at, total)
        elif kind == INTERFACE:
            self._interface(at, total)
        elif kind == SECTION_HEADER:
            self.problem(len(self.data), f"a second section begins at byte {at}; nothing after it is read")
            total = len(self.data) - at
        elif kind not in OTHER_BLOCKS:
            self.problem(at + total, f"bytes {at} to {at + total} are skipped: block of unknown type {kind}")
        self.at = at + total

    def _block_size(self, at: int) -> int:
        """Return the length of the block at `at`, or 0 if its two lengths differ or it is not all there."""
        if at + BLOCK_MIN > len(self.data):
            return 0
        total = int.from_bytes(self.data[at + 4 : at + 8], "little")
        if not BLOCK_MIN <= total <= BLOCK_MAX or total % 4 or at + total > len(self.data):
            return 0
        return total if self.data[at + total - 4 : at + total] == self.data[at + 4 : at + 8] else 0

    def _find_feet(self) -> None:
        """Go on at the next thing that looks like a whole packet block, or at the end."""
        begin, size = self.at, len(self.data)
        at = self.data.find(_PACKET_BYTES, begin + 1)
        while at >= 0 and not self._looks_like_packet(at):
            at = self.data.find(_PACKET_BYTES, at + 1)
        if at < 0:
            self.at = size
            self.problem(
                size,
                f"cut short: the {size - begin} bytes from byte {begin} on are no whole block",
                missing_end=not self.ended,
            )
        else:
            self.at = at
            self.problem(at, f"bytes {begin} to {at} are skipped: damaged, no whole block")

    def _looks_like_packet(self, at: int) -> bool:
        total = self._block_size(at)
        if total < PACKET_EXTRA:
            return False
        _, _, interface, _, _, length, _ = PACKET_HEAD.unpack_from(self.data, at)
        return bool(interface < len(self.kinds) and length <= total - PACKET_EXTRA)

    def _interface(self, at: int, total: int) -> None:
        """Compare an interface's description with the one that belongs to the header."""
        number = self._interfaces
        self._interfaces += 1
        if number < len(self.kinds):
            kind = self.kinds[number]
            speed = self.header.baud[kind.role] if kind.role else 0
            offset = self.header.wall_seconds
            wanted = interface_block(kind, offset_seconds=offset, bits_per_second=speed)
            if self.data[at : at + total] == wanted:
                return
        self.problem(at + total, f"interface {number}, at byte {at}, is not described as the header has it")

    def _packet(self, at: int, total: int) -> None:
        """Take a packet block that the fast loop left: a mark, one with more options, or a damaged one."""
        if total < PACKET_HEAD.size + 4:
            self.problem(at + total, f"the packet block at byte {at} is too short")
            return
        _, _, interface, high, low, length, _ = PACKET_HEAD.unpack_from(self.data, at)
        begin, stop = at + PACKET_HEAD.size, at + total - 4
        after = begin + length + (-length & 3)
        body = self.data[begin : begin + length] if after <= stop else b""
        chosen = dict(read_options(self.data[after:stop]))
        flags = int.from_bytes(chosen.get(EPB_FLAGS, b"\0"), "little") & 3
        if chosen.get(EPB_HASH) != bytes((HASH_CRC32,)) + crc32(body).to_bytes(4, "little"):
            self.problem(at + total, f"the packet at byte {at} is skipped: its data do not have their CRC-32")
        elif high >= _HIGH_MOST:
            skipped = f"the packet at byte {at} is skipped"
            self.problem(at + total, f"{skipped}: no run lasts as long as its time says")
        elif interface == MARKS:
            self._mark(at, total, body, high << 32 | low)
        elif interface in self.ports and flags in (1, 2):
            port = self.ports[interface]
            port.at_ns.append(high << 32 | low)
            port.direction.append(flags)
            port.data.append(body)
        else:
            self.problem(at + total, f"the packet at byte {at} is skipped: no such port or direction")

    def _mark(self, at: int, total: int, body: bytes, at_ns: int) -> None:
        fields = _mark_fields(body)
        kind = fields.pop(MARK_KEY, None) if fields is not None else None
        if fields is None or not isinstance(kind, str):
            self.problem(at + total, f"the mark at byte {at} is skipped: not the JSON text of a mark")
        elif kind == WRITTEN:
            self._vouch(at, fields)
        else:
            self.marks.append(Mark(at_ns, kind, fields))
            self.ended = self.ended or kind == "end"

    def _vouch(self, at: int, fields: dict[str, Any]) -> None:
        """Hold the bytes since the last `written` mark against what this one says of them.

        Where bytes are missing, whatever follows has moved; it is told once and then reckoned with.
        """
        begin, self._vouched = self._vouched, at
        checksum = f"{crc32(memoryview(self.data)[begin:at]):08x}"
        wanted = {"from": begin + self._missing, "to": at + self._missing, "crc32": checksum}
        if fields != wanted and self._last_problem <= begin:
            self.problem(
                at, f"bytes {begin} to {at} are damaged: a time, direction or the header, or a part is gone"
            )
        end = fields.get("to")
        self._missing = end - at if isinstance(end, int) else self._missing


def _mark_fields(body: bytes) -> dict[str, Any] | None:
    """Return the JSON object in `body`, or None; also if a number in it is no 64-bit one."""
    if len(body) > MARK_MAX:
        return None
    try:
        fields = json.loads(body, parse_constant=_refuse, parse_int=_whole, parse_float=_finite)
    except (ValueError, RecursionError):
        return None
    return fields if isinstance(fields, dict) else None


def _whole(text: str) -> int:
    number = int(text)
    return number if -WHOLE_MOST <= number <= WHOLE_MOST else _refuse("beyond 64 bits")


def _finite(text: str) -> float:
    number = float(text)
    return number if math.isfinite(number) else _refuse("beyond 64 bits")
