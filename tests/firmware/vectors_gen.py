"""Writes `vectors_data.h` for `vectors_main.c`: the golden frames as a program of bytes that runs anywhere.

    python vectors_gen.py FOLDER

One byte of operation, then what it takes, least significant byte first; lengths are one byte unless said
otherwise. A check ends with the events it must have led to, one after the other:
1 frame: length, bytes. 2 sticks: set u16, count, pulses u16. 3 setting: number, value i32. 4 state: flags
(1 overridden, 2 silent, 4 muted, 8 restart wanted, 16 deaf, 32 restart at), kind of the disturbance, with
flag 32 clock u32 and packet u16, bad frames u16, injected: count, (field, raw i32).
"""

from __future__ import annotations

import struct
import sys
from collections.abc import Iterable, Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any, Final

from firmware_cases import AT_US, effect, taken
from firmware_host import (
    ALL_ABILITIES,
    ALL_DISTURBANCES,
    FIRMWARE,
    HERE,
    LIBRARY,
    QUIET,
    State,
    plain_codec,
)
from vectors import document, plain_fields

FIELDS: Final = 8
CHECK, BEGIN, AT, NUMBER, TALLY, FEED, SENT, LIST, COUNTERS, ANY, STATE, EXPECT, END = range(13)
TEXTS: Final = ("dunlin-tx", "1.4.0", "A-0007")
LISTS: Final = {
    "Telemetry": "payload",
    "Applied": "outputs_us",
    "OutputChange": "outputs_us",
    "Pulses": "pulses",
}


def checks_of(document_: dict[str, Any] | None = None) -> list[bytes]:
    """Return the checks for a vectors file, the project's own unless another is given."""
    loaded = document_ or document()
    checks: list[bytes] = []
    for entry in loaded["messages"]:
        to_pc = entry["direction"] == "to PC"
        checks += _checks_to_pc(entry) if to_pc else _checks_to_device(entry)
    return checks + [_stream(entry) for entry in loaded["streams"]]


def _checks_to_pc(entry: dict[str, Any]) -> Iterator[bytes]:
    golden = bytes.fromhex(entry["frame"])
    counter = struct.pack("<BH", NUMBER, entry["counter"])
    kind = plain_codec.tables()[entry["message"]][0]
    payload = plain_codec.payload(entry["message"], plain_fields(entry))
    raw = bytes((ANY, kind, len(payload))) + payload
    yield _named(entry, _begin() + counter + raw + _expect([_frame(golden)]))
    call = _call(entry)
    if call is not None:
        yield _named(entry, call + _expect([_frame(golden)]))
    yield _named(entry, _begin() + _feed([golden]) + _expect([], QUIET))


def _call(entry: dict[str, Any]) -> bytes | None:
    """The call that leads to a message, with what goes before it; None where none does."""
    message, f = entry["message"], plain_fields(entry)
    begun = _begin() + struct.pack("<BH", NUMBER, entry["counter"])
    if message == "Started":
        begun = _begin(cause=f["cause"], at_us=f["at_us"], keep=True)
    steps = _report(message, f)
    return None if steps is None else begun + steps


def _report(message: str, f: dict[str, Any]) -> bytes | None:
    steps: bytes | None = b"" if message == "Started" else None
    if message == "Pong":
        steps = _at(f["at_us"]) + _feed([plain_codec.frame("Ping", 0, {"nonce": f["nonce"]})])
    elif message == "Reply" and f["result"] == 1:
        head = bytes((f["command"],)) + f["counter"].to_bytes(2, "little")
        steps = _at(f["at_us"]) + _feed([plain_codec.raw_frame(head)])
    elif message == "Sent":
        steps = struct.pack("<BHHIIBB", SENT, *(f[name] for name in f))
    elif message in LISTS:
        steps = _list(message, f)
    elif message == "Counters":
        tally = struct.pack("<BH", TALLY, f["bad_frames"])
        steps = tally + struct.pack("<BIIIHH", COUNTERS, *list(f.values())[:5])
    return steps


def _list(message: str, f: dict[str, Any]) -> bytes:
    kind = plain_codec.tables()[message][0]
    extra = f.get("signal_dbm", f.get("reason", 0)) & 0xFF
    values = f[LISTS[message]]
    if message == "Telemetry":
        data = bytes(values)
    else:
        words = [word for pair in values for word in pair] if message == "Pulses" else values
        data = struct.pack(f"<{len(words)}H", *words)
    return struct.pack("<BBHIBB", LIST, kind, f.get("packet", 0), f["at_us"], extra, len(data)) + data


def _checks_to_device(entry: dict[str, Any]) -> Iterator[bytes]:
    events, state = effect(entry, FIELDS)
    steps = _begin() + _at(AT_US) + _feed([bytes.fromhex(entry["frame"])])
    yield _named(entry, steps + _expect(map(_event, events), state))


def _stream(entry: dict[str, Any]) -> bytes:
    events, bad = taken(entry)
    written = entry["bytes"]
    parts = [written] if isinstance(written, str) else written
    split = [part.partition(" * ") for part in parts]
    fed = b"".join(_feed([bytes.fromhex(digits)], int(times or 1)) for digits, _, times in split)
    state = QUIET._replace(bad_frames=bad)
    return _named(entry, _begin() + _at(AT_US) + fed + _expect(map(_event, events), state))


def _named(entry: dict[str, Any], steps: bytes) -> bytes:
    name = entry["name"].encode("ascii", "replace")
    return bytes((CHECK, len(name))) + name + steps


def _begin(cause: int = 0, at_us: int = 0, *, keep: bool = False) -> bytes:
    """Start anew; what that writes is forgotten unless it is to be kept."""
    identity = struct.pack("<BBIHB", 1, 16, 50_000, ALL_ABILITIES, ALL_DISTURBANCES)
    texts = b"".join(bytes((len(text),)) + text.encode() for text in TEXTS)
    return struct.pack("<BBIB", BEGIN, cause, at_us, keep) + identity + texts


def _at(at_us: int) -> bytes:
    return struct.pack("<BI", AT, at_us)


def _feed(pieces: Iterable[bytes], times: int = 1) -> bytes:
    data = b"".join(pieces)
    return struct.pack("<BHH", FEED, times, len(data)) + data


def _expect(events: Iterable[bytes], state: State | None = None) -> bytes:
    """The events of a check, u16 bytes of them; with a state, the library is asked for it last."""
    wanted = b"".join(events)
    asked = b""
    if state is not None:
        asked = bytes((STATE,))
        wanted += _state(state)
    return asked + struct.pack("<BH", EXPECT, len(wanted)) + wanted


def _state(state: State) -> bytes:
    asked = (*state[:4], state.deaf, state.start is not None)
    flags = sum(flag << bit for bit, flag in enumerate(asked))
    start = struct.pack("<IH", *state.start) if state.start else b""
    fields = b"".join(struct.pack("<Bi", *pair) for pair in sorted(state.injected.items()))
    counts = struct.pack("<HB", state.bad_frames, len(state.injected))
    return bytes((4, flags, state.disturbance)) + start + counts + fields


def _frame(frame: bytes) -> bytes:
    return bytes((1, len(frame))) + frame


def _event(line: str) -> bytes:
    """An event of `driver.c` in the bytes of `vectors_main.c`."""
    word, *rest = line.split()
    if word == "frame":
        return _frame(bytes.fromhex(rest[0]))
    values = list(map(int, rest))
    if word == "sticks":
        return struct.pack(f"<BHB{len(values) - 1}H", 2, values[0], len(values) - 1, *values[1:])
    assert word == "setting"
    return struct.pack("<BBi", 3, *values)


def write_header(folder: Path, document_: dict[str, Any] | None = None) -> Path:
    """Write `vectors_data.h` into a folder and return its path."""
    data = b"".join(checks_of(document_)) + bytes((END,))
    rows = [", ".join(map(str, data[at : at + 24])) for at in range(0, len(data), 24)]
    library = sha256(LIBRARY.read_bytes()).hexdigest()
    path = folder / "vectors_data.h"
    path.write_text(
        f"/* Made by vectors_gen.py from shared/vectors.yaml, for the library {library}. */\n"
        "static const uint8_t vectors[] IN_FLASH = {\n    " + ",\n    ".join(rows) + "\n};\n",
        encoding="utf-8",
    )
    return path


def avr_vector_program(folder: Path) -> tuple[list[Path], dict[str, str | int], tuple[Path, ...]]:
    """Write the data into `folder`; return sources, defines and includes for a build with avr-gcc.

    The program writes a line "FAILED name" for each check that failed and "done N checks" at the end, on
    UART0 at 115 200 bit/s (16 MHz), then does nothing for ever. N is twice the number of `checks_of()`.
    """
    write_header(folder)
    return [HERE / "vectors_main.c"], {"ON_AVR": 1}, (folder, FIRMWARE)


if __name__ == "__main__":
    print(write_header(Path(sys.argv[1])))
