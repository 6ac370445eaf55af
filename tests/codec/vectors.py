"""Reads `shared/vectors.yaml` for the tests."""

from __future__ import annotations

from functools import cache
from typing import Any

import yaml
from plain_codec import SHARED

from harness.codec import AnyMessage
from harness.codec.messages import BY_TYPE

BY_NAME = {kind.__name__: kind for kind in BY_TYPE.values()}


@cache
def document() -> dict[str, Any]:
    """The whole file."""
    loaded: dict[str, Any] = yaml.safe_load((SHARED / "vectors.yaml").read_text(encoding="utf-8"))
    return loaded


def stream_bytes(written: str | list[str]) -> bytes:
    """Put the parts of a stream together: hexadecimal, or hexadecimal and how many times."""
    parts = [written] if isinstance(written, str) else written
    split = [part.partition(" * ") for part in parts]
    return b"".join(bytes.fromhex(digits) * int(times or 1) for digits, _, times in split)


def plain_fields(entry: dict[str, Any]) -> dict[str, Any]:
    """Fields as the byte tables see them: a telemetry payload is bytes."""
    fields = dict(entry["fields"])
    if entry["message"] == "Telemetry":
        fields["payload"] = bytes.fromhex(fields["payload"])
    return fields


def built(entry: dict[str, Any]) -> AnyMessage:
    """The message that an entry describes."""
    message: AnyMessage = BY_NAME[entry["message"]](**{k: _frozen(v) for k, v in plain_fields(entry).items()})
    return message


def _frozen(value: Any) -> Any:
    return tuple(_frozen(one) for one in value) if isinstance(value, list) else value
