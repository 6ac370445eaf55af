"""Builds the firmware library for the machine that runs the tests, and talks to it through `driver.c`."""

from __future__ import annotations

import atexit
import os
import shutil
import struct
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Sequence
from functools import cache
from pathlib import Path
from typing import NamedTuple

import pytest

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent / "codec"))

import plain_codec  # noqa: E402 - stands in another test folder

FIRMWARE = HERE.parents[1] / "shared" / "firmware"
LIBRARY = FIRMWARE / "bench_port.c"
STRICT = ("-Wall", "-Wextra", "-Werror", "-Wpedantic", "-Wconversion", "-Wshadow")
SANITIZE = ("-O1", "-g", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")
LANGUAGES = {"C99": ("gcc", "-std=c99"), "C++11": ("g++", "-std=c++11", "-x", "c++")}
ALL_ABILITIES = 0x3FFF
ALL_DISTURBANCES = 0x1E
"""A bit for each kind, from 1 to 4."""
AVR = ("avr-gcc", "-mmcu=atmega1284p", "-std=c99", "-Os")


def _missing(tools: Iterable[str]) -> list[str]:
    return [tool for tool in tools if shutil.which(tool) is None]


def _needs(tools: Sequence[str], how: str) -> pytest.MarkDecorator:
    absent = _missing(tools)
    must = bool(os.environ.get("CI")) or os.environ.get("PROPSOFF_EMULATOR") == "required"
    return pytest.mark.skipif(bool(absent) and not must, reason=f"{', '.join(absent)} not installed: {how}")


needs_gcc = _needs(("gcc", "g++"), "apt-get install gcc g++ libc6-dev")
needs_avr_gcc = _needs(("avr-gcc", "avr-size", "avr-nm"), "apt-get install gcc-avr avr-libc")


@cache
def _folder() -> Path:
    folder = tempfile.TemporaryDirectory(prefix="propsoff-firmware-")
    atexit.register(folder.cleanup)
    return Path(folder.name)


def run(command: Sequence[str | Path], **more: object) -> subprocess.CompletedProcess[str]:
    """Run a tool; its complaints are the assertion's message."""
    done = subprocess.run(command, capture_output=True, text=True, check=False, **more)  # type: ignore[call-overload]
    assert done.returncode == 0, f"{' '.join(map(str, command))}\n{done.stdout}{done.stderr}"
    return done  # type: ignore[no-any-return]


@cache
def build(language: str, source: Path, *flags: str) -> Path:
    """Compile a program with the library inside; strict, and with sanitizers. Built once in a test run."""
    program = _folder() / f"program{len(list(_folder().iterdir()))}"
    run([*LANGUAGES[language], *STRICT[:4], *SANITIZE, *flags, f"-I{FIRMWARE}", source, "-o", program])
    return program


def compile_object(compiler: Sequence[str], source: Path, *flags: str) -> Path:
    """Compile one source to an object file."""
    made = _folder() / f"object{len(list(_folder().iterdir()))}.o"
    run([*compiler, *flags, f"-I{FIRMWARE}", "-c", source, "-o", made])
    return made


class State(NamedTuple):
    """What the library answers when asked."""

    overridden: bool
    silent: bool
    muted: bool
    restart_wanted: bool
    dropped: int
    bad_frames: int
    injected: dict[int, int]
    deaf: bool = False
    disturbance: int = 0
    start: tuple[int, int] | None = None


QUIET = State(False, False, False, False, 0, 0, {})
"""Nothing is going on, and nothing was lost."""


class Library:
    """One process with the library in it. `events` collects what it did: frames, sticks, settings."""

    def __init__(self, program: Path) -> None:
        self._process = subprocess.Popen([program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        atexit.register(self.close)

    def close(self) -> None:
        if self._process.poll() is None:
            self._process.communicate()

    def do(self, *words: object) -> list[str]:
        """Give one command and return the lines it led to."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(" ".join(map(str, words)) + "\n")
        self._process.stdin.flush()
        lines: list[str] = []
        while (line := self._process.stdout.readline()) != ".\n":
            assert line, f"the library died of {words}: {self._process.wait()}"
            lines.append(line.rstrip())
        return lines

    def begin(
        self,
        *,
        role: int = 1,
        channels: int = 16,
        rate: int = 50_000,
        abilities: int = ALL_ABILITIES,
        disturbances: int = ALL_DISTURBANCES,
        texts: Sequence[str] = ("dunlin-tx", "1.4.0", "A-0007"),
        cause: int = 0,
        at_us: int = 0,
    ) -> list[str]:
        """Start anew, with everything at its beginning."""
        self.do("hooks", 1, 1)
        self.do("refuse", 0)
        self.do("accept", 1)
        words = [text.encode().hex() or "-" for text in texts]
        self.do("describe", role, channels, rate, abilities, disturbances, *words)
        self.at(at_us)
        return self.do("begin", cause)

    def at(self, at_us: int) -> None:
        self.do("at", at_us % 2**32)

    def receive(self, data: bytes, step: int = 0) -> list[str]:
        """Feed bytes, `step` at a time."""
        size = step or max(1, len(data))
        pieces = [data[at : at + size] for at in range(0, len(data), size)]
        return [line for piece in pieces for line in self.do("receive", piece.hex())]

    def tell(self, message: str, counter: int = 0, **fields: object) -> list[str]:
        """Feed one message as the PC sends it."""
        return self.receive(plain_codec.frame(message, counter, fields))

    def state(self) -> State:
        words = self.do("state")[-1].split()[1:]
        flags = [word == "1" for word in words[:4]]
        numbers = [int(word) for word in words[4:10]]
        start = (numbers[4], numbers[5]) if int(words[10]) else None
        fields = dict(map(int, word.split(":")) for word in words[11:])  # type: ignore[misc]
        return State(*flags, *numbers[:2], fields, bool(numbers[2]), numbers[3], start)  # type: ignore[call-arg]


@cache
def library(language: str = "C99", *flags: str) -> Library:
    """Return the running library, built once."""
    return Library(build(language, HERE / "driver.c", *flags))


def reply(command: int, counter: int, result: int, at_us: int, *, number: int) -> str:
    """Return the event that a Reply is."""
    fields = {"command": command, "counter": counter, "result": result, "at_us": at_us}
    return "frame " + plain_codec.frame("Reply", number, fields).hex()


def words_hex(words: Iterable[int]) -> str:
    """Return numbers as the bytes of 16-bit words, "-" for none."""
    return b"".join(struct.pack("<H", word) for word in words).hex() or "-"
