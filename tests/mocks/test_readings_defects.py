"""Each defect of telemetry values does what it says, and its near-miss sends them as they are."""

from dataclasses import replace

import pytest
from defect_talk import receivers, single, talks, telemetry_for

from harness.chance import stream
from harness.injected import injected
from harness.plan.model import TelemetryField
from mocks.defects.readings import DEFECTS
from mocks.settings import DUNLIN
from mocks.telemetry import Layout

TYPES = ("u8", "i8", "u16", "i16", "u32", "i32", "f32")
EACH = replace(DUNLIN, telemetry=tuple(TelemetryField(name=kind, type=kind) for kind in TYPES))
U8, I8, U16, I16, U32, I32, F32 = range(len(TYPES))
PLAIN = [1, 2, 3, 4, 5, 6, single(7.0)]


def sent(receiver, raw):
    """Return the payload's values as whole numbers of each field's width, without sign."""
    layout = Layout(EACH)
    layout.load(receiver.sensed(list(raw)))
    return fields(layout.payload(0))


def fields(payload):
    sizes, at, found = (1, 1, 2, 2, 4, 4, 4), 0, []
    for size in sizes:
        found.append(int.from_bytes(payload[at : at + size], "little"))
        at += size
    return found


def right(raw):
    layout = Layout(EACH)
    layout.load(list(raw))
    return fields(layout.payload(0))


def having(**values):
    """Return plain values with some of them changed, by type."""
    raw = list(PLAIN)
    for kind, value in values.items():
        raw[TYPES.index(kind)] = value
    return raw


@pytest.mark.parametrize("defect", DEFECTS, ids=lambda defect: defect.name)
def test_a_near_miss_sends_every_value_as_it_is(defect):
    _, near = receivers(defect.name, EACH)
    makers = [injected(kind, stream(5, kind)) for kind in TYPES]
    for _ in range(60):
        raw = [next(maker) for maker in makers]
        assert sent(near, raw) == right(raw)


def test_telemetry_sign_lost():
    defect, _ = receivers("telemetry-sign-lost", EACH)
    negative = having(i8=-100, i16=-1, i32=-70_000, f32=single(-2.5), u32=-5)
    magnitude = having(i8=100, i16=1, i32=70_000, f32=single(2.5), u32=-5)
    assert sent(defect, negative) == right(magnitude)
    assert sent(defect, PLAIN) == right(PLAIN)


def test_telemetry_bytes_turned():
    defect, _ = receivers("telemetry-bytes-turned", EACH)
    raw = having(u8=0x12, u16=0x1234, i32=0x01020304)
    assert sent(defect, raw)[:6] == right([0x12, 2, 0x3412, 0x0400, 0x05000000, 0x04030201, 0])[:6]


def test_telemetry_float_cut():
    defect, _ = receivers("telemetry-float-cut", EACH)
    for number, cut in ((0.7, 0.0), (-2.75, -2.0), (1e30, 1e30), (8.0, 8.0)):
        assert sent(defect, having(f32=single(number))) == right(having(f32=single(cut)))
    for odd in (single(float("inf")), 0x7FA00001):
        assert sent(defect, having(f32=odd)) == right(having(f32=odd))


def test_telemetry_clipped():
    defect, _ = receivers("telemetry-clipped", EACH)
    assert sent(defect, having(u16=65_535, i16=-30_000, u32=-1, i32=4095, u8=255)) == right(
        having(u16=4095, i16=-4095, u32=4095, i32=4095, u8=255)
    )


def test_telemetry_fields_swapped():
    defect, _ = receivers("telemetry-fields-swapped", EACH)
    assert sent(defect, PLAIN) == right([2, 1, *PLAIN[2:]])
    own = replace(EACH, telemetry=tuple(replace(one, source="device") for one in EACH.telemetry[:2]))
    assert receivers("telemetry-scaled")[0].link == DUNLIN
    only = replace(own, telemetry=(*own.telemetry, EACH.telemetry[F32]))
    assert receivers("telemetry-fields-swapped", only)[0].sensed([1, 2, 3]) == [1, 2, 3]


def test_telemetry_mean_wraps():
    defect, _ = receivers("telemetry-mean-wraps", EACH)
    raw = having(u16=40_000, i16=-2, u8=127, i32=-2, i8=-128)
    assert sent(defect, raw) == right(having(u16=7232, i16=32_766, u8=127, i32=2**31 - 2, i8=0))


def test_telemetry_trembles():
    defect, near = talks("telemetry-trembles")
    seen = set(telemetry_for(defect, *[{0: 1000, 1: 2000}] * 30))
    values = {int.from_bytes(one[:2], "little") for one in seen}
    assert values == {1000, 1001, 1002, 1003}
    assert {int.from_bytes(one[2:4], "little") & ~3 for one in seen} == {2000}
    assert len(set(telemetry_for(near, *[{0: 1000}] * 10))) == 1


def test_telemetry_latches_end():
    defect, _ = receivers("telemetry-latches-end", EACH)
    assert sent(defect, having(u8=254, i16=-32_768)) == right(having(u8=254, i16=-32_768))
    assert sent(defect, having(u8=255, i16=32_767)) == right(having(u8=255, i16=32_767))
    assert sent(defect, PLAIN) == right(having(u8=255, i16=32_767))
