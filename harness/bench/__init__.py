"""The bench: two serial ports with a device behind each, real or simulated, byte by byte."""

from harness.bench.protocol import Bench, Chunk, Role

__all__ = ["Bench", "Chunk", "Role"]
