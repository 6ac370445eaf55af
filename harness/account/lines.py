"""How were the serial lines served? How late messages left, what each port was, and what went wrong on it.

Of real ports only: simulated ones are never late. All of it comes from the recording, marks and facts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from harness.bench.promptness import refusals
from harness.bench.protocol import Role
from harness.clock import MS, US
from harness.escape import clean
from harness.findings import Cell, Figure, Grid, Section
from harness.lateness import MARK, Lateness, all_together, read_lateness
from harness.measure.evidence import Evidence
from harness.measure.line_errors import read_line_errors, trouble
from harness.recording.model import Header

TITLE: Final = "Serial lines and timing"
MOST_ROWS: Final = 40
MOST_STEPS: Final = 10_000
"""Steps that are counted apart; a plan has fewer, a damaged recording may name any number."""
GOAL_NS: Final = 500 * US
"""What an idle machine keeps to, at 250 stick positions a second with the display on (measured)."""
OF_THE_BENCH: Final = ("reading", "timer slack", "scheduling", "memory")
"""Facts of the whole bench that have to do with timing."""


def account(evidence: Evidence) -> Section | None:
    """Return what is known of the lines and of the time at which messages left; None of a simulation."""
    lines = Lines()
    lines.take(evidence)
    return lines.section()


class Lines:
    """What is kept of one round after the other, in memory that does not grow with their number."""

    def __init__(self) -> None:
        self._header: Header | None = None
        self._roles: tuple[Role, ...] = ()
        self._period_ns = 0
        self._steps: dict[str, Lateness] = {}
        self._errors: dict[str, Mapping[str, int]] = {}

    def take(self, evidence: Evidence) -> None:
        """Take in a round, or a whole run."""
        self._header, self._roles = evidence.recording.header, tuple(evidence.heard)
        self._period_ns = evidence.plan.link.packet_period_ns
        for mark in evidence.recording.marks:
            late = read_lateness(mark.fields) if mark.kind == MARK else None
            if late is not None:
                path = str(mark.fields.get("path", ""))
                if path not in self._steps and len(self._steps) >= MOST_STEPS:
                    path = "others"
                known = self._steps.get(path)
                self._steps[path] = late if known is None else all_together((known, late))
        self._errors.update(read_line_errors(evidence.recording.marks))

    def section(self) -> Section | None:
        """Return what all of it comes to; None of a simulation."""
        if self._header is None or self._header.clock == "virtual":
            return None
        facts = self._header.facts
        whole = all_together(self._steps.values())
        grids = [_steps(self._steps)] if whole.count else []
        grids.append(_ports(facts, self._roles))
        if self._errors:
            grids.append(_errors(self._errors))
        notes = (*_lateness_notes(whole, self._period_ns), *_notes(facts, self._roles, self._errors))
        return Section("lines", TITLE, tuple(_figures(whole)), tuple(grids), notes)


def _figures(whole: Lateness) -> Iterator[Figure]:
    if not whole.count:
        return
    how = "from when it was due to when it was handed to the port"
    yield Figure("messages sent at a planned time", whole.count, "messages")
    yield Figure("late, half of them, at most", whole.quantile_ns(0.5) / US, "us", note=how)
    yield Figure("late, 99 % of them, at most", whole.quantile_ns(0.99) / US, "us")
    yield Figure("latest of all", whole.most_ns / US, "us")
    if whole.left_out:
        yield Figure("stick positions left out, the next one was due", whole.left_out, "messages")


def _steps(together: Mapping[str, Lateness]) -> Grid:
    """Tell of the steps with the latest messages, in the order in which they were played."""
    worst = sorted(together, key=lambda path: -together[path].most_ns)[:MOST_ROWS]
    rows: list[tuple[Cell, ...]] = [
        (path, late.count, late.quantile_ns(0.5) / US, late.quantile_ns(0.99) / US, late.most_ns / US,
         late.left_out)
        for path, late in together.items() if path in worst
    ]  # fmt: skip
    more = len(together) - len(rows)
    return Grid(
        "How late messages left", ("step", "messages", "half us", "99 % us", "latest us", "left out"),
        tuple(rows), note=f"{more} steps whose messages left sooner are not shown" if more else "",
    )  # fmt: skip


def _ports(facts: Mapping[str, str], roles: Sequence[Role]) -> Grid:
    """Tell what the system says of each port: adapter, latency timer, buffers, and how the bench was run."""
    rows: list[tuple[Cell, ...]] = []
    for role in roles:
        start = f"{role.value} "
        rows += [
            (role.value, clean(name.removeprefix(start)), clean(told))
            for name, told in sorted(facts.items())
            if name.startswith(start)
        ]
    rows += [("bench", name, clean(facts[name])) for name in OF_THE_BENCH if name in facts]
    return Grid("What the system says of the ports", ("port", "what", "told"), tuple(rows[:MOST_ROWS]))


def _errors(errors: Mapping[str, Mapping[str, int]]) -> Grid:
    rows: list[tuple[Cell, ...]] = [
        (clean(role), clean(name), count)
        for role, counts in errors.items()
        for name, count in sorted(counts.items())
    ]
    return Grid(
        "Counted on the lines since they were opened", ("port", "what", "count"), tuple(rows[:MOST_ROWS])
    )


def _notes(
    facts: Mapping[str, str], roles: Sequence[Role], errors: Mapping[str, Mapping[str, int]]
) -> Iterator[str]:
    yield from (f"Not granted: {line}." for line in refusals(facts))
    for role, counts in errors.items():
        if told := clean(trouble(counts)):
            yield (
                f"The system itself saw trouble on the {clean(role)}'s line: {told}. Serial messages that "
                "are missing there may have been lost on the way to the PC, not by the device's firmware."
            )
    for role in roles:
        timer = facts.get(f"{role.value} latency timer", "")
        if "could not be lowered" in timer:
            yield (
                f"The {role.value}'s adapter holds bytes back for its latency timer ({clean(timer)}): every "
                "arrival may be late by that, and the clock map allows for it."
            )


def _lateness_notes(whole: Lateness, period_ns: int) -> Iterator[str]:
    """Say what late messages meant for this plan: one packet period late, and another packet carries them."""
    if not whole.count:
        return
    p99_ns = whole.quantile_ns(0.99)
    if whole.left_out or p99_ns > period_ns:
        yield (
            "This machine did not always keep up with the plan: a stick position is meant for one packet, "
            f"which leaves every {period_ns / MS:.3g} ms, but some left later than that, or were left out. "
            "Close other programs, or try --real-time. Verdicts go by when messages were really sent."
        )
    elif whole.most_ns > period_ns:
        yield (
            f"At least one message left more than a packet period ({period_ns / MS:.3g} ms) late and so went "
            "out with a later packet than planned. Verdicts go by when messages were really sent."
        )
    elif p99_ns > GOAL_NS:
        yield (
            "The machine was busy: 1 % of messages or more left over 0.5 ms late. The plan does not need "
            "better; verdicts go by when messages were really sent."
        )


__all__ = ["account"]
