"""The harness packs every message and reads it back, and takes no payload that does not fit its type."""

from __future__ import annotations

import re
from dataclasses import fields
from typing import Any

import plain_codec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from vectors import BY_NAME

from harness.codec import AnyMessage, Frame, MessageError, decode_piece, encode, parse
from harness.codec.messages import (
    BY_TYPE,
    Applied,
    Burst,
    Identify,
    Identity,
    Inject,
    Ping,
    Setting,
    Sticks,
    Telemetry,
)

INTEGERS = {
    "u8": st.integers(0, 2**8 - 1),
    "u16": st.integers(0, 2**16 - 1),
    "u32": st.integers(0, 2**32 - 1),
    "i8": st.integers(-(2**7), 2**7 - 1),
    "i32": st.integers(-(2**31), 2**31 - 1),
    "text": st.text(max_size=24).filter(lambda text: len(text.encode()) <= 24),
    "byte x count": st.binary(max_size=32),
}


def values(width: str) -> st.SearchStrategy[Any]:
    """Anything that a field of this width can hold."""
    if width in INTEGERS:
        return INTEGERS[width]
    kinds = re.findall(r"[ui]\d+", width)
    each = INTEGERS[kinds[0]] if len(kinds) == 1 else st.tuples(*(INTEGERS[kind] for kind in kinds))
    return st.lists(each, max_size=16).map(tuple)


def messages(name: str) -> st.SearchStrategy[AnyMessage]:
    """Any message of one type, its fields and their widths read from the byte tables."""
    rows = plain_codec.tables()[name][1]
    counted = any(row.width.endswith("x count") for row in rows)
    shown = {row.field: values(row.width) for row in rows if not (counted and row.field == "count")}
    return st.builds(BY_NAME[name], **shown)


@given(st.sampled_from(sorted(BY_NAME)).flatmap(messages), st.integers(0, 0xFFFF))
def test_any_message_comes_back_as_it_was_sent(message: AnyMessage, counter: int) -> None:
    frame = decode_piece(encode(message, counter))
    assert isinstance(frame, Frame)
    assert frame.counter == counter
    assert parse(frame) == message


@given(st.sampled_from(sorted(BY_NAME)).flatmap(messages), st.integers(0, 0xFFFF))
def test_any_message_is_laid_out_as_the_byte_tables_say(message: AnyMessage, counter: int) -> None:
    shown = {field.name: getattr(message, field.name) for field in fields(message)}
    assert encode(message, counter) == plain_codec.frame(type(message).__name__, counter, shown)


@given(st.sampled_from(sorted(BY_TYPE)), st.binary(max_size=120))
def test_payload_that_is_taken_packs_to_the_same_bytes(kind: int, payload: bytes) -> None:
    message = parse(Frame(kind, 0, payload))
    later = payload[:1] > b"\x01" and kind in (Identify.TYPE, Identity.TYPE)
    replaced = (
        isinstance(message, Identity) and "\ufffd" in message.firmware + message.version + message.serial
    )
    if message is not None and not replaced:
        packed = message.pack()
        assert payload.startswith(packed) if later else payload == packed


@given(st.integers(0, 255).filter(lambda kind: kind not in BY_TYPE), st.binary(max_size=120))
def test_unknown_type_is_no_message(kind: int, payload: bytes) -> None:
    assert parse(Frame(kind, 0, payload)) is None


@pytest.mark.parametrize(
    "message",
    [
        Ping(-1),
        Ping(2**32),
        Ping("7"),  # type: ignore[arg-type]
        Setting(1, 2**31),
        Sticks(65536, ()),
        Sticks(-1, ()),
        Sticks(1, (70_000,)),
        Sticks(1, (1500,) * 17),
        Burst(70_000, 0),
        Inject(((0, 2**31),)),
        Inject(((256, 0),)),
        Inject(((0, 0),) * 17),
        Telemetry(0, 0, bytes(33)),
        Applied(0, 0, -129, ()),
        Identity(1, 1, 6, 50_000, 0, "f" * 25, "", ""),
        Identity(1, 1, 6, 50_000, 0, "ß" * 13, "", ""),
        Identity(1, 1, 6, 50_000, 0, "\ud800", "", ""),
    ],
    ids=repr,
)
def test_impossible_value_of_ours_is_refused(message: AnyMessage) -> None:
    with pytest.raises(MessageError):
        encode(message, 0)


def test_refusal_names_the_message_and_its_fields() -> None:
    with pytest.raises(MessageError, match=r"Burst\(count=70000, spacing_us=0\)"):
        encode(Burst(70_000, 0), 0)


def test_identity_of_a_newer_version_still_tells_its_version() -> None:
    newer = Identity(2, 1, 6, 50_000, 0, "dunlin-tx", "3", "").pack() + b"more to come"
    message = parse(Frame(Identity.TYPE, 0, newer))
    assert isinstance(message, Identity)
    assert message.protocol == 2


def test_identity_of_a_newer_version_with_a_name_cut_short_is_no_message() -> None:
    newer = Identity(2, 1, 6, 50_000, 0, "dunlin-tx", "3", "A7").pack()
    assert parse(Frame(Identity.TYPE, 0, newer[:-1])) is None


@given(st.binary(min_size=1, max_size=24))
def test_names_that_are_no_utf8_become_readable_text(name: bytes) -> None:
    head = Identity(1, 1, 6, 50_000, 0, "", "", "").pack()[:-3]
    message = parse(Frame(Identity.TYPE, 0, head + bytes((len(name),)) + name + b"\0\0"))
    assert isinstance(message, Identity)
    assert message.firmware == name.decode("utf-8", "replace")
    assert len(message.firmware) <= 24


def test_messages_are_values_that_cannot_be_changed() -> None:
    for kind in BY_TYPE.values():
        assert kind.__dataclass_params__.frozen
        assert "__slots__" in vars(kind)
