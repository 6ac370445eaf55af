"""Did the outputs follow the sticks? For each channel what its output had to be, and what it was, over time.

The stick is what the PC commanded, as the pulse that the output must show; the output is what the receiver
reported, of packets and of failsafe alike, or what a witness timed on its pin.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from harness.bench.protocol import Role
from harness.codec import messages as wire
from harness.escape import clean
from harness.measure.arrays import Flags, Floats, Ints, ints
from harness.measure.delivery import LOST_NS, packet_fates
from harness.measure.evidence import Evidence
from harness.measure.pins import Pulses, read_pulses
from harness.plan.model import Channel
from harness.plan.wording import many
from harness.plots.model import Axis, Picture, Plot, Rule, Series, Span, Symbol
from harness.plots.occasions import spans_of, steps_of
from harness.plots.view import View, held

MOST: Final = 16
NAME_MAX: Final = 40


class Outputs(NamedTuple):
    """Every report of the outputs in order of time: `us` is (n, channels), NaN where a report said nothing.

    A row of NaN stands where the receiver was away and nobody knows.
    """

    at_ns: Ints
    us: Floats


class _Missed(NamedTuple):
    """Lost and late packets: when sampled, and the row of the sticks that they carried, -1 for none."""

    at_ns: Ints
    sticks_row: Ints
    arrived: Flags


def draw(view: View) -> tuple[Picture, ...]:
    """Return a plot for each channel of the plan; none if there are neither sticks nor outputs."""
    evidence = view.evidence
    sticks, outputs = _commanded(evidence), read_outputs(evidence)
    if not len(sticks.at_ns) and not len(outputs.at_ns):
        return ()
    sticks_s, outputs_s = view.seconds(sticks.at_ns), view.seconds(outputs.at_ns)
    missed = _missed(view)
    pulses = read_pulses(evidence) if Role.WITNESS in evidence.heard else None
    spans, steps = spans_of(view), steps_of(view)
    plots = []
    for number, channel in enumerate(evidence.plan.link.channels[:MOST]):
        given = (
            _steps(view, "stick", sticks_s, sticks, number),
            _steps(view, "output", outputs_s, outputs, number),
            *_witnessed(view, pulses, number),
            *_marks(view, missed, number, channel),
        )
        shown = tuple(series for series in given if len(series.x))
        plots.append(_plot(number, channel, shown, spans, steps))
    return tuple(plots)


def _plot(
    number: int,
    channel: Channel,
    shown: tuple[Series, ...],
    spans: tuple[Span, ...],
    steps: tuple[Rule, ...],
) -> Plot:
    name = clean(channel.name, NAME_MAX)
    return Plot(
        f"sticks-{number + 1}", f"{name}: stick and output", _about(name, shown), Axis("time", "s"),
        Axis("pulse", "us"), shown, spans, steps,
        "" if shown else "Nothing of this channel was seen here.",
    )  # fmt: skip


def read_outputs(evidence: Evidence) -> Outputs:
    """Return what the receiver said of its outputs, in order of time."""
    applied, changes = evidence.applied, evidence.changes
    away_ns = evidence.heard[Role.RECEIVER].restarts[:, 0]
    channels = len(evidence.plan.link.channels)
    at_ns = np.concatenate((applied.at_ns, changes.at_ns, away_ns))
    order = np.argsort(at_ns, kind="stable")
    us = np.full((len(at_ns), channels), np.nan)
    first = 0
    for table in (applied, changes):
        width = min(channels, table.outputs_us.shape[1])
        part = us[first : first + len(table), :width]
        part[:] = table.outputs_us[:, :width]
        if len(table) and int(table.channels.min()) < width:
            part[np.arange(width) >= table.channels[:, None]] = np.nan
        first += len(table)
    return Outputs(at_ns[order], us[order])


def _commanded(evidence: Evidence) -> Outputs:
    """Return the sticks as they were handed to the transmitter; a gap where it was let go."""
    told, sticks = evidence.told[Role.TRANSMITTER], evidence.sticks
    enders = (wire.Release, wire.Restart, wire.RestartAt)
    over = ints([note.at_ns for note in told.others if isinstance(note.message, enders)])
    at_ns = np.concatenate((sticks.at_ns, over))
    us = np.full((len(at_ns), sticks.outputs_us.shape[1]), np.nan)
    us[: len(sticks.at_ns)] = np.where(sticks.outputs_us < 0, np.nan, sticks.outputs_us)
    order = np.argsort(at_ns, kind="stable")
    return Outputs(at_ns[order], us[order])


def _missed(view: View) -> _Missed:
    fates, sent = packet_fates(view.evidence, view.during), view.evidence.sent
    rows = fates.row[fates.lost]
    seen = view.sees(sent.at_ns[rows])
    rows, arrived = rows[seen], (fates.latency_ns[fates.lost] != LOST_NS)[seen]
    return _Missed(sent.at_ns[rows], sent.sticks_row[rows], arrived)


def _steps(view: View, name: str, at_s: Floats, outputs: Outputs, number: int) -> Series:
    at_s, us = held(at_s, outputs.us[:, number], view)
    return Series(name, at_s, us, "steps", "one" if name == "stick" else "two")


def _witnessed(view: View, pulses: Pulses | None, number: int) -> list[Series]:
    """Return the pulses that a witness timed on the channel's pin."""
    if pulses is None:
        return []
    mine = np.flatnonzero((pulses.channel == number) & view.sees(pulses.fall_ns))
    mine = mine[np.argsort(pulses.fall_ns[mine], kind="stable")]
    at_s = view.seconds(pulses.fall_ns[mine])
    return [Series("pin, by the witness", at_s, pulses.width_us[mine], "dots", "three")]


def _marks(view: View, missed: _Missed, number: int, channel: Channel) -> list[Series]:
    """Return marks at the sampling times of lost and of late packets, at the pulse that they carried."""
    carried, commanded = missed.sticks_row, view.evidence.sticks.outputs_us
    us = np.full(len(carried), float(channel.output_us(channel.rest_us)))
    if len(commanded):
        asked = commanded[np.maximum(carried, 0), number]
        us = np.where((carried >= 0) & (asked >= 0), asked, us)
    symbols: tuple[tuple[str, Flags, Symbol], ...] = (
        ("lost packet", ~missed.arrived, "cross"),
        ("late packet", missed.arrived, "triangle"),
    )
    return [
        Series(
            name, view.seconds(missed.at_ns[chosen]), us[chosen], "dots", "bad", symbol,
            keep=np.ones(int(chosen.sum()), dtype=np.bool_),
        )
        for name, chosen, symbol in symbols
    ]  # fmt: skip


def _about(name: str, shown: tuple[Series, ...]) -> str:
    """Tell the range of each line, and how many packets are marked."""
    told = []
    for series in shown:
        if series.keep is not None:
            told.append(f"{many(len(series.x), series.name)} marked")
        elif not np.isnan(series.y).all():
            told.append(f"{series.name} {np.nanmin(series.y):.0f} us to {np.nanmax(series.y):.0f} us")
    return f"{name} over time: {', '.join(told)}." if told else f"{name}: nothing was seen here."


__all__ = ["Outputs", "draw", "read_outputs"]
