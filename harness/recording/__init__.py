"""Writes what happens on the bench to one pcapng file, and reads it back, whole or cut short."""

from harness.recording.model import Direction, Header, Mark, PortPackets, Recording
from harness.recording.reader import Follower, parse_recording, read_recording
from harness.recording.windows import Window, parse_windows, read_header, read_windows
from harness.recording.writer import RecordingWriter

__all__ = [
    "Direction",
    "Follower",
    "Header",
    "Mark",
    "PortPackets",
    "Recording",
    "RecordingWriter",
    "Window",
    "parse_recording",
    "parse_windows",
    "read_header",
    "read_recording",
    "read_windows",
]
