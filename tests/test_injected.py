"""The harness injects every edge of a field's type first, and never the same value soon again."""

import struct
from itertools import islice
from math import isfinite

import pytest

from harness.chance import stream
from harness.injected import MOST_EDGES, edges, injected
from harness.plan import model as p
from harness.plan.find import shipped_plans
from harness.plan.reader import load_plan

WHOLE = [kind for kind in p.FIELD_BYTES if kind != "f32"]


def first(kind, count=MOST_EDGES):
    return list(islice(injected(kind, stream(1, kind)), count))


def single(bits):
    return struct.unpack("<f", struct.pack("<I", bits & 0xFFFF_FFFF))[0]


@pytest.mark.parametrize("kind", WHOLE)
def test_whole_numbers_meet_their_ends_zero_and_every_byte_different(kind):
    """Ends of two's complement as `struct` packs them."""
    bits = 8 * p.FIELD_BYTES[kind]
    form = {1: "b", 2: "h", 4: "i"}[bits // 8]
    form = form.upper() if kind[0] == "u" else form
    for value in edges(kind):
        struct.pack("<" + form, value)
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if kind[0] == "i" else (0, (1 << bits) - 1)
    assert {low, high, 0, 1} <= set(edges(kind))
    assert (-1 in edges(kind)) == (kind[0] == "i")
    assert any(
        len(set(value.to_bytes(bits // 8, "little"))) == bits // 8 for value in edges(kind) if value > 1
    )


@pytest.mark.parametrize(
    ("kind", "powers"), [("u8", [7]), ("i16", [7, 8]), ("u16", [7, 8, 15]), ("i32", [7, 8, 15, 16])]
)
def test_both_sides_of_each_bytes_and_signs_end_are_met(kind, powers):
    for power in powers:
        assert {(1 << power) - 1, 1 << power} <= set(edges(kind))


def test_floats_meet_both_zeros_subnormals_and_the_largest():
    """Against IEEE 754-2008 binary32 by way of `struct`."""
    values = [single(bits) for bits in edges("f32")]
    assert 0x8000_0000 in edges("f32")
    largest = (2 - 2**-23) * 2.0**127
    assert {largest, -largest, 2**-149, 2**-126, -(2**-149), 2**-126 - 2**-149, 1.0, -1.0} <= set(values)
    assert any(value % 1 not in (0, 0.5) and 0.5 < value < 1 for value in values)


def test_random_floats_have_both_signs_and_are_numbers():
    values = [single(bits) for bits in first("f32", 200)[MOST_EDGES:]]
    assert min(values) < 0 < max(values)
    assert all(isfinite(value) for value in values)


@pytest.mark.parametrize("kind", p.FIELD_BYTES)
def test_the_edges_come_first(kind):
    assert len(edges(kind)) <= MOST_EDGES
    raw = [value - (1 << 32) if value >= 1 << 31 else value for value in edges(kind)]
    assert first(kind, len(raw)) == raw


def test_every_shipped_plan_that_injects_meets_all_edges():
    """In its longest step of that kind; a short one may follow, to see values after a cut."""
    for path in shipped_plans().values():
        steps = p.every_step(load_plan(path).steps)
        times = [step.action.times for step in steps if isinstance(step.action, p.Inject)]
        assert not times or max(times) > MOST_EDGES
