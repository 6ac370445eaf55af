"""What does each channel do to its stick, and how quiet is it at rest? Tables beside the fidelity checks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from harness.clock import S
from harness.findings import Cell, Grid, Section, percent
from harness.measure.channels import RUNS_SHOWN, ChannelFigures, CrossTalk, channel_figures, cross_talk
from harness.measure.evidence import Evidence
from harness.measure.fidelity import Glitch, Report, around, deviations, glitches
from harness.measure.noise import MAINS_HZ, Hum, hum, noise, rest_samples

CONFIDENCE: Final = 0.95
GLITCHES_SHOWN: Final = 10
FEWEST_PAIRS: Final = 8
"""Neighbouring stick values, each seen in two packets, below which nothing is said of order."""
DEAD_SHARE: Final = 0.0005
"""Below this a share is shown as 0, and not as -0.0."""


def account(evidence: Evidence) -> Section | None:
    """Return the section, or None if no packet carried commanded sticks or the transmitter's own."""
    grids = (*_commanded(evidence), *_glitched(evidence), *_at_rest(evidence))
    return Section("fidelity", "Sticks and outputs", grids=grids) if grids else None


def _commanded(evidence: Evidence) -> list[Grid]:
    found = deviations(evidence)
    if not len(found.row):
        return []
    names = [channel.name for channel in evidence.plan.link.channels]
    figures = [
        channel_figures(found, number, about) for number, about in enumerate(evidence.plan.link.channels)
    ]
    return [
        _lines(names, figures),
        _values(names, figures),
        *_missing(names, figures),
        *_mixing(names, cross_talk(found)),
    ]


def _lines(names: Sequence[str], figures: Sequence[ChannelFigures]) -> Grid:
    return Grid(
        "Each channel's line",
        ("channel", "packets", "offset us", "+- us", "gain", "+-", "spread us", "worst us"),
        tuple(_line(name, one) for name, one in zip(names, figures, strict=True)),
        "output = gain (stick - centre) + centre + offset by least squares; +- is one standard error",
    )


def _line(name: str, one: ChannelFigures) -> tuple[Cell, ...]:
    line = one.line
    if line is None:
        return name, 0, None, None, None, None, None, "not reported"
    gain = (None, None) if line.gain is None or line.gain_error is None else (line.gain, line.gain_error)
    return (
        name, line.packets, _round(line.offset_us), _round(line.offset_error_us), _round(gain[0], 5),
        _round(gain[1], 5), _round(line.spread_us), "not reported" if one.worst_us is None else one.worst_us,
    )  # fmt: skip


def _values(names: Sequence[str], figures: Sequence[ChannelFigures]) -> Grid:
    return Grid(
        "Each channel's values",
        (
            "channel",
            "values sent",
            "values shown",
            "never came",
            "steps merged",
            "monotonic",
            "clipped at us",
        ),
        tuple(_value(name, one) for name, one in zip(names, figures, strict=True)),
        "values count in steps of the declared resolution",
    )


def _value(name: str, one: ChannelFigures) -> tuple[Cell, ...]:
    steps = one.steps
    monotonic = "yes" if steps.back is None else f"no: back at {steps.back.stick_us[1]} us"
    if one.line is None or one.line.gain is None:
        monotonic = "never moved"
    elif steps.compared < FEWEST_PAIRS:
        monotonic = "not told"
    elif one.line.gain < 0:
        monotonic += ", reversed"
    low, high = one.clipped_us
    clipped = " and ".join(str(end) for end in (low, high) if end is not None)
    return name, steps.sent, steps.shown, steps.never, steps.merged, monotonic, clipped or None


def _missing(names: Sequence[str], figures: Sequence[ChannelFigures]) -> list[Grid]:
    rows = [
        (name, first, last, count)
        for name, one in zip(names, figures, strict=True)
        for first, last, count in one.steps.missing[:RUNS_SHOWN]
    ]
    if not rows:
        return []
    more = sum(max(0, len(one.steps.missing) - RUNS_SHOWN) for one in figures)
    note = f"{more} more runs are not shown" if more else ""
    return [
        Grid("Values that never came out", ("channel", "from us", "to us", "values"), tuple(rows), note),
    ]


def _mixing(names: Sequence[str], found: CrossTalk) -> list[Grid]:
    told = [stick for stick in range(len(names)) if found.told(stick)]
    if not told:
        return []
    rows = tuple(
        (name, *(_part(share[stick]) for stick in range(len(names))))
        for name, share in zip(names, found.share, strict=True)
    )
    worst = max(error for row in found.error for error in row if error is not None)
    silent = [names[stick] for stick in range(len(names)) if stick not in told]
    note = f"us of output for each us of stick, the largest standard error {worst:.5f}"
    if silent:
        note += f"; {', '.join(silent)} did not move enough by itself to tell"
    return [Grid("How much of each stick each output shows", ("output", *names), rows, note)]


def _part(share: float | None) -> Cell:
    return "not told" if share is None else 0.0 if abs(share) < DEAD_SHARE else round(share, 3)


def _glitched(evidence: Evidence) -> list[Grid]:
    found = glitches(evidence)
    if not found:
        return []
    rows = tuple(_glitch(evidence, one) for one in found[:GLITCHES_SHOWN])
    heads = ("at s", "kind", "channel", "packet before", "glitch", "packet after")
    more = len(found) - len(rows)
    return [Grid("Glitches", heads, rows, f"{more} more are not shown" if more else "outputs in us")]


def _glitch(evidence: Evidence, one: Glitch) -> tuple[Cell, ...]:
    before, shown, after = around(evidence, one)
    channels = [one.channel] if one.channel >= 0 else _changed(before, shown)
    names = [channel.name for channel in evidence.plan.link.channels]
    told = ", ".join(names[channel] for channel in channels if channel < len(names))
    at_s = round((one.at_ns - evidence.run.start_ns) / S, 6)
    return (at_s, one.kind, told or "all", *(_shown(report, channels) for report in (before, shown, after)))


def _changed(before: Report | None, shown: Report | None) -> list[int]:
    if before is None or shown is None:
        return []
    pairs = zip(before.outputs_us, shown.outputs_us, strict=False)
    return [channel for channel, (old, new) in enumerate(pairs) if old != new]


def _shown(report: Report | None, channels: Sequence[int]) -> str:
    if report is None:
        return "none"
    outputs = [report.outputs_us[channel] for channel in channels if channel < len(report.outputs_us)]
    told = " ".join(str(output) for output in outputs or report.outputs_us)
    return told if report.packet is None else f"{told} (packet {report.packet})"


def _at_rest(evidence: Evidence) -> list[Grid]:
    samples = rest_samples(evidence)
    channels = evidence.plan.link.channels
    resolution = tuple(channel.resolution_us for channel in channels)
    found = noise(samples, CONFIDENCE, resolution)
    if not found:
        return []
    names = [channel.name for channel in channels]
    rows = tuple(
        (
            name, _round(one.mean_us, 2), _round(one.drift_us_s), _round(one.rms_us),
            _round(one.rms_limits_us[0]), _round(one.rms_limits_us[1]), _round(one.peak_to_peak_us, 1),
        )
        for name, one in zip(names, found, strict=True)
    )  # fmt: skip
    heads = ("channel", "mean us", "drift us/s", "RMS us", "at least", "at most", "peak to peak us")
    note = f"{len(samples)} packets; limits one-sided at {percent(CONFIDENCE)}; drift is taken out first"
    rest = Grid("The transmitter's own sticks at rest", heads, rows, note)
    tried = [hum(samples, mains_hz, CONFIDENCE, resolution) for mains_hz in MAINS_HZ]
    hums = [one for one in tried if one is not None]
    return [rest, _hums(names, hums)] if hums else [rest]


def _hums(names: Sequence[str], hums: Sequence[Hum]) -> Grid:
    rows = tuple((name, *(cell for one in hums for cell in _hum(one, n))) for n, name in enumerate(names))
    heads = [head for one in hums for head in (f"{one.mains_hz:g} Hz us", "at most us")]
    notes = [f"amplitudes; limits one-sided at {percent(CONFIDENCE)}"]
    for one in hums:
        if one.told == "no":
            notes.append(
                f"at this packet rate {one.mains_hz:g} Hz shows as {one.seen_at_hz:.2f} Hz and cannot be "
                "told from drift"
            )
        elif one.told != "yes":
            notes.append(
                f"at this packet rate {one.mains_hz:g} Hz cannot be told from {one.seen_at_hz:.2f} Hz"
            )
    return Grid("Mains hum in them", ("channel", *heads), rows, "; ".join(notes))


def _hum(found: Hum, channel: int) -> tuple[Cell, Cell]:
    if found.told == "no":
        return "not told", None
    return _round(found.amplitude_us[channel], 2), _round(found.limits_us[channel][1], 2)


def _round(value: float | None, places: int = 3) -> Cell:
    return None if value is None else round(value, places) + 0.0
