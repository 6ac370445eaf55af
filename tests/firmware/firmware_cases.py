"""What the golden frames of `shared/vectors.yaml` ask of the firmware library."""

from __future__ import annotations

from typing import Any

from firmware_host import ALL_ABILITIES, QUIET, State, plain_codec, reply
from vectors import stream_bytes

AT_US = 77
"""The device time at which every command is told."""
LONGEST = 2**31
"""Spans from here on are refused: half of the clock is kept to tell before from after."""


def effect(entry: dict[str, Any], fields_held: int) -> tuple[list[str], State]:
    """What the library must do and be after a golden command, told at `AT_US` as its first after Started."""
    message, counter, f = entry["message"], entry["counter"], entry["fields"]
    if message in ("Identify", "Ping"):
        return ["frame " + _answer(message, f).hex()], QUIET
    if message in ("KeepAlive", "Release"):
        return [], QUIET
    if message == "Sticks":
        words = " ".join(map(str, ["sticks", f["set_number"], *f["pulses_us"]]))
        return [words], QUIET._replace(overridden=True)
    result = _result(message, f, fields_held)
    events = [reply(plain_codec.tables()[message][0], counter, result, AT_US, number=1)]
    if message == "Setting" and result == 0:
        events.insert(0, f"setting {f['setting']} {f['value']}")
    return events, _state(message, f) if result == 0 else QUIET


def _answer(message: str, f: dict[str, Any]) -> bytes:
    if message == "Ping":
        return plain_codec.frame("Pong", 1, {"nonce": f["nonce"], "at_us": AT_US})
    made = {"protocol": 1, "role": 1, "channels": 16, "packet_rate_mhz": 50_000, "abilities": ALL_ABILITIES}
    made |= {"firmware": "dunlin-tx", "version": "1.4.0 bench", "serial": "A-0007"}
    return plain_codec.frame("Identity", 1, made)


def _result(message: str, f: dict[str, Any], fields_held: int) -> int:
    """The result in the Reply: 0 done, 1 unknown, 2 out of range."""
    if message == "Setting":
        return 0 if 1 <= f["setting"] <= 5 else 1
    if message == "Inject":
        beyond = any(number >= fields_held for number, _ in f["values"])
        return 2 if beyond or len(f["values"]) > fields_held else 0
    if message == "Disturb" and f["kind"] not in range(1, 5):
        return 2
    spans = [f.get(name, 0) for name in ("spacing_us", "delay_us", "duration_us")]
    return 2 if max(spans) >= LONGEST else 0


def _state(message: str, f: dict[str, Any]) -> State:
    """What the library is once the command is done."""
    runs = f.get("delay_us") == 0 and f["duration_us"] > 0
    return QUIET._replace(
        restart_wanted=message in ("Restart", "RestartAt"),
        start=(f["clock_us"], f["packet"]) if message == "RestartAt" else None,
        silent=runs and message == "Silence",
        muted=runs and message == "MuteAcks",
        deaf=runs and message == "Deafen",
        disturbance=f["kind"] if runs and message == "Disturb" else 0,
        injected=dict(f["values"]) if message == "Inject" else {},
    )


def taken(entry: dict[str, Any]) -> tuple[list[str], int]:
    """What the library must do for a stream, and how many bad frames it must count.

    A frame that console text ran into is dropped with the text: only devices print (protocol.md, section 2).
    """
    events: list[str] = []
    bad = 0
    after_text = False
    data = stream_bytes(entry["bytes"])
    items = entry["outcome"]
    for place, item in enumerate(items):
        kind = item.get("unknown", item.get("misfit"))
        if "message" in item and not after_text:
            told = {"direction": "to device", **item}
            if plain_codec.tables()[item["message"]][0] < 0x40:
                events += effect(told, 8)[0] if item["message"] != "Release" else []
        elif "unknown" in item and kind < 0x40:
            events.append(reply(kind, item["counter"], 1, AT_US, number=1))
        elif "misfit" in item and kind < 0x40:
            bad += 1
        elif {"junk", "text", "junk and text"} & item.keys():
            last = place == len(items) - 1 and not data.endswith(b"\0")
            bad += 0 if last else 1
        after_text = "text" in item or "junk and text" in item
    return events, bad
