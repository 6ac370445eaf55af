"""The harness reads recordings back whole, and says what is missing from a damaged one."""

import io
import json
import struct
from pathlib import Path
from zlib import crc32

import pytest
from hypothesis import given
from hypothesis import strategies as st
from recording_samples import EVENTS, HEADER, ON_HARDWARE, SEEN_BY_WITNESS, START_NS, WITNESSED, recorded

from harness.bench.protocol import DEVICES, Role
from harness.errors import ExitCode, RecordingError
from harness.recording import Direction, RecordingWriter, parse_recording, read_recording
from harness.recording.pcapng import COMMENT, EPB_FLAGS, EPB_HASH, MARKS, block, options, section_header
from harness.recording.reader import LATEST_NS, PROBLEMS_MAX
from harness.recording.writer import MARK_KEY

WHOLE = recorded()
HEADER_SIZE = int.from_bytes(WHOLE[4:8], "little")


def blocks(data=WHOLE):
    """Return (offset, size, type) of every block, by the standard's rule alone."""
    found, at = [], 0
    while at < len(data):
        kind, size = struct.unpack_from("<II", data, at)
        found.append((at, size, kind))
        at += size
    return found


PACKETS = [(at, size) for at, size, kind in blocks() if kind == 6]


def seen(recording):
    """Return every packet as (role, direction, data, time), port by port."""
    return [
        (role, direction, data, at_ns)
        for role, port in recording.ports.items()
        for at_ns, direction, data in zip(port.at_ns, port.direction, port.data, strict=True)
    ]


def by_port(events):
    return [event for role in Role for event in events if event[0] is role]


def packet_block(data, *, interface=0, flags=2, flags_code=EPB_FLAGS, checksum=None, extra=()):
    """Build a packet block apart from the writer."""
    checksum = crc32(data) if checksum is None else checksum
    tail = options(
        [*extra, (flags_code, struct.pack("<I", flags)), (EPB_HASH, b"\x02" + struct.pack("<I", checksum))]
    )
    head = struct.pack("<IIIII", interface, 0, 42, len(data), len(data))
    return block(6, head + data + bytes(-len(data) % 4) + tail)


class TestWhole:
    def test_gives_back_what_was_written(self):
        recording = parse_recording(WHOLE, "x")
        assert recording.header == HEADER
        assert seen(recording) == by_port(EVENTS)
        assert (recording.complete, recording.problems) == (True, ())

    def test_gives_back_the_marks_without_its_own(self):
        marks = parse_recording(WHOLE, "x").marks
        assert [(mark.at_ns, mark.kind) for mark in marks] == [
            (0, "begin"),
            (7_000_000_000, "step"),
            (8_000_000_000, "end"),
        ]
        assert marks[1].fields == {"kind": "sweep", "path": "steps[0]", "name": "\u00e4", "times": [1, 2]}

    def test_reads_a_file(self, tmp_path):
        path = tmp_path / "recording.pcapng"
        path.write_bytes(recorded(ON_HARDWARE))
        assert read_recording(path).header == ON_HARDWARE

    def test_calls_a_run_without_end_mark_incomplete(self):
        data = recorded(ended=False)
        recording = parse_recording(data, "x")
        assert not recording.complete
        assert recording.problems == (f"the recording stops at byte {len(data)} without its end mark",)

    def test_takes_blocks_and_options_that_other_programs_add(self):
        statistics = block(5, bytes(12) + options([(COMMENT, b"checked")]))
        odd = packet_block(b"abc", extra=[(COMMENT, b"look here")])
        recording = parse_recording(WHOLE + statistics + odd, "x")
        assert recording.ports[Role.TRANSMITTER].data[-1] == b"abc"
        assert recording.complete

    @given(
        st.lists(
            st.tuples(
                st.sampled_from(DEVICES),
                st.sampled_from(Direction),
                st.binary(max_size=300),
                st.integers(0, LATEST_NS - 1),
            ),
            max_size=30,
        ),
        st.integers(0, 2**62),
        st.integers(1, 10),
    )
    def test_gives_back_any_packets(self, events, start_ns, flush_every):
        recording = parse_recording(recorded(events=events, start_ns=start_ns, flush_every=flush_every), "x")
        assert seen(recording) == by_port(events)
        assert recording.complete

    json_values = st.recursive(
        st.none()
        | st.booleans()
        | st.integers(-(2**63) + 1, 2**63 - 1)
        | st.floats(allow_nan=False, allow_infinity=False)
        | st.text(),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
        max_leaves=5,
    )

    @given(st.text(), st.dictionaries(st.text().filter(lambda name: name != "mark"), json_values, max_size=4))
    def test_gives_back_any_mark(self, kind, fields):
        if kind == "written":
            return
        file = io.BytesIO()
        writer = RecordingWriter(file, HEADER, 0)
        writer.mark(3, kind, **fields)
        writer.close()
        (mark,) = parse_recording(file.getvalue(), "x").marks
        assert (mark.at_ns, mark.kind, mark.fields) == (3, kind, fields)


class TestWitness:
    """A bench with a third port: one interface more, after the marks, and the same rules for its damage."""

    DATA = recorded(WITNESSED, SEEN_BY_WITNESS)

    def test_gives_back_three_ports(self):
        recording = parse_recording(self.DATA, "x")
        assert recording.header == WITNESSED
        assert tuple(recording.ports) == tuple(Role)
        assert seen(recording) == by_port(SEEN_BY_WITNESS)
        assert (recording.complete, recording.problems) == (True, ())

    def test_knows_no_third_port_without_a_witness(self):
        assert tuple(parse_recording(WHOLE, "x").ports) == DEVICES
        (extra,) = parse_recording(WHOLE + packet_block(b"abc", interface=3), "x").problems
        assert "no such port or direction" in extra

    def test_writes_the_two_devices_the_same_with_a_witness_and_without(self):
        kept = [event for event in SEEN_BY_WITNESS if event[0] is not Role.WITNESS]
        without, with_one = parse_recording(WHOLE, "x"), parse_recording(self.DATA, "x")
        assert kept == list(EVENTS)
        assert all(without.ports[role] == with_one.ports[role] for role in DEVICES)
        assert without.marks == with_one.marks

    @pytest.mark.parametrize("bit", [0, 5])
    def test_never_takes_a_flipped_bit_for_a_sound_recording(self, bit):
        sound = parse_recording(self.DATA, "x")
        for at in range(len(self.DATA)):
            data = bytearray(self.DATA)
            data[at] ^= 1 << bit
            try:
                recording = parse_recording(bytes(data), "x")
            except RecordingError:
                continue
            assert not recording.complete or recording == sound, at

    def test_gives_back_a_beginning_of_each_port_when_cut_short(self):
        whole = {role: port.data for role, port in parse_recording(self.DATA, "x").ports.items()}
        for cut in range(int.from_bytes(self.DATA[4:8], "little"), len(self.DATA), 7):
            recording = parse_recording(self.DATA[:cut], "x")
            assert not recording.complete
            for role, port in recording.ports.items():
                assert port.data == whole[role][: len(port.data)]


class TestCutShort:
    def test_refuses_less_than_a_header(self):
        for cut in range(HEADER_SIZE):
            with pytest.raises(RecordingError, match=r"^x: not a recording made by propsoff: "):
                parse_recording(WHOLE[:cut], "x")

    def test_gives_back_what_is_whole_before_any_byte(self):
        starts = [at for at, _, _ in blocks()]
        for cut in range(HEADER_SIZE, len(WHOLE)):
            recording = parse_recording(WHOLE[:cut], "x")
            assert recording.header == HEADER
            whole = [WHOLE[at : at + size] for at, size in PACKETS if at + size <= cut]
            ours = [packet for packet in whole if b'"mark":"written"' not in packet]
            assert len(seen(recording)) + len(recording.marks) == len(ours), cut
            ended = any(mark.kind == "end" for mark in recording.marks)
            assert recording.complete is (ended and cut in starts), cut
            last = max(start for start in starts if start <= cut)
            assert recording.complete or f"byte {last}" in recording.problems[-1]

    def test_counts_the_bytes_of_an_unfinished_block(self):
        at, size = PACKETS[4]
        recording = parse_recording(WHOLE[: at + size - 1], "x")
        assert recording.problems == (
            f"cut short: the {size - 1} bytes from byte {at} on are no whole block",
        )

    def test_reports_a_tail_of_zeros(self):
        # A power cut may leave a file grown but not filled.
        recording = parse_recording(WHOLE[: PACKETS[4][0]] + bytes(4096), "x")
        assert "cut short: the 4096 bytes" in recording.problems[0]


class TestDamaged:
    @pytest.mark.parametrize("bit", [0, 3, 7])
    def test_never_takes_a_flipped_bit_for_a_sound_recording(self, bit):
        sound = parse_recording(WHOLE, "x")
        for at in range(len(WHOLE)):
            data = bytearray(WHOLE)
            data[at] ^= 1 << bit
            try:
                recording = parse_recording(bytes(data), "x")
            except RecordingError:
                continue
            assert not recording.complete or recording == sound, at

    def test_skips_a_packet_whose_data_changed(self):
        at, _ = PACKETS[4]
        data = bytearray(WHOLE)
        data[at + 28] ^= 1
        recording = parse_recording(bytes(data), "x")
        assert recording.problems == (
            f"the packet at byte {at} is skipped: its data do not have their CRC-32",
        )
        assert len(seen(recording)) == len(EVENTS) - 1

    def test_sees_a_time_that_changed(self):
        at, _ = PACKETS[3]
        data = bytearray(WHOLE)
        data[at + 16] ^= 1
        recording = parse_recording(bytes(data), "x")
        assert len(recording.problems) == 1
        assert "are damaged: a time, direction or the header" in recording.problems[0]

    def test_sees_a_plan_that_changed(self):
        recording = parse_recording(WHOLE.replace(b"Dunlin", b"Merlin"), "x")
        assert recording.problems == ("the plan's text is not what it was when it was recorded",)

    @pytest.mark.parametrize("length", [0, 4, 11, 13, 31, 2**16, 2**31, 2**32 - 4, 2**32 - 1])
    def test_finds_its_feet_after_a_broken_length(self, length):
        at, size = PACKETS[3]
        data = bytearray(WHOLE)
        struct.pack_into("<I", data, at + 4, length)
        recording = parse_recording(bytes(data), "x")
        assert len(seen(recording)) == len(EVENTS) - 1
        assert recording.problems == (f"bytes {at} to {at + size} are skipped: damaged, no whole block",)

    @pytest.mark.parametrize("length", [33, 300, 2**20 + 1, 2**31, 2**32 - 1])
    def test_believes_no_data_length_that_does_not_fit(self, length):
        at, _ = PACKETS[3]
        data = bytearray(WHOLE)
        struct.pack_into("<I", data, at + 20, length)
        recording = parse_recording(bytes(data), "x")
        assert len(seen(recording)) == len(EVENTS) - 1
        assert not recording.complete

    def test_goes_on_after_missing_bytes(self):
        at, size = PACKETS[3]
        recording = parse_recording(WHOLE[: at + 7] + WHOLE[at + size :], "x")
        assert len(seen(recording)) == len(EVENTS) - 1
        assert f"bytes {at} to {at + 7} are skipped" in recording.problems[0]

    def test_tells_of_missing_bytes_once(self):
        at, _ = PACKETS[3]
        recording = parse_recording(WHOLE[: at + 7] + WHOLE[at + 11 :], "x")
        assert len(recording.problems) == 1

    def test_sees_that_a_whole_piece_is_gone(self):
        own = [at for at, size in PACKETS if b'"mark":"written"' in WHOLE[at : at + size]]
        recording = parse_recording(WHOLE[: own[0]] + WHOLE[own[1] :], "x")
        assert len(recording.problems) == 1
        assert recording.problems[0].endswith("or a part is gone")

    @pytest.mark.parametrize(
        "decoy",
        [
            bytes.fromhex("06000000 00000000"),
            bytes.fromhex("06000000 0c000000 0c000000"),
            block(6, struct.pack("<IIIII", 7, 0, 0, 0, 0) + bytes(24)),
            block(6, struct.pack("<IIIII", 0, 0, 0, 99, 99) + bytes(24)),
        ],
    )
    def test_takes_no_decoy_for_a_packet(self, decoy):
        at, _ = PACKETS[3]
        recording = parse_recording(WHOLE[:at] + b"\0" * 5 + decoy + WHOLE[at:], "x")
        assert seen(recording) == by_port(EVENTS)
        assert f"bytes {at} to {at + 5 + len(decoy)} are skipped" in recording.problems[0]

    def test_bounds_the_list_of_problems(self):
        recording = parse_recording(WHOLE + block(0x77, b"") * 1000, "x")
        assert len(recording.problems) == PROBLEMS_MAX + 1
        assert recording.problems[-1] == f"and {1000 - PROBLEMS_MAX} more problems like these"

    @pytest.mark.parametrize(
        ("extra", "problem"),
        [
            (packet_block(b"abc", interface=7), "no such port or direction"),
            (packet_block(b"abc", flags=0), "no such port or direction"),
            (packet_block(b"abc", checksum=1), "its data do not have their CRC-32"),
            (block(6, bytes(20) + b"\0" * 0), "its data do not have their CRC-32"),
            (block(6, b""), "too short"),
            (packet_block(b"abc", flags_code=0x8005), "no such port or direction"),
            (struct.pack("<IIBI", 5, 13, 0, 13), "are no whole block"),
            (block(1, bytes(8)), "interface 3, at byte"),
            (packet_block(b"{", interface=2, flags=0), "not the JSON text of a mark"),
            (packet_block(b"[]", interface=2, flags=0), "not the JSON text of a mark"),
            (packet_block(b"{}", interface=2, flags=0), "not the JSON text of a mark"),
            (packet_block(b'{"mark":1}', interface=2, flags=0), "not the JSON text of a mark"),
            (packet_block(b'{"mark":"x","a":NaN}', interface=2, flags=0), "not the JSON text of a mark"),
            (
                packet_block(b'{"mark":"x","a":' + b"9" * 5000 + b"}", interface=2, flags=0),
                "not the JSON text",
            ),
            (packet_block(b"[" * 60_000, interface=2, flags=0), "not the JSON text of a mark"),
            (
                packet_block(json.dumps({"mark": "x" * 70_000}).encode(), interface=2, flags=0),
                "not the JSON text",
            ),
            (packet_block(b'{"mark":"written","from":0,"crc32":"0"}', interface=2, flags=0), "are damaged"),
            (block(0x12345678, b""), "unknown type"),
            (section_header("x", []), "a second section begins at byte"),
        ],
        ids=lambda value: value if isinstance(value, str) else "",
    )
    def test_reports_what_no_writer_of_ours_makes(self, extra, problem):
        recording = parse_recording(WHOLE + extra, "x")
        assert seen(recording) == by_port(EVENTS)
        assert len(recording.problems) == 1
        assert problem in recording.problems[0]
        assert not recording.complete

    def test_reads_nothing_after_a_second_section(self):
        recording = parse_recording(WHOLE + WHOLE, "x")
        assert seen(recording) == by_port(EVENTS)
        assert not recording.complete

    @given(st.binary(max_size=400))
    def test_survives_any_bytes(self, junk):
        with pytest.raises(RecordingError):
            parse_recording(junk, "x")
        parse_recording(WHOLE[:HEADER_SIZE] + junk, "x")
        parse_recording(WHOLE[: PACKETS[5][0]] + junk + WHOLE[PACKETS[5][0] :], "x")

    @given(st.data())
    def test_survives_any_change(self, data):
        at = data.draw(st.integers(HEADER_SIZE, len(WHOLE)))
        cut = data.draw(st.integers(0, 80))
        junk = data.draw(st.binary(max_size=40))
        recording = parse_recording(WHOLE[:at] + junk + WHOLE[at + cut :], "x")
        assert len(seen(recording)) <= len(EVENTS)


def big_endian():
    data = bytearray(WHOLE)
    data[8:12] = data[11:7:-1]
    return bytes(data)


class TestForeign:
    @pytest.mark.parametrize(
        ("data", "reason"),
        [
            (b"", "the file is empty"),
            (b"%PDF-1.7", "does not begin with a pcapng section header"),
            (bytes.fromhex("d4c3b2a1") + bytes(40), "does not begin with a pcapng section header"),
            (big_endian(), "it is a big-endian pcapng file"),
            (
                section_header("Some analyser", ["hello"]),
                "a pcapng file of another program ('Some analyser')",
            ),
            (section_header("\x1b[2J" * 100, []), "another program ('\\x1b[2J"),
            (WHOLE[:4] + struct.pack("<I", 2**31) + WHOLE[8:], "its header claims 2147483648 bytes"),
            (WHOLE[:4] + struct.pack("<I", 27) + WHOLE[8:], "its header claims 27 bytes"),
            (WHOLE[:12] + b"\x02" + WHOLE[13:], "no known byte order and version"),
            (WHOLE[:100], "cut short inside its header, after 100 of"),
            (WHOLE[:20], "cut short inside its header, after 20 bytes"),
        ],
        ids=lambda value: value if isinstance(value, str) else "",
    )
    def test_is_refused_with_its_reason(self, data, reason):
        with pytest.raises(RecordingError) as caught:
            parse_recording(data, "some.pcapng")
        message = str(caught.value)
        assert message.startswith("some.pcapng: not a recording made by propsoff: ")
        assert reason in message
        assert message.isprintable()
        assert caught.value.exit_code is ExitCode.USER_ERROR

    def test_is_refused_where_there_is_no_file(self, tmp_path):
        with pytest.raises(RecordingError, match="No such file"):
            read_recording(tmp_path / "none.pcapng")

    def test_is_refused_where_a_folder_is(self, tmp_path):
        with pytest.raises(
            RecordingError, match=r"a folder; name the recording in it, such as .*recording\.pcapng"
        ):
            read_recording(tmp_path)

    @pytest.mark.skipif(not Path("/dev/zero").exists(), reason="this system has no /dev/zero")
    def test_is_refused_where_a_device_is(self):
        with pytest.raises(RecordingError, match="not a file"):
            read_recording(Path("/dev/zero"))

    def test_is_refused_beyond_two_gigabytes(self, tmp_path):
        path = tmp_path / "huge.pcapng"
        with path.open("wb") as file:
            file.truncate(2 * 1024**3 + 1)
        with pytest.raises(RecordingError, match="a recording has at most"):
            read_recording(path)


def test_keeps_times_apart_from_the_bench_clock():
    moved = parse_recording(recorded(start_ns=START_NS + 12345), "x")
    assert moved == parse_recording(WHOLE, "x")


class TestImpossible:
    @pytest.mark.parametrize("bit", [18, 30, 31])
    @pytest.mark.parametrize("place", [3, 4])
    def test_skips_a_packet_with_a_time_that_no_run_reaches(self, place, bit):
        at, _ = PACKETS[place]
        data = bytearray(WHOLE)
        data[at + 12 + bit // 8] ^= 1 << bit % 8
        recording = parse_recording(bytes(data), "x")
        assert len(seen(recording)) == len(EVENTS) - 1
        assert recording.problems == (
            f"the packet at byte {at} is skipped: no run lasts as long as its time says",
        )
        assert recording.damaged

    def test_takes_a_time_that_a_long_run_may_reach(self):
        data = bytearray(WHOLE)
        data[PACKETS[3][0] + 12 + 2] ^= 1 << 1  # six and a half days
        assert len(seen(parse_recording(bytes(data), "x"))) == len(EVENTS)

    @pytest.mark.parametrize("number", ["1" + "0" * 30, str(1 << 63), "-" + "9" * 5000, "1e999", "-1e999"])
    def test_skips_a_mark_with_a_number_beyond_64_bits(self, number):
        text = f'{{"{MARK_KEY}": "trial", "deep": [{{"number": {number}}}]}}'.encode()
        at, _, _ = blocks()[-1]
        made = packet_block(text, interface=MARKS, flags=0)
        recording = parse_recording(WHOLE[:at] + made + WHOLE[at:], "x")
        assert not any(mark.kind == "trial" for mark in recording.marks)
        assert recording.problems[0] == f"the mark at byte {at} is skipped: not the JSON text of a mark"

    @given(flips=st.lists(st.integers(0, 8 * len(WHOLE) - 1), min_size=1, max_size=4))
    def test_whatever_flips_every_time_and_number_fits_into_64_bits(self, flips):
        data = bytearray(WHOLE)
        for bit in flips:
            data[bit // 8] ^= 1 << bit % 8
        try:
            recording = parse_recording(bytes(data), "x")
        except RecordingError:
            return
        times = [at_ns for port in recording.ports.values() for at_ns in port.at_ns]
        assert all(0 <= at_ns < LATEST_NS for at_ns in [*times, *(mark.at_ns for mark in recording.marks)])
