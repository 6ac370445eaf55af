"""The harness says in plain words what came of asking a port, whatever came."""

from __future__ import annotations

from collections.abc import Mapping

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench.protocol import Role
from harness.codec import encode, encode_frame
from harness.codec import messages as m
from harness.finding.answers import (
    ABILITIES,
    Outcome,
    abilities,
    device_name,
    identified,
    not_identified,
    particulars,
)

JUNK = bytes((0x9F, 0xE3, 0x80, 0x1C, 0xF8, 0x00)) * 20
TEXT = b"Dunlin receiver, build 12\r\nready\r\n"
PONG = encode(m.Pong(1, 2), 3)
ECHOED = b"\0" + encode(m.Identify(), 0)


def identity(**changed: object) -> m.Identity:
    values: dict[str, object] = {
        "protocol": 1, "role": 2, "channels": 6, "packet_rate_mhz": 50_000, "abilities": 0, "firmware": "rx",
        "version": "1.2", "serial": "7",
    }  # fmt: skip
    return m.Identity(**(values | changed))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("seen", "outcome", "baud"),
    [
        ({115_200: b"", 9_600: b""}, Outcome.SILENT, None),
        ({115_200: b"\0" * 40, 9_600: b""}, Outcome.ZEROS, None),
        ({115_200: JUNK, 9_600: JUNK}, Outcome.JUNK, None),
        ({115_200: JUNK, 9_600: TEXT}, Outcome.TEXT, 9_600),
        ({115_200: JUNK, 9_600: PONG}, Outcome.ONE_WAY, 9_600),
        ({115_200: TEXT * 60 + b"\0" + PONG}, Outcome.FLOOD, 115_200),
        ({115_200: TEXT * 2 + b"\0" + PONG}, Outcome.ONE_WAY, 115_200),
        ({115_200: ECHOED, 9_600: b""}, Outcome.ECHO, 115_200),
        ({115_200: ECHOED + PONG}, Outcome.ONE_WAY, 115_200),
    ],
)  # fmt: skip
def test_the_harness_names_what_came_in_place_of_an_identity(
    seen: Mapping[int, bytes], outcome: Outcome, baud: int | None
) -> None:
    answer = not_identified(seen)
    assert (answer.outcome, answer.baud) == (outcome, baud)
    assert answer.tried == tuple(seen)
    assert answer.mend
    assert answer.role is None


def test_the_harness_takes_an_identity_that_it_cannot_read_for_a_newer_protocol() -> None:
    assert not_identified({9_600: encode_frame(0x41, 0, b"\x02\x01")}).outcome is Outcome.TOO_NEW


def test_the_harness_quotes_console_text_escaped_and_bounded() -> None:
    answer = not_identified({115_200: b"\x1b[2J" + b"boot " * 10_000})
    assert answer.outcome is Outcome.TEXT
    assert answer.found.isprintable()
    assert r"\x1b[2Jboot boot" in answer.found
    assert len(answer.found) < 250


@given(st.dictionaries(st.sampled_from((115_200, 9_600, 57_600)), st.binary(max_size=400), min_size=1))
def test_the_harness_has_printable_words_for_any_bytes(seen: Mapping[int, bytes]) -> None:
    answer = not_identified(seen)
    assert answer.found.isprintable()
    assert len(answer.found) < 400


def test_the_harness_tells_who_answered() -> None:
    answer = identified(identity(), 57_600, (115_200, 57_600))
    assert (answer.outcome, answer.role, answer.baud) == (Outcome.DEVICE, Role.RECEIVER, 57_600)
    assert answer.found == "receiver: rx 1.2, serial 7"
    assert particulars(identity()) == "6 channels, 50 Hz, bench protocol 1"
    assert particulars(identity(role=3, channels=1, packet_rate_mhz=0)) == "1 input, bench protocol 1"


@pytest.mark.parametrize(("protocol", "outcome"), [(1, Outcome.DEVICE), (2, Outcome.TOO_NEW)])
def test_the_harness_says_that_a_device_is_too_new(protocol: int, outcome: Outcome) -> None:
    answer = identified(identity(protocol=protocol), 115_200, (115_200,))
    assert answer.outcome is outcome
    assert ("update propsoff" in answer.mend) is (protocol == 2)


@pytest.mark.parametrize(("role", "known"), [(1, True), (3, True), (0, False), (9, False)])
def test_the_harness_says_that_a_role_is_unknown(role: int, known: bool) -> None:
    answer = identified(identity(role=role), 115_200, (115_200,))
    assert (answer.outcome is Outcome.DEVICE) is known
    assert (answer.role is not None) is known


def test_the_harness_escapes_a_hostile_identity() -> None:
    hostile = identity(firmware="\x1b]0;owned\x07", version="[red]<script>", serial="../../\u202e\n")
    name = device_name(hostile)
    assert name.isprintable()
    assert r"\x1b]0;owned\x07" in name
    assert r"\u202e\n" in name
    assert device_name(identity(firmware="", version="", serial="")) == "firmware without a name, no serial"


def test_the_harness_has_words_for_every_ability() -> None:
    assert set(ABILITIES) == set(m.Ability)
    assert abilities(identity()) == "nothing beyond identify and ping"
    told = abilities(identity(abilities=int(m.Ability.STICKS) | 1 << 30))
    assert told == "takes stick positions, and what is not known here (bits 0x40000000)"
