import struct

import pytest

from harness.errors import UserError
from harness.plan.model import Channel, Failsafe, Link, TelemetryField
from mocks.telemetry import Layout, check_payload, fits, payload_bytes, steady_values


def link(*fields: TelemetryField) -> Link:
    return Link(
        packet_rate_mhz=50_000,
        channels=(Channel(name="roll", failsafe="centre"),),
        failsafe=Failsafe(within_ns=10**9),
        telemetry=fields,
    )


TYPES = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i"}


@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("kind", TYPES)
def test_mock_lays_a_field_out_as_c_does(kind: str, order: str) -> None:
    field = TelemetryField(name="x", type=kind, byte_order=order)  # type: ignore[arg-type]
    layout = Layout(link(field))
    c_layout = struct.Struct((">" if order == "big" else "<") + TYPES[kind])
    for raw in (0, 1, 100, -1, -128) if kind.startswith("i") else (0, 1, 100, 255):
        layout.load([raw])
        assert layout.payload(0) == c_layout.pack(raw)


def test_mock_takes_a_float_as_its_bit_pattern() -> None:
    layout = Layout(link(TelemetryField(name="x", type="f32", byte_order="big")))
    (bits,) = struct.unpack("<i", struct.pack("<f", -1.5))
    layout.load([bits])
    assert layout.payload(0) == struct.pack(">f", -1.5)


def test_mock_loses_the_upper_bits_of_a_value_that_is_too_wide() -> None:
    layout = Layout(link(TelemetryField(name="x", type="u16")))
    layout.load([0x123456])
    assert layout.payload(0) == b"\x56\x34"


def test_mock_counts_packets_in_whole_number_fields_of_the_device() -> None:
    layout = Layout(
        link(
            TelemetryField(name="x", type="u8"),
            TelemetryField(name="packets", type="u16", source="device", byte_order="big"),
            TelemetryField(name="y", type="f32", source="device"),
        )
    )
    layout.load([7, 8, 9])
    assert layout.payload(0x10203) == b"\x07\x02\x03" + bytes((9, 0, 0, 0))


@pytest.mark.parametrize(
    ("kind", "inside", "outside"),
    [
        ("u8", (0, 255), (-1, 256)),
        ("i8", (-128, 127), (-129, 128)),
        ("i16", (-32_768, 32_767), (-32_769, 32_768)),
    ],
)
def test_mock_knows_which_values_fit(kind: str, inside: tuple[int, ...], outside: tuple[int, ...]) -> None:
    field = TelemetryField(name="x", type=kind)  # type: ignore[arg-type]
    assert all(fits(field, raw) for raw in inside)
    assert not any(fits(field, raw) for raw in outside)
    assert fits(TelemetryField(name="x", type="u32"), -1)


def test_mock_refuses_more_telemetry_than_an_acknowledgement_holds() -> None:
    fields = tuple(TelemetryField(name=f"x{n}", type="u32") for n in range(9))
    check_payload(link(*fields[:8]))
    assert payload_bytes(link(*fields[:8])) == 32
    assert steady_values(link(*fields[:2])) == [100, 101]
    with pytest.raises(UserError, match="36 bytes; an acknowledgement holds 32"):
        check_payload(link(*fields))
