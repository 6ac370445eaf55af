"""How does a recording's header stand in its comments? As `propsoff.KEY: VALUE`, one comment each.

A value too long for one comment goes into several, numbered `KEY[1/3]` and so on; put end to end they are the
value. Names and texts stand as they are; lists of pairs are JSON.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from hashlib import sha256
from typing import Final

from harness.bench.protocol import DEVICES, Role
from harness.recording.model import Header
from harness.recording.pcapng import BESIDE_MAX, COMMENT_MAX

FORMAT: Final = "1"
PREFIX: Final = "propsoff."
WALL_SECONDS_MAX: Final = 2**35
_COMMENT: Final = re.compile(r"propsoff\.([a-z0-9_.]+)(?:\[(\d{1,4})/(\d{1,4})\])?: (.*)", re.DOTALL)


class HeaderError(ValueError):
    """The comments are not a header of ours, or not a whole one."""


def plan_sha256(plan_text: str) -> str:
    """Return the SHA-256 of a plan's text in UTF-8, in hexadecimal."""
    return sha256(plan_text.encode("utf-8", "backslashreplace")).hexdigest()


def to_comments(header: Header) -> list[str]:
    """Return the header as comments of at most `COMMENT_MAX` bytes of UTF-8 each, in a fixed order."""
    values = {
        "format": FORMAT,
        "plan.name": header.plan_name,
        "plan.sha256": plan_sha256(header.plan_text),
        "rig.name": header.rig_name,
        "seed": str(header.seed),
        "clock": header.clock,
        "wall_seconds": str(header.wall_seconds),
        "hardware": "yes" if header.hardware else "no",
        "baud": _json({role.value: header.baud[role] for role in Role if role in header.baud}),
        **({"beside": json.dumps(list(header.beside))} if header.beside else {}),
        "versions": _json(dict(header.versions)),
        "facts": _json(dict(sorted(header.facts.items()))),
        "rig.text": header.rig_text,
        "plan.text": header.plan_text,
    }
    return [comment for key, value in values.items() for comment in _comments(key, value)]


def from_comments(comments: Iterable[str]) -> Header:
    """Read a header back; comments that are not ours are passed over. Raises HeaderError."""
    values = _values(comments)
    if "format" not in values:
        raise HeaderError("its header does not say propsoff.format")
    if values["format"] != FORMAT:
        raise HeaderError(f"its format is {values['format']!r:.40}; this propsoff reads format {FORMAT}")
    try:
        return Header(
            plan_name=values["plan.name"],
            plan_text=values["plan.text"],
            rig_name=values["rig.name"],
            rig_text=values["rig.text"],
            seed=_whole(values["seed"], 2**64),
            versions=tuple(_pairs(values["versions"]).items()),
            clock=values["clock"],
            wall_seconds=_whole(values["wall_seconds"], WALL_SECONDS_MAX),
            hardware=values["hardware"] != "no",
            baud=_baud(values["baud"]),
            facts=_pairs(values["facts"]),
            beside=_names(values.get("beside", "[]")),
        )
    except KeyError as error:
        raise HeaderError(f"its header has no whole propsoff.{error.args[0]}") from error


def plan_is_intact(comments: Iterable[str]) -> bool:
    """Return whether the plan's text still has the SHA-256 that was written beside it."""
    values = _values(comments)
    return values.get("plan.sha256") == plan_sha256(values.get("plan.text", ""))


def _comments(key: str, value: str) -> list[str]:
    pieces = _pieces(value, COMMENT_MAX - 100)
    if len(pieces) == 1:
        return [f"{PREFIX}{key}: {value}"]
    return [f"{PREFIX}{key}[{number}/{len(pieces)}]: {piece}" for number, piece in enumerate(pieces, 1)]


def _pieces(value: str, most: int) -> list[str]:
    """Cut text into pieces of at most `most` bytes of UTF-8, never inside a character."""
    data = value.encode("utf-8", "backslashreplace")
    pieces: list[str] = []
    while len(data) > most:
        cut = most
        while data[cut] & 0xC0 == 0x80:
            cut -= 1
        pieces.append(data[:cut].decode())
        data = data[cut:]
    return [*pieces, data.decode()]


def _values(comments: Iterable[str]) -> dict[str, str]:
    """Join numbered pieces and return the values whose pieces are all there, in order."""
    found: dict[str, list[str]] = {}
    wanted: dict[str, int] = {}
    for comment in comments:
        match = _COMMENT.fullmatch(comment)
        if match is None:
            continue
        key, number, count, value = match.groups()
        pieces = found.setdefault(key, [])
        wanted[key] = int(count or 1)
        if int(number or 1) == len(pieces) + 1:
            pieces.append(value)
    return {key: "".join(pieces) for key, pieces in found.items() if len(pieces) == wanted[key]}


def _json(value: Mapping[str, str | int]) -> str:
    return json.dumps(value, ensure_ascii=True)


def _whole(text: str, below: int) -> int:
    if not re.fullmatch(r"[0-9]{1,20}", text, re.ASCII) or int(text) >= below:
        raise HeaderError(f"{text!r:.40} in its header is not a whole number below {below}")
    return int(text)


def _object(text: str) -> dict[str, object]:
    try:
        value = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise HeaderError(f"{text!r:.40} in its header is not JSON") from error
    if not isinstance(value, dict):
        raise HeaderError(f"{text!r:.40} in its header is not a JSON object")
    return value


def _pairs(text: str) -> dict[str, str]:
    return {key: str(value) for key, value in _object(text).items()}


def _names(text: str) -> tuple[str, ...]:
    try:
        names = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise HeaderError(f"{text!r:.40} in its header is not JSON") from error
    if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
        raise HeaderError(f"{text!r:.40} in its header is not a list of names")
    if len(names) > BESIDE_MAX:
        raise HeaderError(f"its header names {len(names)} further ports; at most {BESIDE_MAX} are read")
    return tuple(names)


def _baud(text: str) -> dict[Role, int]:
    value = _object(text)
    ports = [role for role in Role if role in DEVICES or role.value in value]
    return {role: _whole(str(value.get(role.value)), 2**32) for role in ports}
