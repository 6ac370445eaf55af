"""The harness keeps the bytes of further ports beside those of the devices, and never mixes them."""

import io
import subprocess
from dataclasses import replace
from shutil import which

import pytest
from recording_samples import EVENTS, HEADER, START_NS, WITNESSED, recorded

from harness.errors import RecordingError
from harness.recording import Direction, Follower, RecordingWriter, parse_recording

NAMES = ("receiver raw", "switch")


def written(header, lines):
    file = io.BytesIO()
    writer = RecordingWriter(file, header, START_NS)
    for role, direction, data, at_ns in EVENTS:
        writer.packet(role, direction, data, START_NS + at_ns)
    for name, out, data, at_ns in lines:
        writer.beside(name, out, data, START_NS + at_ns)
    writer.mark(START_NS + 2**33, "end", why="complete", detail="")
    writer.close()
    return file.getvalue()


LINES = (
    ("switch", True, b"OUTP OFF\n", 2**32 + 20),
    ("receiver raw", False, b"n=17 a=1500\r\n", 2**32 + 21),
    ("switch", False, b"1\n", 2**32 + 22),
)


@pytest.mark.parametrize("header", [HEADER, WITNESSED])
def test_reads_back_what_crossed_further_ports(header):
    recording = parse_recording(written(replace(header, beside=NAMES), LINES), "x")
    assert recording.header.beside == NAMES
    assert recording.complete, recording.problems
    assert recording.beside["switch"].data == [b"OUTP OFF\n", b"1\n"]
    assert recording.beside["switch"].direction == [Direction.TO_DEVICE, Direction.TO_PC]
    assert recording.beside["receiver raw"].at_ns == [2**32 + 21]
    assert sum(len(port.data) for port in recording.ports.values()) == len(EVENTS)


def test_writes_the_same_bytes_as_ever_where_there_is_none():
    assert b"propsoff.beside" not in recorded()
    assert parse_recording(recorded(), "x").beside == {}


def test_follows_further_ports_part_by_part():
    data = written(replace(HEADER, beside=NAMES), LINES)
    follower = Follower("x")
    first = follower.read(data[:-500])
    kept = {name: list(port.data) for name, port in first.beside.items()}
    whole = follower.read(data)
    assert {name: list(port.data) for name, port in first.beside.items()} == kept
    assert whole.beside == parse_recording(data, "x").beside


@pytest.mark.parametrize("names", ['["a"', '"a"', "[1]", str([f"p{n}" for n in range(9)]).replace("'", '"')])
def test_refuses_names_that_are_none(names):
    data = written(replace(HEADER, beside=("switch",)), ())
    with pytest.raises(RecordingError, match="header"):
        parse_recording(_with_names(data, names), "x")


def _with_names(data, names):
    """The recording with another text in that comment, and lengths to match."""
    from harness.recording.pcapng import options, read_options

    size = int.from_bytes(data[4:8], "little")
    pairs = [
        (code, b"propsoff.beside: " + names.encode() if value.startswith(b"propsoff.beside") else value)
        for code, value in read_options(data[24 : size - 4])
    ]
    body = data[8:24] + options(pairs)
    total = (len(body) + 12).to_bytes(4, "little")
    return data[:4] + total + body + total + data[size:]


@pytest.mark.skipif(which("capinfos") is None, reason="needs capinfos, a general packet analyser's tool")
def test_shows_further_ports_to_a_general_packet_analyser(tmp_path):
    file = tmp_path / "x.pcapng"
    file.write_bytes(written(replace(WITNESSED, beside=NAMES), LINES))
    told = subprocess.run(["capinfos", "-M", file], capture_output=True, text=True, check=True).stdout
    assert "Number of interfaces in file: 6" in told
    assert "Name = receiver raw" in told
