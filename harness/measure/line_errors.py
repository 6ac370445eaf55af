"""What did the system itself count as gone wrong on the serial lines? As the recording's marks tell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from harness.recording.model import Mark

MARK = "line errors"


def read_line_errors(marks: Sequence[Mark]) -> Mapping[str, Mapping[str, int]]:
    """Return the counts of each port by the end of the run, zeros too: role, name, count.

    Ports whose driver does not count are not in it; odd marks are passed over.
    """
    found: dict[str, dict[str, int]] = {}
    for mark in marks:
        counts = mark.fields.get("counts")
        if mark.kind == MARK and isinstance(counts, dict):
            known = {str(name): count for name, count in counts.items() if type(count) is int}
            found[str(mark.fields.get("role", ""))] = known
    return found


def trouble(counts: Mapping[str, int]) -> str:
    """Return what is not zero, in words: `3 overruns, 1 framing errors`."""
    return ", ".join(f"{count} {name}" for name, count in sorted(counts.items()) if count)
