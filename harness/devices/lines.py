"""What does a device say that prints lines of text? Each line by the rig's patterns, the rest is counted.

A line that fits no pattern may have been a report that noise spoiled, so it counts as one missing report;
what the firmware prints beside its reports is named in the rig under `ignore`. A line longer than `MAX_LINE`
bytes is given up, and everything up to the next line end with it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from harness.devices.kind import MAX_PRINTED, Item, Lost, Printed
from harness.devices.patterns import Pattern
from harness.devices.reports import Report, Reports

MAX_LINE: Final = 512
MAX_SHOWN: Final = 20
"""Lines without a meaning that are shown; all of them are counted."""


class LineReader:
    """Reads one device's lines; holds at most `MAX_LINE` bytes between two calls."""

    def __init__(
        self, patterns: Sequence[tuple[Report, Pattern]], ignored: Sequence[Pattern], reports: Reports
    ) -> None:
        self._patterns = patterns
        self._ignored = ignored
        self._reports = reports
        self._rest = b""
        self._skipping = True  # the port was opened in the middle of a line
        self._shown = 0

    def heard(self, data: bytes, at_ns: int) -> list[Item]:
        """Return what the lines that these bytes complete say."""
        items: list[Item] = []
        for line in self._lines(data):
            self._take(line, at_ns, items)
        return items

    def _lines(self, data: bytes) -> Iterator[bytes]:
        """Yield each line that ends in `data` and whose beginning was there, cut off above `MAX_LINE`."""
        *lines, rest = (self._rest + data).replace(b"\r", b"\n").split(b"\n")
        for line in lines:
            if not self._skipping:
                yield line[: MAX_LINE + 1]
            self._skipping = False
        if len(rest) > MAX_LINE:
            if not self._skipping:
                self._skipping = True
                yield rest[: MAX_LINE + 1]
            rest = b""
        self._rest = rest

    def _take(self, line: bytes, at_ns: int, items: list[Item]) -> None:
        if not line.strip(b" \t"):
            return
        values: Mapping[str, int] | None
        for kind, pattern in self._patterns if len(line) <= MAX_LINE else ():
            if (values := pattern.values(line)) is not None:
                items += self._reports.items(kind, values, at_ns)
                return
        if not any(pattern.values(line) is not None for pattern in self._ignored):
            if not self._reports.counted:
                items.append(Lost())
            if self._shown < MAX_SHOWN:
                self._shown += 1
                items.append(Printed(shown(line)))


def shown(data: bytes) -> str:
    """Return untrusted bytes as printable ASCII, at most `MAX_PRINTED` characters."""
    return "".join(chr(byte) if 32 <= byte < 127 else "?" for byte in data[:MAX_PRINTED])
