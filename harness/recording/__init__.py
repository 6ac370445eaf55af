"""Writes what happens on the bench to one pcapng file, and reads it back, whole or cut short."""

from harness.recording.model import Direction, Header, Mark, PortPackets, Recording

__all__ = ["Direction", "Header", "Mark", "PortPackets", "Recording"]
