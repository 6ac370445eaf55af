"""What a device may send to do harm, and a bench whose devices do: for tests of every place it is shown."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from harness.bench.protocol import Bench, Chunk, Role
from harness.codec import Frame, Splitter, decode_piece, parse
from harness.codec import messages as m
from harness.codec.frames import encode_frame

HOSTILE: dict[str, bytes] = {
    "clears the screen": b"\x1b[2J\x1b[H\x1b[31mPASS\x1b[0m",
    "title": b"\x1b]0;owned\x07",
    "link": b"\x1b]8;;http://x.example\x1b\\ok\x1b]8;;\x1b\\",
    "clipboard": b"\x1b]52;c;cm0gLXJmIH4=\x07",
    "8-bit controls": "\x9b31m\x90q\x9c".encode(),
    "rich markup": b"[bold red]x[/] :smile: [link]",
    "HTML": b"<script>alert(1)</script>",
    "XML": b"]]><!--&amp;'\"><?x ?>",
    "path": b"../../../etc/passwd",
    "path elsewhere": b'C:\\..\\CON|a*b?"<>',
    "turned direction": "a\u202etxt.exe\u2066b".encode(),
    "zero width": "a\u200bb\u200d\ufeff\u00adc".encode(),
    "unseen": "\u3164\u115f\u034f\ufe0fx".encode(),
    "tower": ("Z" + "\u0301" * 11).encode(),
    "not UTF-8": b"\xff\xfe\xc3(\xed\xa0\x80",
    "noncharacters": "\ufffe\uffff\U0001fffe".encode(),
    "line ends": b"ok\r\nPASS: all\n\x0b\x0c\x85",
    "backspaces": b"FAIL\x08\x08\x08\x08PASS\x7f",
    "shell": b"$(reboot)`id`;&&'",
    "format": b"%s%n{0}{x!r}\\N{BELL}",
}
"""By what it is for. No zero bytes, which end a frame; the bench adds some of its own between."""


class HostileDevices:
    """A bench in front of another: identities carry `text`, which is also printed on both ports all the time.

    With `mute` only the text comes, so no device ever says who it is.
    """

    def __init__(self, inner: Bench, text: bytes, *, mute: bool = False) -> None:
        self.inner = inner
        self.text = text
        self.mute = mute
        self.splitters = {role: Splitter() for role in inner.baud}
        self.turns = 0

    def __getattr__(self, name: str) -> Any:
        return getattr(self.inner, name)

    @property
    def facts(self) -> dict[str, str]:
        return dict(self.inner.facts) | {"receiver adapter": self.text.decode("utf-8", "replace")}

    def advance(self, until_ns: int) -> Sequence[Chunk]:
        return [
            Chunk(role, self._printed() + data, at_ns)
            for role, data, at_ns in self.inner.advance(until_ns)
            for data in [b"" if self.mute else self._rewritten(role, data)]
        ]

    def _printed(self) -> bytes:
        self.turns += 1
        return self.text + b"\0\0" if self.turns % 50 == 0 or self.mute else b""

    def _rewritten(self, role: Role, data: bytes) -> bytes:
        return b"".join(self._piece(piece) for piece in self.splitters[role].feed(data))

    def _piece(self, piece: bytes) -> bytes:
        frame = decode_piece(piece.removesuffix(b"\0"))
        identity = parse(frame) if isinstance(frame, Frame) else None
        if not isinstance(frame, Frame) or not isinstance(identity, m.Identity):
            return piece
        head = frame.payload[: m.Identity.HEAD.size]
        name = self.text[: m.MAX_NAME]
        return encode_frame(m.Identity.TYPE, frame.counter, head + (bytes([len(name)]) + name) * 3)


def is_harmless(text: str) -> bool:
    """Whether text may be shown as it is: printable lines, nothing unseen, no line endlessly long."""
    lines = text.split("\n")
    unseen = "\u200b\u3164\u115f\u034f\ufe0f\ufeff\u202e"
    return (
        all(line.isprintable() and len(line) < 4_000 for line in lines)
        and not any(char in text for char in unseen)
        and "\u0301" * 3 not in text
    )
