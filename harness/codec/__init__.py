"""What the bytes on a bench port mean: bytes in, messages out, bytes out. No port and no clock in here."""

from harness.codec.frames import (
    MAX_FRAME,
    Frame,
    Junk,
    Splitter,
    decode_piece,
    decode_stream,
    encode_frame,
)
from harness.codec.messages import AnyMessage, Message, MessageError, encode, parse

__all__ = [
    "MAX_FRAME",
    "AnyMessage",
    "Frame",
    "Junk",
    "Message",
    "MessageError",
    "Splitter",
    "decode_piece",
    "decode_stream",
    "encode",
    "encode_frame",
    "parse",
]
