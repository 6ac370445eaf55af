"""The harness reads lines and records, counts what is missing, and holds little."""

import struct
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.codec import messages as m
from harness.devices.checksums import checksum_bytes
from harness.devices.kind import Lost, Printed
from harness.devices.lines import MAX_LINE, MAX_SHOWN, LineReader
from harness.devices.patterns import Pattern, PatternError
from harness.devices.records import Framing, RecordReader, layout_of
from harness.devices.reports import FIELDS, YES_NO, Clock, Reports
from harness.devices.scales import Scale
from harness.errors import BenchError
from mocks.speaking import record

TX, RX = Role.TRANSMITTER, Role.RECEIVER


def reports(role=RX, clock=None, bits=16, counted=False, scales=()):
    return Reports(role, scales, clock, bits, counted=counted)


def reader(made=None, ignored=(), **patterns):
    ready = [(kind, Pattern(text, FIELDS[kind], YES_NO)) for kind, text in patterns.items()]
    lines = LineReader(ready, [Pattern(text, ()) for text in ignored], made or reports())
    assert lines.heard(b"half a line\n", 0) == []
    return lines


def test_lines_become_messages_at_their_line_end():
    lines = reader(applied="RX {packet} {channel 1},{channel 2}", failsafe="FS {channel 1}", started="BOOT")
    assert lines.heard(b"RX 5 1000,", 1) == []
    assert lines.heard(b"2000\r\nFS 950\nBOOT\n\n  \n", 2) == [
        m.Applied(5, 0, m.SIGNAL_UNKNOWN, (1000, 2000)),
        m.OutputChange(0, m.OutputReason.FAILSAFE, (950,)),
        m.Started(m.StartCause.UNKNOWN, 0),
    ]


def test_a_line_that_fits_nothing_may_have_been_a_report():
    lines = reader(applied="RX {packet}", ignored=("# {any}",))
    assert lines.heard(b"RX 1\nRX x\n# fine\nRX 2\n", 1) == [
        m.Applied(1, 0, m.SIGNAL_UNKNOWN, ()),
        Lost(1),
        Printed("RX x"),
        m.Applied(2, 0, m.SIGNAL_UNKNOWN, ()),
    ]


def test_what_is_shown_of_such_lines_is_bounded_and_printable():
    lines = reader(applied="RX {packet}")
    items = lines.heard(b"\x1b[31m<b>\xff\n" * 1000, 1)
    printed = [item for item in items if isinstance(item, Printed)]
    assert len(printed) == MAX_SHOWN
    assert {item.text for item in printed} == {"?[31m<b>?"}
    assert sum(isinstance(item, Lost) for item in items) == 1000


def test_a_line_without_end_is_given_up_up_to_the_next_line_end():
    lines = reader(applied="RX {packet}")
    items = []
    for _ in range(100):
        items += lines.heard(b"RX 1 " * 100, 1)
    assert len(lines._rest) <= MAX_LINE
    assert [item for item in items if isinstance(item, Lost)] == [Lost()]
    assert lines.heard(b"RX 7\nRX 8\n", 1) == [m.Applied(8, 0, m.SIGNAL_UNKNOWN, ())]


@given(st.lists(st.binary(max_size=40), max_size=12), st.randoms(use_true_random=False))
def test_how_bytes_are_cut_up_makes_no_difference_to_lines(parts, random):
    whole = b"RX 3 4\n".join(parts) + b"\nRX 9 1500\n"
    data, items, lines = whole, [], reader(applied="RX {packet} {channel 1}")
    while data:
        size = random.randint(1, 30)
        items += lines.heard(data[:size], 5)
        data = data[size:]
    assert items == reader(applied="RX {packet} {channel 1}").heard(whole, 5)


def test_raw_counts_become_pulses_by_the_channels_own_scale():
    made = reports(scales=(Scale(0, 1023, 1000, 2000), Scale(1023, 0, 1000, 2000)))
    lines = reader(made, applied="RX {packet} {channel 1} {channel 2}")
    assert lines.heard(b"RX 1 1023 1023\n", 1)[0].outputs_us == (2000, 1000)


def test_a_count_tells_how_many_reports_are_missing():
    made = reports(bits=8, counted=True)
    lines = reader(made, applied="RX {packet} {count}")
    items = lines.heard(b"RX 1 254\nRX 2 255\nRX ? 0\nRX 4 1\n", 1)
    assert [item for item in items if isinstance(item, Lost)] == [Lost(1)]
    assert items[-1].packet == 4


def test_a_transmitters_packet_numbers_are_such_a_count():
    made = reports(TX, counted=True)
    lines = reader(made, sent="TX {packet} {acked}")
    items = lines.heard(b"TX 65534 ok\nTX 65535 ok\nTX 2 lost\n", 1)
    assert items[:2] == [m.Sent(65534, 0, 0, 65535, 1, 1), m.Sent(65535, 0, 0, 65535, 1, 1)]
    assert items[2:] == [Lost(2), m.Sent(2, 0, 0, 65535, 1, 0)]


def test_packet_numbers_that_wrap_at_eight_bits_end_the_run_with_the_reason():
    lines = reader(applied="RX {packet}")
    lines.heard(b"RX 254\nRX 255\n", 1)
    with pytest.raises(BenchError, match="begin again after 255: they must count to 65535"):
        lines.heard(b"RX 0\n", 1)


def test_packet_numbers_of_sixteen_bits_go_past_255():
    lines = reader(applied="RX {packet}")
    lines.heard(b"".join(b"RX %d\n" % number for number in range(600)), 1)
    assert lines.heard(b"RX 0\n", 1)


@pytest.mark.parametrize(("unit_us", "bits"), [(1000, 16), (1000, 32), (1, 32), (1, 16)])
def test_a_clock_goes_on_over_its_wraps(unit_us, bits):
    clock, wrap = Clock(unit_us, bits), 1 << bits
    start = wrap - 5
    seen = [clock.stamp((start + step) % wrap, step * unit_us * 1000)[0] for step in range(10)]
    assert [(b - a) % 2**32 for a, b in pairwise(seen)] == [unit_us] * 9


@given(st.integers(0, 2**16 - 1), st.lists(st.integers(0, 30_000), max_size=20))
def test_a_short_clock_is_put_in_line_by_when_its_reports_came(start, steps):
    """A wrap of 65.5 s is told from any gap whose arrival is right to within half of it."""
    clock, now_ms = Clock(1000, 16), 0
    first, _ = clock.stamp(start, 0)
    for step in steps:
        now_ms += step
        stamp, fresh = clock.stamp((start + now_ms) % 65_536, (now_ms + 15) * MS)
        assert not fresh
        assert (stamp - first) % 2**32 == now_ms * 1000 % 2**32


def test_a_clock_that_goes_back_is_a_start():
    made = reports(clock=Clock(1000, 32))
    lines = reader(made, applied="RX {packet} {ms}")
    lines.heard(b"RX 1 100000\n", 1 * S)
    items = lines.heard(b"RX 2 50\n", 2 * S)
    assert items == [m.Started(m.StartCause.UNKNOWN, 50_000), m.Applied(2, 50_000, m.SIGNAL_UNKNOWN, ())]


def test_a_reported_start_begins_the_clock_anew():
    made = reports(clock=Clock(1000, 32))
    lines = reader(made, applied="RX {packet} {ms}", started="BOOT")
    items = lines.heard(b"RX 1 100000\nBOOT\nRX 2 50\n", 1 * S)
    assert [type(item) for item in items] == [m.Applied, m.Started, m.Applied]
    assert items[-1].at_us == 50_000


FRAMING = Framing(b"\xaa\x55", True, "CRC-16/MODBUS", "little", False)
APPLIED = layout_of("applied", 1, ("packet u16le", "us u32le", "channel 1 u16le"), FIELDS["applied"])
FAILSAFE = layout_of("failsafe", 2, ("us u32le", "channel 1 u16le"), FIELDS["failsafe"])


def records(framing=FRAMING, layouts=(APPLIED, FAILSAFE), **kwargs):
    return RecordReader(framing, layouts, reports(clock=Clock(1, 32), **kwargs))


def applied(packet, at_us, pulse_us=1500):
    return record(1, struct.pack("<HI", packet, at_us), (pulse_us,))


def test_records_become_messages():
    found = records().heard(applied(7, 1234) + record(2, struct.pack("<I", 5678), (950,)), 1)
    assert found == [
        m.Applied(7, 1234, m.SIGNAL_UNKNOWN, (1500,)),
        m.OutputChange(5678, m.OutputReason.FAILSAFE, (950,)),
    ]


@pytest.mark.parametrize(
    "checksum", ["none", "sum8", "xor8", "CRC-8/SMBUS", "CRC-16/XMODEM", "CRC-32/ISO-HDLC"]
)
@pytest.mark.parametrize("order", ["little", "big"])
@pytest.mark.parametrize("over_sync", [False, True])
def test_records_may_end_with_any_checksum(checksum, order, over_sync):
    layout = layout_of("applied", None, ("packet u16be", "skip u8", "channel 1 u16be"), FIELDS["applied"])
    body = struct.pack(">HBH", 9, 99, 1700)
    covered = (b"\xaa" if over_sync else b"") + body
    data = b"\xaa" + body + checksum_bytes(checksum, order, covered)
    made = RecordReader(Framing(b"\xaa", False, checksum, order, over_sync), (layout,), reports())
    assert made.heard(data, 1) == [m.Applied(9, 0, m.SIGNAL_UNKNOWN, (1700,))]
    if checksum != "none":
        broken = data[:2] + bytes([data[2] ^ 4]) + data[3:]
        assert not any(isinstance(item, m.Applied) for item in made.heard(broken + bytes(20), 1))


def test_after_junk_the_next_whole_record_is_found_and_one_report_feared_lost():
    whole = applied(1, 10)
    cut = applied(2, 20)[:-3]
    found = records().heard(whole + cut + applied(3, 30) + b"\xaa\x55\xaa" + applied(4, 40), 1)
    assert [item if isinstance(item, Lost) else item.packet for item in found] == [1, Lost(), 3, Lost(), 4]


def test_sync_bytes_inside_a_record_do_no_harm():
    found = records().heard(applied(0x55AA, 0x0955AA55, 0x55AA) * 5, 1)
    assert [item.packet for item in found] == [0x55AA] * 5


@given(st.lists(st.binary(max_size=20), max_size=10), st.randoms(use_true_random=False))
def test_how_bytes_are_cut_up_makes_no_difference_to_records(parts, random):
    whole = applied(1, 2).join(parts) + applied(8, 9)
    data, items, made = whole, [], records()
    while data:
        size = random.randint(1, 9)
        items += made.heard(data[:size], 5)
        data = data[size:]
        assert len(made._rest) < made.longest
    assert items == records().heard(whole, 5)


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        (("packet",), "has no type"),
        (("packet f32",), "has no type"),
        (("pocket u16le",), "unknown field 'pocket'"),
        (("packet u8",), "16 bits or more"),
        (("packet u16le", "us u32be"), "both byte orders"),
        (("packet u16le", "packet u16le"), "twice"),
    ],
)
def test_records_that_cannot_be_are_refused(fields, why):
    with pytest.raises(PatternError, match=why):
        layout_of("applied", None, fields, FIELDS["applied"])
