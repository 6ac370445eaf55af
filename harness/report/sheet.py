"""Which words stand where in the live view? Rows of parts for one snapshot and one size, each with its rank.

From `WIDE` columns on the channels stand beside the link, below `NARROW` rows say less. Times, shares
and counts have places of their own, so that nothing moves but what changes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from rich.cells import cell_len, set_cell_size

from harness.clock import MS, S
from harness.report.glyphs import Glyphs, bar, delivery_trend, round_top_ns, time_trend
from harness.report.snapshot import Alarm, ChannelFace, LineState, Readings, Snapshot
from harness.report.times import clock_words, lasted

WIDE: Final = 100
NARROW: Final = 60
LABEL: Final = 12
LABEL_NARROW: Final = 9
VALUE: Final = 23
VALUE_NARROW: Final = 9
GAP: Final = 3
ALARM_ROWS: Final = 3
ALARM_ROWS_HIGH: Final = 6
HIGH: Final = 32
NAME_MAX: Final = 14
DIM: Final = "dim"
LINK_STYLES: Final = {"searching": "yellow", "linked": "green", "lost": "red", "failsafe": "bold red"}
EXPECTED: Final = "yellow"
LINK_WORDS: Final = {"failsafe": "in failsafe"}

STICK: Final = "cyan"
OUTPUT: Final = "green"
FAILSAFE: Final = "bold red"
ALARM: Final = "bold red"

Part = tuple[str, str]
"""Text and its style."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the view; the lower its `rank`, the longer it stays on a small terminal."""

    rank: int
    parts: tuple[Part, ...] = ()
    is_channel: bool = False


class Sheet:
    """One snapshot, laid out for one size; `plain` makes foreign text fit to be shown."""

    def __init__(
        self, shot: Snapshot, width: int, height: int, glyphs: Glyphs, plain: Callable[[str], str]
    ) -> None:
        self.shot = shot
        self.width = width
        self.height = height
        self.glyphs = glyphs
        self.plain = plain
        self.label = LABEL if width >= NARROW else LABEL_NARROW

    def rows(self) -> list[Row]:
        """Return every row, from the top to the bottom."""
        rows = self._head()
        readings = self.shot.readings
        if readings is not None and self.width >= WIDE:
            left = (self.width - GAP) * 58 // 100
            right = self._link(readings, self.width - GAP - left)
            rows += [_BLANK, *_beside(self._channels(readings, left), right, left)]
        elif readings is not None:
            rows += [_BLANK, *self._link(readings, self.width), _BLANK, *self._channels(readings, self.width)]
        else:
            rows.append(self._state_row())
        rows += [Row(7), *self._alarms()]
        if self.shot.safety:
            rows.append(Row(1, ((self.plain(self.shot.safety), "bold"),)))
        return rows

    # -- the run -------------------------------------------------------------------------------------

    def _head(self) -> list[Row]:
        shot, width = self.shot, self.width
        note = self.plain(shot.note)
        title = self.plain(f"{shot.plan}: {shot.title}" if shot.title else shot.plan)
        space = max(8, width - cell_len(note) - 2) if note else width
        part, parts = shot.part
        turn = f" ({part} of {parts})" if parts > 1 else ""
        number = f"{shot.step_index + 1:{len(str(shot.steps_total))}} of {shot.steps_total}"
        step = f"{number}{turn}: {self.plain(shot.step_title)}"
        following = self.plain(shot.next_title) or "the end"
        return [
            Row(7, ((_padded(title, space), "bold"), ("  " + note if note else "", ""))),
            Row(1, (self._label("step"), (step, "bold"))),
            Row(5, (self._label("next"), (following, ""))),
            Row(1, (self._label("time"), *self._time())),
        ]

    def _time(self) -> tuple[Part, ...]:
        shot = self.shot
        left = " ".join((shot.left_word, clock_words(shot.left_ns), "left")).strip()
        words = left if self.width < NARROW else f"{clock_words(shot.elapsed_ns)} gone, {left}"
        size = self.width - self.label - (23 if self.width < NARROW else 36)
        whole = shot.elapsed_ns + shot.left_ns
        if size < 4:
            return ((words, ""),)
        filled, rest = bar(shot.elapsed_ns / whole if whole else 0.0, size, self.glyphs)
        return ((filled, ""), (rest, DIM), ("  " + words, ""))

    # -- the link ------------------------------------------------------------------------------------

    def _link(self, readings: Readings, width: int) -> list[Row]:
        """Beside the channels trends have rows of their own."""
        rows = [self._state_row()]
        stacked = self.width >= WIDE
        if stacked:
            rows.append(Row(3, (self._label("packets"), (self._counts(), ""))))
        for rank, name, value, trend in self._trends(readings):
            room = width - self.label
            if stacked:
                rows += [
                    Row(rank, (self._label(name), value)),
                    Row(rank + 1, (self._label(""), _last(trend, room))),
                ]
                continue
            space = VALUE if self.width >= NARROW else VALUE_NARROW
            shown = (_padded(value[0], space), value[1])
            rows.append(Row(rank, (self._label(name), shown, _last(trend, max(0, room - space)))))
        if self.width < NARROW:
            return rows
        top = f"{_top_ns(readings) / MS:g} ms"
        limits = (_padded(_limits(readings), VALUE), DIM)
        if stacked:
            rows.append(Row(7, (self._label(""), (f"worst of each second, 0 to {top}", DIM))))
            rows.append(Row(7, (self._label("limits"), limits)))
        else:
            axis = f"a column a second; worst latency, 0 to {top}"
            rows.append(Row(7, (self._label("limits"), limits, (axis, DIM))))
        if readings.has_telemetry:
            rows.append(Row(6, (self._label("telemetry"), (_age(readings.telemetry_ns), ""))))
        return rows + self._lines(readings.lines, stacked=stacked)

    def _state_row(self) -> Row:
        shot = self.shot
        words = LINK_WORDS.get(shot.link_state, shot.link_state)
        since = lasted(shot.link_for_ns, exact_below_s=10)
        on_purpose = ", on purpose" if shot.is_cut and shot.link_state != "linked" else ""
        state = (words, EXPECTED if on_purpose else LINK_STYLES.get(shot.link_state, ""))
        if self.width < NARROW:
            return Row(1, (self._label("link"), state, (f" {since}{on_purpose}", "")))
        since = _padded(f" for {since}", VALUE - cell_len(words))
        counts = "" if self.width >= WIDE else self._counts()
        return Row(1, (self._label("link"), state, (since, ""), (counts + on_purpose, "")))

    def _counts(self) -> str:
        return f"{self.shot.packets_sent:6} sent, {self.shot.packets_applied:6} applied"

    def _trends(self, readings: Readings) -> list[tuple[int, str, Part, Part]]:
        applied, sent = self.shot.recent_delivery
        limit, top_ns = readings.delivery_limit, readings.latency_limit_ns
        of = "" if self.width < NARROW else f" of {sent} in 5 s"
        share = f"{100 * applied / sent:5.1f} %{of}" if sent else "no packets"
        short = bool(sent and limit is not None and applied < limit * sent)
        delivered = delivery_trend(readings.delivery, self.glyphs)
        took_ns, bound_ns = readings.latency_now_ns, readings.latency_bound_ns
        bound = "" if self.width < NARROW else f" +- {bound_ns / MS:.1f}"
        time = "not known" if took_ns is None else f"{max(0, took_ns) / MS:5.1f} ms{bound}"
        long = took_ns is not None and top_ns is not None and took_ns > top_ns
        times = time_trend(readings.latency_ns, _top_ns(readings), self.glyphs)
        return [
            (2, "delivery", (share, "yellow" if short else ""), (delivered, OUTPUT)),
            (3, "latency", (time, "yellow" if long else ""), (times, STICK)),
        ]

    def _lines(self, lines: Sequence[LineState], *, stacked: bool) -> list[Row]:
        """Tell of each serial line; beside the channels what each device says it is, too."""
        if not stacked:
            words = "   ".join(f"{one.role} {_line_words(one)}" for one in lines)
            return [Row(6, (self._label("lines"), (words, "")))]
        rows = []
        for one in lines:
            rows.append(Row(6, (self._label(one.role[: LABEL - 1]), (_line_words(one), ""))))
            rows.append(Row(7, (self._label(""), (self.plain(one.identity), DIM))))
        return rows

    # -- sticks and outputs --------------------------------------------------------------------------

    def _channels(self, readings: Readings, width: int) -> list[Row]:
        names = [self.plain(one.name) for one in readings.channels]
        size = min(NAME_MAX, max((cell_len(name) for name in names), default=0))
        if self.width < NARROW:
            return [
                self._channel_narrow(readings, place, _padded(name, min(size, 12)), width)
                for place, name in enumerate(names)
            ]
        size = max(size, LABEL - 1)
        reach = max(4, (width - size - 27) // 2)
        side = reach + 6
        state = "FAILSAFE" if readings.in_failsafe else "failsafe"
        head = _padded("", size + 1) + _padded("stick, us", side + 1) + _padded("output, us", side + 1)
        rows = [Row(5, ((head, DIM), (state, FAILSAFE if readings.in_failsafe else DIM)))]
        for place, name in enumerate(names):
            rows.append(self._channel(readings, place, _padded(name, size), reach))
        return rows

    def _channel(self, readings: Readings, place: int, name: str, reach: int) -> Row:
        face = readings.channels[place]
        stick_us, output_us = _at(readings.sticks_us, place), _at(readings.outputs_us, place)
        held = readings.in_failsafe
        mark = f" {self.glyphs.here} on" if held else ""
        wanted = "hold" if face.failsafe_us is None else str(face.failsafe_us)
        own = "own" if readings.sticks_us is None else "-"
        return Row(
            3 if face.is_throttle else 4,
            (
                (name + " ", ""),
                *self._bar(face, stick_us, reach, STICK, own),
                ("  ", ""),
                *self._bar(face, output_us, reach, FAILSAFE if held else OUTPUT, "-", held=held),
                (f"  {wanted:>4}", FAILSAFE if held else DIM),
                (mark, FAILSAFE),
            ),
            is_channel=True,
        )

    def _bar(
        self,
        face: ChannelFace,
        pulse_us: int | None,
        reach: int,
        style: str,
        absent: str,
        *,
        held: bool = False,
    ) -> tuple[Part, ...]:
        if pulse_us is None:
            return ((self.glyphs.track * reach, DIM), (f" {absent:>5}", ""))
        share = (pulse_us - face.low_us) / max(1, face.high_us - face.low_us)
        filled, rest = bar(share, reach, self.glyphs, held=held)
        return ((filled, style), (rest, DIM), (f" {pulse_us:5}", ""))

    def _channel_narrow(self, readings: Readings, place: int, name: str, width: int) -> Row:
        """Only the output as a bar, and both numbers: stick, then output."""
        face = readings.channels[place]
        stick_us, output_us = _at(readings.sticks_us, place), _at(readings.outputs_us, place)
        held = readings.in_failsafe
        numbers = f"{'own' if stick_us is None else stick_us:>5}>{'-' if output_us is None else output_us:<5}"
        reach = width - cell_len(name) - 13
        shown: tuple[Part, ...] = ()
        if reach >= 4:
            style = FAILSAFE if held else OUTPUT
            shown = self._bar(face, output_us, reach, style, "-", held=held)[:-1]
        mark: Part = ("F" if held else " ", FAILSAFE)
        rank = 3 if face.is_throttle else 4
        return Row(rank, ((name + " ", ""), *shown, (numbers, ""), mark), is_channel=True)

    # -- alarms --------------------------------------------------------------------------------------

    def _alarms(self) -> list[Row]:
        """The newest of those that go on first, then those that are over; always as many rows."""
        count = ALARM_ROWS_HIGH if self.height >= HIGH else ALARM_ROWS
        every = sorted(self.shot.alarms, key=lambda one: (one.ended_ns is not None, -one.number))
        label = self._label(f"alarms {self.shot.alarms_total or ''}")
        if every and self.width < NARROW:  # words before labels
            return [Row(5 if place else 0, self._alarm(one)) for place, one in enumerate(every[:count])]
        rows = [Row(0, (label, ("none", "")))] if not every else []
        rows += [
            Row(5 if place else 0, (self._label("") if place else label, *self._alarm(one)))
            for place, one in enumerate(every[:count])
        ]
        return rows + [Row(6)] * (count - len(rows))

    def _alarm(self, one: Alarm) -> tuple[Part, ...]:
        goes_on = one.ended_ns is None
        mark, style = (self.glyphs.alarm, ALARM) if goes_on else (" ", "yellow")
        words, often = self.plain(one.words), f"{one.times}x " if one.times > 1 else ""
        head = f"{mark} {clock_words(one.begun_ns):>5} "
        if self.width < NARROW:
            return ((head + words, style),)
        tail = often + ("now" if goes_on else lasted((one.ended_ns or 0) - one.begun_ns))
        room = max(8, self.width - self.label - cell_len(head) - 12)
        return ((head + _padded(words, room), style), (f"{tail:>11}", style))

    def _label(self, word: str) -> Part:
        return _padded(word, self.label), DIM


_BLANK: Final = Row(8)


def _beside(left: Sequence[Row], right: Sequence[Row], width: int) -> list[Row]:
    """Put two columns side by side, the left one `width` cells wide."""
    rows = []
    for place in range(max(len(left), len(right))):
        one = left[place] if place < len(left) else _BLANK
        other = right[place] if place < len(right) else _BLANK
        fill = " " * (width + GAP - sum(cell_len(text) for text, _ in one.parts))
        rows.append(Row(min(one.rank, other.rank), (*one.parts, (fill, ""), *other.parts)))
    return rows


def _padded(text: str, width: int) -> str:
    return set_cell_size(text, width)


def _last(trend: Part, width: int) -> Part:
    return (trend[0][-width:] if width > 0 else "", trend[1])


def _at(pulses: tuple[int, ...] | None, place: int) -> int | None:
    return pulses[place] if pulses is not None and place < len(pulses) else None


def _limits(readings: Readings) -> str:
    share, time_ns = readings.delivery_limit, readings.latency_limit_ns
    words = [f"{100 * share:g} %"] if share is not None else []
    if time_ns is not None:
        words.append(f"{time_ns / MS:g} ms")
    return ", ".join(words) or "none in the plan"


def _top_ns(readings: Readings) -> int:
    """Return the top of the latency's scale: the limit, so that nothing moves, or what has room for all."""
    return readings.latency_limit_ns or round_top_ns(readings.latency_ns)


def _age(age_ns: int | None) -> str:
    if age_ns is None:
        return "none yet"
    return "under 1 s ago" if age_ns < S else f"{age_ns // S} s ago"


def _line_words(one: LineState) -> str:
    if not one.is_there:
        return "port gone"
    return f"{100 * one.busy:3.0f} % busy, {one.missing} missing"
