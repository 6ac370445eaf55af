"""What does a device say that sends binary records? Each whole one by the rig's layouts.

    sync | length u8 if the rig says so | id u8 if there is one | fields | checksum

The length counts the bytes between it and the checksum, and must be that of the record. Where no record
begins, the reader goes on one byte further: no junk is looked at more often than there are kinds of records,
and each look costs at most `MAX_RECORD` bytes.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Mapping, Sequence
from typing import Final, NamedTuple

from harness.devices.checksums import CHECKSUMS, Order
from harness.devices.kind import Item, Lost
from harness.devices.patterns import PatternError, named
from harness.devices.reports import Report, Reports
from harness.devices.templates import INTEGERS

MAX_RECORD: Final = 128
MAX_SYNC: Final = 4
PAD: Final = "skip"
"""A byte that means nothing here: `skip u8`."""


class Layout(NamedTuple):
    """How one kind of record looks behind the sync bytes: `names` go with the numbers of `body`."""

    report: Report
    identifier: int | None
    body: struct.Struct
    names: tuple[str, ...]


class Framing(NamedTuple):
    """What all records of a device have in common."""

    sync: bytes
    has_length: bool
    checksum: str
    order: Order
    over_sync: bool


def layout_of(
    report: Report, identifier: int | None, fields: Sequence[str], allowed: Sequence[str]
) -> Layout:
    """Return the layout that fields such as `packet u16le` describe; raises PatternError."""
    orders, codes, names = set(), "", []
    for field in fields:
        name, _, kind = " ".join(field.split()).rpartition(" ")
        if kind not in INTEGERS:
            raise PatternError(f"'{field}' has no type; write one of {', '.join(INTEGERS)} behind the name")
        if name not in allowed and name != PAD:
            raise PatternError(f"unknown field '{name}'; fields here: {named([*allowed, PAD])}")
        if name == "packet" and INTEGERS[kind].size < 2:
            raise PatternError("packet numbers must have 16 bits or more; write `skip u8` for shorter ones")
        layout = INTEGERS[kind].format
        if INTEGERS[kind].size > 1:
            orders.add(layout[0])
        codes += layout[1]
        names.append(name)
    if len(orders) > 1:
        raise PatternError("both byte orders in one record; a firmware has one of them")
    real = [name for name in names if name != PAD]
    if len(set(real)) < len(real):
        raise PatternError("a field stands in it twice")
    body = struct.Struct((orders.pop() if orders else "<") + codes)
    if body.size > MAX_RECORD:
        raise PatternError(f"{body.size} bytes of fields; a record may have {MAX_RECORD}")
    return Layout(report, identifier, body, tuple(names))


class RecordReader:
    """Reads one device's records; holds less than one record between two calls."""

    def __init__(self, framing: Framing, layouts: Sequence[Layout], reports: Reports) -> None:
        self._framing = framing
        self._layouts = layouts
        self._reports = reports
        self._sum = CHECKSUMS[framing.checksum]
        self._rest = b""
        self._junk = 0
        self._seen = False
        self.longest = max(self.size(layout) for layout in layouts)

    def size(self, layout: Layout) -> int:
        """Return the bytes of a whole record."""
        return len(self._framing.sync) + self._head(layout) + layout.body.size + self._sum.size

    def _head(self, layout: Layout) -> int:
        return int(self._framing.has_length) + int(layout.identifier is not None)

    def heard(self, data: bytes, at_ns: int) -> list[Item]:
        """Return what the records that these bytes complete say."""
        items: list[Item] = []
        for layout, values in self._records(self._rest + data):
            if self._junk and self._seen and not self._reports.counted:
                items.append(Lost())
            self._junk, self._seen = 0, True
            items += self._reports.items(layout.report, values, at_ns)
        return items

    def _records(self, data: bytes) -> Iterator[tuple[Layout, Mapping[str, int]]]:
        """Yield each whole record; what may be the beginning of one is kept."""
        sync, at, size = self._framing.sync, 0, len(data)
        while True:
            begin = data.find(sync, at)
            if begin < 0:
                keep = _half(data[max(at, size - len(sync) + 1) :], sync)
                self._junk += size - at - len(keep)
                self._rest = keep
                return
            self._junk += begin - at
            found = self._record_at(data, begin)
            if found is None:
                self._rest = data[begin:]
                return
            layout, step = found
            if layout is None:
                self._junk += 1
            else:
                yield layout, self._values(data, begin, layout)
            at = begin + step

    def _record_at(self, data: bytes, begin: int) -> tuple[Layout | None, int] | None:
        """Return the record that begins here and its size; no record is one byte; None if more must come."""
        waits = False
        for layout in self._layouts:
            end = begin + self.size(layout)
            if not self._head_fits(data, begin, layout):
                continue
            if end > len(data):
                waits = True
            elif self._is_whole(data, begin, end):
                return layout, end - begin
        return None if waits else (None, 1)

    def _head_fits(self, data: bytes, begin: int, layout: Layout) -> bool:
        """Return whether length and identifier are those of this record, as far as they have come."""
        at = begin + len(self._framing.sync)
        wanted = bytearray()
        if self._framing.has_length:
            wanted.append(layout.body.size + int(layout.identifier is not None))
        if layout.identifier is not None:
            wanted.append(layout.identifier)
        return data[at : at + len(wanted)] == wanted[: max(0, len(data) - at)]

    def _is_whole(self, data: bytes, begin: int, end: int) -> bool:
        first = begin if self._framing.over_sync else begin + len(self._framing.sync)
        split = end - self._sum.size
        return int.from_bytes(data[split:end], self._framing.order) == self._sum.of(data[first:split])

    def _values(self, data: bytes, begin: int, layout: Layout) -> dict[str, int]:
        at = begin + len(self._framing.sync) + self._head(layout)
        values = dict(zip(layout.names, layout.body.unpack_from(data, at), strict=True))
        values.pop(PAD, None)
        return values


def _half(tail: bytes, sync: bytes) -> bytes:
    """Return the end of `tail` that may be the beginning of the sync bytes."""
    for size in range(min(len(tail), len(sync) - 1), 0, -1):
        if sync.startswith(tail[-size:]):
            return tail[-size:]
    return b""
