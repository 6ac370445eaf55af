"""How is a recording written while the bench runs? Append-only, cheaply, readable wherever it is cut short.

Packets are put together in memory and written in large pieces. After each piece stands a mark such as

    {"crc32":"63abb99d","from":0,"mark":"written","to":1052}

with the CRC-32 of the file's bytes from the mark before, inclusive, up to this one: epb_hash protects the
data of a packet, this mark also its time, direction and interface, the header, and that no piece is
missing.
"""

from __future__ import annotations

import json
from errno import EIO
from struct import Struct
from typing import Any, BinaryIO, Final
from zlib import crc32

from harness.bench.protocol import Role
from harness.codec.frames import MAX_FRAME
from harness.errors import StorageError
from harness.recording.header import to_comments
from harness.recording.model import Direction, Header
from harness.recording.pcapng import (
    FLAGS_HEAD,
    HASH_CRC32,
    HASH_HEAD,
    MARKS,
    PACKET,
    PACKET_HEAD,
    PACKET_TAIL,
    interface_block,
    interfaces,
    section_header,
)

FLUSH_BYTES: Final = 64 * 1024
"""Written at the latest when this much waits: a second or so of a busy bench."""
WRITTEN: Final = "written"
MARK_KEY: Final = "mark"
_LOW_WORD: Final = 0xFFFFFFFF


def _layout(size: int) -> Struct:
    """Return the layout of a whole packet block with so many bytes of data."""
    return Struct(f"{PACKET_HEAD.format}{size}s{-size & 3}x{PACKET_TAIL.format.lstrip('<')}")


_SHORT: Final = tuple(_layout(size) for size in range(MAX_FRAME + 1))


def mark_text(kind: str, fields: dict[str, Any]) -> bytes:
    """Return a mark as compact ASCII JSON, keys sorted; raises ValueError on NaN, infinity or key `mark`."""
    if MARK_KEY in fields:
        raise ValueError(f"a mark's field cannot be called {MARK_KEY!r}")
    text = json.dumps({MARK_KEY: kind, **fields}, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return text.encode("ascii")


class RecordingWriter:
    """Appends packets and marks to `file`, which stays open when the writer is closed.

    Times are ns on the bench's clock, not before `start_ns`, which becomes 0 in the recording. The first time
    that writing fails, the method at hand raises StorageError; after that everything is dropped, so that the
    run can still be ended safely. What was written before stays readable.
    """

    def __init__(self, file: BinaryIO, header: Header, start_ns: int) -> None:
        self._file = file
        self._start_ns = start_ns
        self._last_ns = start_ns
        kinds = interfaces(header.baud, header.beside)
        self._interface = {kind.role: number for number, kind in enumerate(kinds) if kind.role}
        self._beside = {name: len(kinds) - len(header.beside) + n for n, name in enumerate(header.beside)}
        self._parts: list[bytes] = []
        self._add = self._parts.append
        self._waiting = 0
        self._offset = 0
        self._vouched = 0
        self._digest = 0
        self._broken = False
        self._begin(header)

    def _begin(self, header: Header) -> None:
        application = f"propsoff {dict(header.versions).get('propsoff', '')}".strip()
        self._append(section_header(application, to_comments(header)))
        for kind in interfaces(header.baud, header.beside):
            speed = header.baud[kind.role] if kind.role else 0
            self._append(interface_block(kind, offset_seconds=header.wall_seconds, bits_per_second=speed))
        self.flush()

    def packet(self, role: Role, direction: Direction | int, data: bytes, at_ns: int) -> None:
        """Add a frame, or the bytes that stood in its place, as seen on the port of `role` at `at_ns`."""
        self._packet(self._interface[role], direction, data, at_ns)

    def beside(self, name: str, to_device: bool, data: bytes, at_ns: int) -> None:
        """Add bytes that crossed a port which is only recorded; `name` is one of the header's `beside`."""
        direction = Direction.TO_DEVICE if to_device else Direction.TO_PC
        self._packet(self._beside[name], direction, data, at_ns)

    def mark(self, at_ns: int, kind: str, /, **fields: Any) -> None:
        """Add a mark; the fields are JSON values and none is called `mark`."""
        self._packet(MARKS, 0, mark_text(kind, fields), at_ns)

    def flush(self) -> None:
        """Hand what waits to the operating system, which keeps it should this process be killed."""
        if not self._waiting:
            return
        data = self._take()
        begin, end = self._vouched, self._offset + len(data)
        fields = {"from": begin, "to": end, "crc32": f"{crc32(data, self._digest):08x}"}
        self._packet(MARKS, 0, mark_text(WRITTEN, fields), self._last_ns)
        mark = self._take()
        self._vouched, self._digest = end, crc32(mark)
        self._write(data + mark)

    def close(self) -> None:
        """Flush. May be called twice."""
        self.flush()

    def _packet(self, interface: int, direction: int, data: bytes, at_ns: int) -> None:
        size = len(data)
        layout = _SHORT[size] if size <= MAX_FRAME else _layout(size)
        total = layout.size
        at = at_ns - self._start_ns
        self._last_ns = at_ns
        self._add(
            layout.pack(
                PACKET, total, interface, at >> 32, at & _LOW_WORD, size, size, data,
                FLAGS_HEAD, direction, HASH_HEAD, HASH_CRC32, crc32(data), 0, total,
            )
        )  # fmt: skip
        self._waiting += total
        if self._waiting >= FLUSH_BYTES:
            self.flush()

    def _append(self, data: bytes) -> None:
        self._add(data)
        self._waiting += len(data)

    def _take(self) -> bytes:
        data = b"".join(self._parts)
        self._parts.clear()
        self._waiting = 0
        return data

    def _write(self, data: bytes) -> None:
        if self._broken:
            return
        try:
            _write_all(self._file, data)
        except OSError as error:
            self._broken = True
            raise self._storage_error(error) from error
        self._offset += len(data)

    def _storage_error(self, error: OSError) -> StorageError:
        name = getattr(self._file, "name", "the recording")
        reason = error.strerror or str(error)
        return StorageError(
            f"{name}: cannot write the recording beyond byte {self._offset}: {reason}; free some space or "
            "choose another folder with --out; what was written so far can still be read"
        )


def _write_all(file: BinaryIO, data: bytes) -> None:
    """An unbuffered file may take only a part at a time."""
    view = memoryview(data)
    while view:
        written = file.write(view)
        if not written:
            raise OSError(EIO, "nothing more could be written")
        view = view[written:]
    file.flush()
