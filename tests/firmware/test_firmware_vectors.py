"""The firmware library writes every golden frame and takes every golden command, in C99 and in C++11."""

from __future__ import annotations

from typing import Any

import pytest
from firmware_cases import QUIET, effect, taken
from firmware_host import Library, library, needs_gcc, plain_codec, words_hex
from vectors import document, plain_fields, stream_bytes

pytestmark = needs_gcc

MESSAGES = document()["messages"]
STREAMS = document()["streams"]
TO_PC = [entry for entry in MESSAGES if entry["direction"] == "to PC"]
TO_DEVICE = [entry for entry in MESSAGES if entry["direction"] == "to device"]
BUILDS = {
    "C99": ("C99",),
    "C++11": ("C++11",),
    "C99, 16 fields": ("C99", "-DBENCH_FIELDS=16"),
}
each_build = pytest.mark.parametrize("build", BUILDS.values(), ids=BUILDS)


def named(entries: list[dict[str, Any]]) -> Any:
    return pytest.mark.parametrize("entry", entries, ids=[entry["name"] for entry in entries])


def fields_in(build: tuple[str, ...]) -> int:
    return 16 if len(build) > 1 else 8


# ---- device to PC: the typed calls write the golden frames


def written_as_identity(device: Library, counter: int, fields: dict[str, Any]) -> list[str] | None:
    version, _, build = fields["version"].rpartition(" ")
    if build != "bench":
        return None
    texts = (fields["firmware"], version, fields["serial"])
    device.begin(
        role=fields["role"],
        channels=fields["channels"],
        rate=fields["packet_rate_mhz"],
        abilities=fields["abilities"],
        texts=texts,
    )
    device.do("number", counter)
    return device.tell("Identify", version=1)


def written_as_reply(device: Library, counter: int, fields: dict[str, Any]) -> list[str] | None:
    if fields["command"] == 0:
        return None  # nobody sends such a command
    device.at(fields["at_us"])
    if fields["command"] == plain_codec.tables()["Silence"][0]:
        return device.tell("Silence", fields["counter"], delay_us=1, duration_us=2)
    head = bytes((fields["command"],)) + fields["counter"].to_bytes(2, "little")
    return device.receive(plain_codec.raw_frame(head))


def written_by_report(device: Library, message: str, fields: dict[str, Any]) -> list[str]:
    f = fields
    if message == "Sent":
        names = ("packet", "set_number", "at_us", "took_us", "attempts", "flags")
        return device.do("sent", *(f[name] for name in names))
    if message == "Telemetry":
        return device.do("telemetry", f["packet"], f["at_us"], 0, f["payload"].hex() or "-")
    if message == "Applied":
        return device.do("applied", f["packet"], f["at_us"], f["signal_dbm"], words_hex(f["outputs_us"]))
    if message == "OutputChange":
        return device.do("output_change", 0, f["at_us"], f["reason"], words_hex(f["outputs_us"]))
    if message == "Pulses":
        return device.do("pulses", 0, f["at_us"], 0, words_hex(word for pair in f["pulses"] for word in pair))
    assert message == "Counters"
    device.do("tally", 0, f["bad_frames"])
    return device.do("counters", *(f[name] for name in list(f)[:5]))


def written_at_the_end(device: Library, counter: int, f: dict[str, Any]) -> list[str] | None:
    """A disturbance that counts its packets, and is released."""
    if f["kind"] not in range(1, 5):
        return None  # there is no such disturbance
    device.at(f["at_us"] - 1_000)
    device.tell("Disturb", kind=f["kind"], delay_us=0, duration_us=2**31 - 1)
    for place in range(f["packets"]):
        device.do("disturbed", int(place < f["acknowledged"]))
    device.do("number", counter)
    device.at(f["at_us"])
    return device.tell("Release")


def written(device: Library, entry: dict[str, Any]) -> list[str] | None:
    """What the library writes for a message; None where no call of it leads there."""
    message, counter, fields = entry["message"], entry["counter"], plain_fields(entry)
    if message == "Started":
        return device.begin(cause=fields["cause"], at_us=fields["at_us"])
    device.begin()
    device.do("number", counter)
    if message == "Identity":
        return written_as_identity(device, counter, fields)
    if message == "Reply":
        return written_as_reply(device, counter, fields)
    if message == "Pong":
        device.at(fields["at_us"])
        return device.tell("Ping", nonce=fields["nonce"])
    if message == "Disturbed":
        return written_at_the_end(device, counter, fields)
    return written_by_report(device, message, fields)


@each_build
@named(TO_PC)
def test_library_writes_the_golden_frame(build: tuple[str, ...], entry: dict[str, Any]) -> None:
    device = library(*build)
    events = written(device, entry)
    if events is not None:
        assert events[0] == f"frame {entry['frame']}"
        assert events[1:] in ([], ["sent"])
    # Every frame, those too that no call leads to, comes out of the same encoder.
    device.begin()
    device.do("number", entry["counter"])
    kind = plain_codec.tables()[entry["message"]][0]
    payload = plain_codec.payload(entry["message"], plain_fields(entry))
    assert device.do("any", kind, payload.hex() or "-") == [f"frame {entry['frame']}", "sent"]


def test_only_what_no_device_of_this_build_says_has_no_call() -> None:
    device = library()
    without = [entry["name"] for entry in TO_PC if written(device, entry) is None]
    assert without == [
        "identity, transmitter",
        "identity, receiver without texts",
        "identity, every bit, 24-byte texts",
        "identity, text beyond ASCII",
        "reply, zeros",
        "disturbed, zeros",
        "disturbed, largest values",
    ]


@each_build
@named(TO_PC)
def test_library_ignores_what_devices_say(build: tuple[str, ...], entry: dict[str, Any]) -> None:
    device = library(*build)
    device.begin()
    assert device.receive(bytes.fromhex(entry["frame"])) == []
    assert device.state() == QUIET


# ---- PC to device: every command has the effect that protocol.md gives it


@each_build
@named(TO_DEVICE)
def test_library_carries_out_the_golden_command(build: tuple[str, ...], entry: dict[str, Any]) -> None:
    device = library(*build)
    device.begin()
    device.at(77)
    events = device.receive(bytes.fromhex(entry["frame"]))
    assert (events, device.state()) == effect(entry, fields_in(build))


# ---- hostile streams


@each_build
@pytest.mark.parametrize("step", [1, 3, 0], ids=["byte by byte", "by threes", "whole"])
@named(STREAMS)
def test_library_takes_just_the_commands_in_a_hostile_stream(
    build: tuple[str, ...], step: int, entry: dict[str, Any]
) -> None:
    device = library(*build)
    device.begin()
    device.at(77)
    events = device.receive(stream_bytes(entry["bytes"]), step)
    assert (events, device.state().bad_frames) == taken(entry)
    assert device.receive(b"\0") == []
    assert device.tell("Ping", nonce=1)[0].startswith("frame 0342")
