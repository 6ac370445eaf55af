"""How is a rig's description put together into a device? Raises errors that know their place in the rig."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import ParamSpec, TypeVar

from harness.bench.protocol import Role
from harness.devices.checksums import Order
from harness.devices.commands import FIELDS as COMMAND_FIELDS
from harness.devices.commands import Commands, count_channels
from harness.devices.described import DescribedDevice, Reader, lacks_of
from harness.devices.finding import make_installed
from harness.devices.keys import DeviceKeys, LineKeys, OneRecordKeys, TellKeys
from harness.devices.kind import Device, Setup
from harness.devices.lines import LineReader
from harness.devices.patterns import Pattern, PatternError, PlacedError
from harness.devices.records import MAX_SYNC, Framing, Layout, RecordReader, layout_of
from harness.devices.reports import FIELDS, OF_ROLE, YES_NO, Clock, Report, Reports
from harness.devices.scales import Scale, ScaleError, read_counts
from harness.devices.telling import Telling
from harness.devices.templates import LINE_ENDS
from harness.plan.wording import many

P = ParamSpec("P")
T = TypeVar("T")


def make_device(role: Role, keys: DeviceKeys, rest_us: tuple[int, ...]) -> Device:
    """Return the device that a rig describes or names; `rest_us` are the plan's channels at rest.

    Raises PlacedError where the description cannot be used, UserError if an installed kind does not start.
    """
    if keys.speaks in ("text", "records"):
        return make_described(role, keys, rest_us)
    return make_installed(keys.speaks, Setup(role, rest_us, dict(keys.options)))


def make_described(role: Role, keys: DeviceKeys, rest_us: tuple[int, ...]) -> DescribedDevice:
    """Return a device that speaks text or records; raises PlacedError."""
    scales = _scales(keys)
    commands = _commands(keys, scales, rest_us)
    if keys.speaks == "text":
        reader, fields, longest = _lines(role, keys, scales)
    else:
        reader, fields, longest = _records(role, keys, scales)
    unit_us, _ = _unit(fields)
    lacks = lacks_of(role, fields, sets_are_told=commands.numbers_sets)
    telling = Telling(keys.speaks, lacks, unit_us, longest, lets_go=commands.lets_go)
    shown = max([_channels(kind, given) for kind, given in fields.items()], default=0)
    shown = shown or len(rest_us)  # a receiver that shows none may still have what the plan declares
    channels = commands.channels if role is Role.TRANSMITTER else shown
    if keys.scale is None and keys.scales and len(scales) != channels:
        raise PlacedError(
            "scales", f"{many(len(scales), 'scale')} for {many(channels, 'channel')}; write one for each"
        )
    return DescribedDevice(f"speaks {keys.speaks}", reader, commands, telling, channels, keys.packet_rate_mhz)


def mistakes(role: Role, keys: DeviceKeys) -> list[PlacedError]:
    """Return everything wrong in a description of text or records; its parts first, then the whole."""
    lines, records = keys.lines or LineKeys(), keys.records
    parts: list[Callable[[], object]] = [partial(_scales, keys)]
    parts += [partial(_template, name, text, keys) for name, text in _templates(keys).items()]
    for kind in OF_ROLE[role]:
        text = getattr(lines, kind)
        if text is not None and keys.speaks == "text":
            parts.append(partial(_at, f"lines.{kind}", _pattern, kind, text))
        one = getattr(records, kind, None)
        if one is not None and keys.speaks == "records":
            parts.append(partial(_at, f"records.{kind}.fields", _layout, kind, one))
    found = [error for part in parts if (error := _error_of(part)) is not None]
    whole = None if found else _error_of(partial(make_described, role, keys, ()))
    return found if whole is None else [whole]


def _error_of(part: Callable[[], object]) -> PlacedError | None:
    try:
        part()
    except PlacedError as error:
        return error
    return None


def _at(path: str, make: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
    """Return what `make` makes; a pattern error gets the place at which it belongs."""
    try:
        return make(*args, **kwargs)
    except PlacedError:
        raise
    except (PatternError, ScaleError) as error:
        raise PlacedError(path, error) from error


def _channels(kind: str, fields: tuple[str, ...]) -> int:
    return _at(kind, count_channels, fields)


def _scales(keys: DeviceKeys) -> tuple[Scale, ...]:
    found = []
    if keys.scale is not None and keys.scales:
        raise PlacedError("scales", "both `scale` and `scales`; write one of the two")
    given = keys.scales if keys.scale is None else (keys.scale,)
    for number, one in enumerate(given):
        path = "scale.from" if keys.scale is not None else f"scales[{number}].from"
        low, high = _at(path, read_counts, one.counts)
        found.append(Scale(low, high, one.pulses.low_us, one.pulses.high_us))
    return tuple(found)


def _commands(keys: DeviceKeys, scales: tuple[Scale, ...], rest_us: tuple[int, ...]) -> Commands:
    given = _templates(keys)
    for name, text in given.items():
        _template(name, text, keys)
    return Commands(given, LINE_ENDS[_tell(keys).line_end], scales, rest_us)


def _tell(keys: DeviceKeys) -> TellKeys:
    return keys.tell or TellKeys()


def _templates(keys: DeviceKeys) -> dict[str, str]:
    """Return the templates that the rig has."""
    texts = {name: getattr(_tell(keys), name) for name in COMMAND_FIELDS}
    return {name: text for name, text in texts.items() if text is not None}


def _template(name: str, text: str, keys: DeviceKeys) -> Commands:
    """Return commands of one template alone: raises PlacedError if it cannot be used."""
    return _at(f"tell.{name}", Commands, {name: text}, LINE_ENDS[_tell(keys).line_end], (), ())


Fields = dict[str, tuple[str, ...]]


def _lines(role: Role, keys: DeviceKeys, scales: tuple[Scale, ...]) -> tuple[Reader, Fields, int]:
    lines = keys.lines or LineKeys()
    _refuse_foreign(role, lines, "lines")
    patterns: list[tuple[Report, Pattern]] = []
    for kind in OF_ROLE[role]:
        text = getattr(lines, kind)
        if text is not None:
            pattern = _at(f"lines.{kind}", _pattern, kind, text)
            patterns.append((kind, pattern))
    ignored = [_at(f"lines.ignore[{number}]", Pattern, text, ()) for number, text in enumerate(lines.ignore)]
    fields: Fields = {kind: pattern.fields for kind, pattern in patterns}
    _require_applied(role, fields, "lines")
    reader = LineReader(patterns, ignored, _reports(role, keys, scales, fields))
    return reader, fields, max((pattern.longest for _, pattern in patterns), default=0)


def _pattern(kind: Report, text: str) -> Pattern:
    pattern = Pattern(text, FIELDS[kind], YES_NO)
    _one_time(pattern.fields)
    count_channels(pattern.fields)
    return pattern


def _one_time(fields: tuple[str, ...]) -> None:
    if {"ms", "us"} <= set(fields):
        raise PatternError("both {ms} and {us} in it; a time has one unit")


def _records(role: Role, keys: DeviceKeys, scales: tuple[Scale, ...]) -> tuple[Reader, Fields, int]:
    records = keys.records
    if records is None:
        raise PlacedError("", "`speaks: records` needs the key `records`, with sync, checksum and fields")
    _refuse_foreign(role, records, "records")
    sync = _at("records.sync", _sync, records.sync)
    order: Order = "little" if records.checksum_order == "little" else "big"
    framing = Framing(sync, records.length, records.checksum, order, records.checksum_over_sync)
    layouts = []
    for kind in OF_ROLE[role]:
        one = getattr(records, kind)
        if one is not None:
            layouts.append(_at(f"records.{kind}.fields", _layout, kind, one))
    _tell_apart(layouts)
    fields: Fields = {layout.report: tuple(layout.names) for layout in layouts}
    _require_applied(role, fields, "records")
    if not layouts:
        raise PlacedError("records", "no record that a device of this role sends is described")
    reader = RecordReader(framing, layouts, _reports(role, keys, scales, fields))
    return reader, fields, reader.longest


def _layout(kind: Report, one: OneRecordKeys) -> Layout:
    layout = layout_of(kind, one.id, one.fields, FIELDS[kind])
    _one_time(layout.names)
    count_channels(layout.names)
    return layout


def _sync(text: str) -> bytes:
    try:
        found = bytes.fromhex(text)
    except ValueError as error:
        raise PatternError("these are no bytes in hexadecimal; write them such as AA 55") from error
    if not 1 <= len(found) <= MAX_SYNC:
        raise PatternError(f"{len(found)} bytes; write 1 to {MAX_SYNC}, such as AA 55")
    return found


def _tell_apart(layouts: list[Layout]) -> None:
    """Refuse kinds of records of which one could be taken for another."""
    seen: dict[int | None, str] = {}
    for layout in layouts:
        if layout.identifier in seen or (len(layouts) > 1 and layout.identifier is None):
            raise PlacedError(
                f"records.{layout.report}", "nothing tells this record from another: give each its own `id`"
            )
        seen[layout.identifier] = layout.report


def _refuse_foreign(role: Role, keys: object, where: str) -> None:
    """Refuse reports that the other device makes."""
    for kind in FIELDS:
        if kind not in OF_ROLE[role] and getattr(keys, kind) is not None:
            own = ", ".join(OF_ROLE[role])
            raise PlacedError(f"{where}.{kind}", f"a {role} has no report `{kind}`; it has {own}")


def _require_applied(role: Role, fields: Fields, where: str) -> None:
    if role is Role.RECEIVER and "applied" not in fields:
        raise PlacedError(
            "", f"a receiver needs `{where}: {{applied: ...}}`: without it nothing is known of it"
        )
    units = {unit for given in fields.values() for unit in given if unit in ("ms", "us")}
    if len(units) > 1:
        raise PlacedError(where, "one report has {ms} and another {us}; a device's clock has one unit")


def _unit(fields: Mapping[str, tuple[str, ...]]) -> tuple[int, bool]:
    """Return the step of the device's clock in us, and whether it has one."""
    given = {unit for names in fields.values() for unit in names}
    return (1000 if "ms" in given else 1), bool({"ms", "us"} & given)


def _reports(role: Role, keys: DeviceKeys, scales: tuple[Scale, ...], fields: Fields) -> Reports:
    unit_us, has_clock = _unit(fields)
    clock = Clock(unit_us, int(keys.clock_bits)) if has_clock else None
    by_number = role is Role.TRANSMITTER and "packet" in fields.get("sent", ())
    counted = by_number or (bool(fields) and all("count" in names for names in fields.values()))
    return Reports(role, scales, clock, int(keys.count_bits), counted=counted)
