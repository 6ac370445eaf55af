"""Which mistakes are usual in telemetry? Rules that turn injected values into what must then be shown.

Scale, byte order, sign, width, ends, a constant, the bytes or the field beside it. A rule says which bits of
a field it foretells under each injection.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import numpy as np

from harness.measure.arrays import Flags, Ints, ints
from harness.measure.telemetry import Comparison
from harness.plan.model import FIELD_BYTES, TelemetryField

MOST: Final = 0.95
"""An explanation must fit this share of all reports, and of the wrong ones by themselves."""
LOOKED_AT: Final = 20_000
"""Reports looked at, evenly spread, at most."""
POWERS: Final = (2, 1, 3, 4, -2, -1, -3, -4)
SHIFTS: Final = (1, -1, 2, -2, 3, -3, 4, -4)


class Rule(NamedTuple):
    """One mistake: its words, and what must be shown (bits) under each injection; `mask` says which bits.

    `place` marks mistakes about where the bytes stand: two of them may say the same in other words.
    """

    words: str
    shows: Ints
    mask: Ints
    place: bool = False


@dataclass(frozen=True, slots=True)
class Case:
    """One field's reports, and every field's values by injection, as the rules need them."""

    lined: Comparison
    fields: tuple[TelemetryField, ...]
    number: int
    places: Ints

    @property
    def field(self) -> TelemetryField:
        """The field itself."""
        return self.fields[self.number]

    @property
    def bits(self) -> int:
        """Its width."""
        return 8 * FIELD_BYTES[self.field.type]

    @property
    def injected(self) -> Ints:
        """Its bits by injection, -1 where unknown."""
        values: Ints = self.lined.values[:, self.number]
        return values

    @property
    def shown(self) -> Ints:
        """Its bits by report, -1 where the payload was too short."""
        shown: Ints = self.lined.shown[self.places, self.number]
        return shown


def case_of(lined: Comparison, fields: tuple[TelemetryField, ...], number: int) -> Case:
    """Leave out reports under injections whose value of this field is not known, and thin out the rest."""
    known = np.ones(len(lined), dtype=np.bool_)
    for step in range(reach(lined)):
        known &= lined.values[np.minimum(lined.first + step, lined.last), number] >= 0
    places = np.flatnonzero(known)
    if len(places) > LOOKED_AT:
        places = places[np.linspace(0, len(places) - 1, LOOKED_AT).astype(np.int64)]
    return Case(lined, fields, number, places)


def reach(lined: Comparison) -> int:
    return int((lined.last - lined.first).max()) + 1 if len(lined) else 0


def full_mask(case: Case) -> Ints:
    """Return the mask of a rule that foretells every bit under every injection."""
    return np.full(len(case.injected), (1 << case.bits) - 1, dtype=np.int64)


def fits(case: Case, rule: Rule) -> tuple[Flags, Flags]:
    """Return which reports are as the rule says for one of the injections in force, and where it says any."""
    lined, shown = case.lined, case.shown
    good, foretold = np.zeros((2, len(shown)), dtype=np.bool_)
    for step in range(reach(lined)):
        place = np.minimum(lined.first[case.places] + step, lined.last[case.places])
        mask = rule.mask[place]
        good |= (mask != 0) & ((shown & mask) == (rule.shows[place] & mask))
        foretold |= mask != 0
    return good & foretold & (shown >= 0), foretold


def rules_for(case: Case) -> Iterator[Rule]:
    """Return every rule, the plainer of two that say the same first."""
    full, known = full_mask(case), case.injected >= 0
    for words, shows in _whole_rules(case):
        yield Rule(words, shows & full, np.where(known, full, 0))
    yield from _others(case)
    yield from _moved(case)


def _whole_rules(case: Case) -> Iterator[tuple[str, Ints]]:
    yield from _orders(case)
    if case.field.type == "f32":
        yield from _float_rules(case)
    else:
        yield from _number_rules(case)


def _orders(case: Case) -> Iterator[tuple[str, Ints]]:
    raw = case.injected
    if case.bits == 16:
        yield "its bytes come in the wrong order", (raw >> 8) | (raw & 0xFF) << 8
    elif case.bits == 32:
        low, high = raw & 0xFFFF, raw >> 16
        turned_low, turned_high = (low >> 8) | (low & 0xFF) << 8, (high >> 8) | (high & 0xFF) << 8
        yield "its bytes come in the wrong order", turned_low << 16 | turned_high
        yield "its two 16-bit halves come in the wrong order", low << 16 | high
        yield "the bytes of each 16-bit half come in the wrong order", turned_high << 16 | turned_low


def _number_rules(case: Case) -> Iterator[tuple[str, Ints]]:
    bits, raw = case.bits, case.injected
    value = signed(raw, bits) if case.field.type[0] == "i" else raw
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if case.field.type[0] == "i" else (0, (1 << bits) - 1)
    for power in POWERS:
        words = f"every value is {_factor(power)} the injected one"
        for scaled in _scaled(value, power):
            yield words, scaled
            yield words, np.clip(scaled, low, high)
    if case.field.type[0] == "i":
        yield "its sign is wrong", -value
        yield "its sign is lost", np.abs(value)
    for width in (8, 16):
        if width < bits:
            part = raw & (1 << width) - 1
            what = "low byte comes" if width == 8 else "two low bytes come"
            yield f"only its {what} through", part
            yield f"only its {what} through, with that part's sign", signed(part, width)
            yield f"only what is above its lowest {width} bits comes through", value >> width
    yield from _saturated(case, value)
    yield from _off_by(case, value)


def _scaled(value: Ints, power: int) -> Iterator[Ints]:
    if power > 0:
        yield value * 10**power
        return
    divisor = 10**-power
    yield np.sign(value) * (np.abs(value) // divisor)
    yield value // divisor
    yield np.sign(value) * ((np.abs(value) + divisor // 2) // divisor)


def _saturated(case: Case, value: Ints) -> Iterator[tuple[str, Ints]]:
    """It stops at the largest and the smallest value shown, if several injected ones lie beyond."""
    is_signed = case.field.type[0] == "i"
    shown = case.shown[case.shown >= 0]
    seen = signed(shown, case.bits) if is_signed else shown
    if not len(seen):
        return
    low, high = int(seen.min()), int(seen.max())
    used = value[np.unique(case.lined.last[case.places])]
    below, above = len(np.unique(used[used < low])), len(np.unique(used[used > high]))
    if max(below, above) < 2:
        return
    ends = [str(end) for end, count in ((low, below), (high, above)) if count]
    yield f"it stops at {' and at '.join(ends)}", np.clip(value, low, high)


def _off_by(case: Case, value: Ints) -> Iterator[tuple[str, Ints]]:
    """It is off by the same everywhere: the commonest difference."""
    given = value[case.lined.last[case.places]]
    whole = case.shown >= 0
    differences = signed((case.shown[whole] - given[whole]) & (1 << case.bits) - 1, case.bits)
    found, counts = np.unique(differences, return_counts=True)
    if len(found):
        common = int(found[np.argmax(counts)])
        if common:
            yield f"every value is off by {common:+d}", value + common


def _float_rules(case: Case) -> list[tuple[str, Ints]]:
    """Return the rules for floats; firmware ends a value that is too large in the largest or in infinity."""
    raw = case.injected.clip(0)
    with np.errstate(all="ignore"):
        value = raw.astype(np.uint32).view(np.float32)
        found = [rule for power in POWERS for rule in _float_scaled(value, power)]
        for words, whole in (("cut off", np.trunc(value)), ("rounded", np.rint(value))):
            found.append((f"it is {words} to a whole number", _bits_of(whole)))
            found.append((f"it is {words} to a whole number", _bits_of(whole + np.float32(0))))
        whole = np.nan_to_num(np.trunc(value.astype(np.float64)))
        number = np.clip(whole, -(2**31), 2**31 - 1).astype(np.int64)
        half = value.astype(np.float16).astype(np.float32)
    return [
        *found,
        ("its sign is wrong", raw ^ (1 << 31)),
        ("its sign is lost", raw & (1 << 31) - 1),
        ("a whole number stands where the float should", number),
        ("only its two low bytes come through", raw & 0xFFFF),
        ("only its two high bytes come through", raw & 0xFFFF0000),
        ("it went through a 16-bit float", _bits_of(half)),
    ]


def _float_scaled(value: Any, power: int) -> Iterator[tuple[str, Ints]]:
    words = f"every value is {_factor(power)} the injected one"
    wide = value.astype(np.float64) * 10.0**power
    largest = float(np.finfo(np.float32).max)
    yield words, _bits_of(wide.clip(-largest, largest))
    yield words, _bits_of(wide)
    yield words, _bits_of(value * np.float32(10.0**power))
    if power < 0:
        yield words, _bits_of(value / np.float32(10.0**-power))


def _bits_of(value: Any) -> Ints:
    """Return the IEEE 754 single bits of floats."""
    bits: Ints = value.astype(np.float32).view(np.uint32).astype(np.int64)
    return bits


def _moved(case: Case) -> Iterator[Rule]:
    """The field's bytes are read from a place some bytes further on, or further back, in the payload."""
    known, payload = _payload(case)
    start = sum(FIELD_BYTES[field.type] for field in case.fields[: case.number])
    width = FIELD_BYTES[case.field.type]
    for shift in SHIFTS:
        shows, mask = ints(np.zeros(len(payload))), ints(np.zeros(len(payload)))
        for place in range(width):
            byte = start + place + shift
            if 0 <= byte < payload.shape[1]:
                bit = 8 * (place if case.field.byte_order == "little" else width - 1 - place)
                shows |= payload[:, byte] << bit
                mask |= np.where(known[:, byte], 0xFF, 0) << bit
        if mask.any():
            way = "further on" if shift > 0 else "earlier"
            yield Rule(
                f"its bytes are those that stand {_bytes(abs(shift))} {way} in the payload",
                shows,
                mask,
                place=True,
            )


def _payload(case: Case) -> tuple[Flags, Ints]:
    """Return (injections, bytes): which bytes of the payload are known, and what they must be."""
    values = case.lined.values
    columns, known = [], []
    for number, field in enumerate(case.fields):
        width = FIELD_BYTES[field.type]
        order = range(width) if field.byte_order == "little" else range(width - 1, -1, -1)
        for place in order:
            columns.append((np.maximum(values[:, number], 0) >> 8 * place) & 0xFF)
            known.append(values[:, number] >= 0)
    return np.stack(known, axis=1), np.stack(columns, axis=1)


def _others(case: Case) -> Iterator[Rule]:
    """It shows what was injected into another field that is no wider."""
    full = full_mask(case)
    for number, field in enumerate(case.fields):
        values = case.lined.values[:, number]
        width = 8 * FIELD_BYTES[field.type]
        if number == case.number or width > case.bits or not (values >= 0).any():
            continue
        value = signed(values, width) if field.type[0] == "i" else values
        mask = np.where(values >= 0, full, 0)
        words = f"it shows {field.name}"
        back = case_of(case.lined, case.fields, number)
        own = signed(case.injected, case.bits) if case.field.type[0] == "i" else case.injected
        swapped, _ = fits(back, Rule("", own & full_mask(back), full_mask(back)))
        if len(swapped) and swapped.mean() >= MOST:
            words = f"it is swapped with {field.name}"
        yield Rule(words, value & full, mask, place=True)


def signed(bits: Ints, width: int) -> Ints:
    """Return two's complement numbers from their bits."""
    half = 1 << (width - 1)
    return ((bits & (1 << width) - 1) ^ half) - half


def _bytes(count: int) -> str:
    return "1 byte" if count == 1 else f"{count} bytes"


def _factor(power: int) -> str:
    return f"{10**power} times" if power > 0 else f"1/{10**-power} of"


__all__ = ["MOST", "Case", "Rule", "case_of", "fits", "full_mask", "rules_for", "signed"]
