"""The harness writes recordings that a general packet analyser opens without complaint."""

import os
import shutil
import subprocess
from zlib import crc32

import pytest
from recording_samples import EVENTS, HEADER, ON_HARDWARE, SEEN_BY_WITNESS, WITNESSED, recorded

from harness.bench.protocol import DEVICES
from harness.recording import Direction
from harness.recording.pcapng import (
    BLOCK_MAX,
    COMMENT,
    INTERFACES,
    block,
    interface_block,
    options,
    read_options,
    section_header,
)


def analyser(name):
    """Return the program's path; a missing one is a reason to skip at home and a failure in CI."""
    path = shutil.which(name)
    if path is None and os.environ.get("CI") != "true":
        pytest.skip(f"{name} is not installed")
    assert path is not None, f"{name} must be installed where CI=true"
    return path


def run(*words):
    done = subprocess.run(
        words, capture_output=True, text=True, check=True, env={**os.environ, "LC_ALL": "C"}
    )
    complaints = [line for line in done.stderr.splitlines() if "dangerous" not in line]
    assert complaints == [], "the analyser complains"
    return done.stdout


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    path = tmp_path_factory.mktemp("analysed") / "recording.pcapng"
    path.write_bytes(recorded(ON_HARDWARE))
    return str(path)


@pytest.fixture(scope="module")
def packets(recording):
    """Each packet as the analyser shows it: interface, time, direction, data, expert's complaints."""
    fields = (
        "frame.interface_name",
        "frame.time_epoch",
        "frame.packet_flags_direction",
        "data.data",
        "_ws.expert",
    )
    as_data = 'uat:user_dlts:"User {0} (DLT={1})","data","0","","0",""'
    words = [word for dlt in (147, 148) for word in ("-o", as_data.format(dlt - 147, dlt))]
    shown = [word for field in fields for word in ("-e", field)]
    out = run(analyser("tshark"), "-r", recording, *words, "-T", "fields", *shown)
    return [line.split("\t") for line in out.splitlines()]


class TestOutside:
    """Checked with capinfos and tshark, which share no code with this project."""

    def test_describes_each_interface_to_an_analyser(self, recording):
        out = run(analyser("capinfos"), recording)
        assert "File type:           Wireshark/... - pcapng" in out
        assert "Number of interfaces in file: 3" in out
        names = [line.split(" = ")[1] for line in out.splitlines() if line.strip().startswith("Name =")]
        assert names == ["transmitter", "receiver", "marks"]
        speeds = [line.split(" = ")[1] for line in out.splitlines() if line.strip().startswith("Speed =")]
        assert speeds == ["115200", "250000"]
        assert out.count("Time precision = nanoseconds (9)") == 3
        assert out.count("Timestamp offset = 1700000000") == 3

    def test_describes_a_witness_to_an_analyser_as_a_fourth_interface(self, tmp_path):
        path = tmp_path / "witnessed.pcapng"
        path.write_bytes(recorded(WITNESSED, SEEN_BY_WITNESS))
        out = run(analyser("capinfos"), path)
        names = [line.split(" = ")[1] for line in out.splitlines() if line.strip().startswith("Name =")]
        assert names == ["transmitter", "receiver", "marks", "witness"]
        out = run(analyser("tshark"), "-r", path, "-T", "fields", "-e", "frame.interface_name")
        assert out.split().count("witness") == 2

    def test_shows_its_header_to_an_analyser(self, recording):
        out = run(analyser("capinfos"), recording)
        assert "Capture application: propsoff 0.1.0" in out
        for line in ("propsoff.seed: 7", "propsoff.hardware: yes", "propsoff.plan.name: first-look"):
            assert f"Capture comment:     {line}\n" in out

    def test_has_every_packet_for_an_analyser(self, packets):
        names = [packet[0] for packet in packets]
        for role in DEVICES:
            assert names.count(role.value) == sum(event[0] is role for event in EVENTS)

    def test_raises_no_expert_complaint_in_an_analyser(self, packets):
        assert {packet[4] for packet in packets} == {""}

    def test_shows_times_and_directions_to_an_analyser(self, packets):
        shown = {(packet[0], packet[1], packet[2]) for packet in packets}
        for role, direction, _, at_ns in EVENTS:
            time = f"{1_700_000_000 + at_ns // 10**9}.{at_ns % 10**9:09}"
            assert (role.value, time, f"0x{direction.value:08x}") in shown

    @pytest.mark.parametrize("role", list(DEVICES))
    @pytest.mark.parametrize("direction", list(Direction))
    def test_gives_an_analyser_each_direction_as_one_byte_stream(self, packets, role, direction):
        wanted = b"".join(data for to, way, data, _ in EVENTS if to is role and way is direction)
        flag = f"0x{direction.value:08x}"
        shown = [packet[3] for packet in packets if packet[0] == role.value and packet[2] == flag]
        assert bytes.fromhex("".join(shown)) == wanted

    def test_stays_readable_for_an_analyser_when_cut_short(self, tmp_path):
        path = tmp_path / "cut.pcapng"
        path.write_bytes(recorded()[:-30])
        out = subprocess.run([analyser("tshark"), "-r", path], capture_output=True, text=True, check=False)
        assert len(out.stdout.splitlines()) >= len(EVENTS)

    def test_hashes_with_the_catalogued_crc_32(self):
        # CRC-32/ISO-HDLC, check value 0xCBF43926: "Catalogue of parametrised CRC algorithms",
        # as transcribed in the project's published values (recomputed there with two implementations).
        assert crc32(b"123456789") == 0xCBF43926


class TestBlocks:
    """Layout by hand from draft-ietf-opsawg-pcapng, sections 3.1, 3.5, 4.1, 4.2."""

    def test_wraps_a_body_in_type_and_two_lengths(self):
        assert block(5, b"abcd") == b"\x05\0\0\0" + b"\x10\0\0\0" + b"abcd" + b"\x10\0\0\0"

    def test_refuses_a_block_that_analysers_would_refuse(self):
        with pytest.raises(ValueError, match="above the 16777216"):
            block(5, bytes(BLOCK_MAX))

    def test_pads_options_to_four_bytes(self):
        assert (
            options([(1, b"abc"), (2, b"abcd")]) == b"\x01\0\x03\0abc\0" + b"\x02\0\x04\0abcd" + b"\0\0\0\0"
        )

    @pytest.mark.parametrize("cut", range(24))
    def test_reads_whole_options_of_any_cut(self, cut):
        pairs = [(1, b"abc"), (2, b"abcd"), (9, b"")]
        assert list(read_options(options(pairs)[:cut])) == pairs[: (cut >= 7) + (cut >= 16) + (cut >= 20)]

    def test_begins_a_section_as_the_standard_says(self):
        data = section_header("x", ["y"])
        assert data[:4] == bytes.fromhex("0a0d0d0a")
        assert data[8:24] == bytes.fromhex("4d3c2b1a 0100 0000 ffffffffffffffff")

    def test_gives_each_interface_a_link_type_for_private_use(self):
        assert [kind.linktype for kind in INTERFACES] == [147, 147, 148, 147]

    def test_states_nanoseconds_and_offset_of_an_interface(self):
        found = dict(
            read_options(interface_block(INTERFACES[0], offset_seconds=-2, bits_per_second=9600)[16:-4])
        )
        assert found[9] == b"\x09"
        assert found[14] == (-2).to_bytes(8, "little", signed=True)
        assert found[8] == (9600).to_bytes(8, "little")

    def test_leaves_out_a_speed_that_means_nothing(self):
        assert 8 not in dict(
            read_options(interface_block(INTERFACES[2], offset_seconds=0, bits_per_second=0)[16:-4])
        )

    def test_writes_half_a_surrogate_pair_as_an_escape(self):
        found = dict(read_options(section_header("x", ["a\ud800"])[24:-4]))
        assert found[COMMENT] == b"a\\ud800"


def test_keeps_the_plan_readable_in_the_header():
    assert HEADER.plan_text.encode() in recorded()
