"""What is said when a device does not introduce itself, or is not the one expected."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench import Role
from harness.bench.identify import MAX_QUOTED, check_identity, explain_silence, quoted
from harness.codec import encode, encode_frame
from harness.codec import messages as m
from harness.plan.model import Channel, Failsafe, Link

T, R = Role.TRANSMITTER, Role.RECEIVER
LINK = Link(
    packet_rate_mhz=50_000,
    channels=tuple(Channel(name=name, failsafe="centre") for name in ("roll", "pitch", "yaw")),
    failsafe=Failsafe(within_ns=500_000_000),
)
IDENTITY = m.Identity(1, m.WireRole.TRANSMITTER, 6, 50_000, m.Ability.STICKS, "dunlin-tx", "0.3", "A1")
APPLIED = m.Applied(7, 1000, m.SIGNAL_UNKNOWN, (1500, 1500, 1500))


def said(seen: bytes, role: Role = R) -> str:
    return explain_silence(seen, role, port="/dev/ttyX", baud=115_200)


def test_the_harness_names_port_and_role_first() -> None:
    assert said(b"").startswith("receiver port /dev/ttyX: no answer to identify; ")


def test_the_harness_asks_for_power_and_wires_when_nothing_came() -> None:
    assert "nothing at all arrived. Is the device powered" in said(b"")


def test_the_harness_quotes_console_text_escaped() -> None:
    answer = said(b'boot 1.2\r\nready "bench" \x1b[31m\n' * 3)
    assert "only console text arrived" in answer
    assert 'boot 1.2\\r\\nready \\"bench\\" \\x1b[31m\\n' in answer
    assert "\x1b" not in answer


def test_the_harness_says_that_a_line_is_held_low() -> None:
    assert "40 bytes came, all zero: the line is held low" in said(bytes(40))


def resampled(data: bytes, sent_baud: int, read_baud: int) -> bytes:
    """Return what a UART at `read_baud` makes of 8N1 bytes sent at `sent_baud`, line idle before and after.

    A start bit is a falling edge; each bit is read in its middle (common practice, no source).
    A byte without its stop bit is kept, as serial drivers do by default.
    """
    bits = [1, 1]
    for byte in data:
        bits += [0, *(byte >> place & 1 for place in range(8)), 1]
    bits += [1] * 40

    def level(at: float) -> int:
        place = int(at * sent_baud)
        return bits[place] if place < len(bits) else 1

    found, at, step = bytearray(), 0.0, 1 / read_baud
    while at * sent_baud < len(bits):
        if level(at) == 1:
            at += step / 16  # the usual sixteen-fold sampling
            continue
        found.append(sum(level(at + (1.5 + place) * step) << place for place in range(8)))
        at += 9.5 * step
    return bytes(found)


def test_the_resampling_uart_reads_what_was_sent_at_its_own_rate() -> None:
    assert resampled(b"Dunlin\x00\xff\x55", 115_200, 115_200) == b"Dunlin\x00\xff\x55"


@pytest.mark.parametrize("read_baud", [9_600, 57_600, 76_800, 230_400])
def test_the_harness_suspects_the_baud_rate_when_only_junk_came(read_baud: int) -> None:
    stream = b"".join(encode(m.Applied(n, 20_000 * n, -60, (1500, 1100, 1900)), n) for n in range(60))
    junk = resampled(stream, 115_200, read_baud)
    answer = said(junk)
    assert f"{len(junk)} bytes came and no whole message" in answer
    assert "does not speak at the 115200 baud that the rig says" in answer


def test_the_harness_says_that_the_ports_are_swapped() -> None:
    assert "this port leads to the receiver: swap the two ports" in said(encode(APPLIED, 3), T)
    sent = m.Sent(1, 1, 1, 1, 1, m.SENT_ACKED)
    assert "this port leads to the transmitter: swap the two ports" in said(encode(sent, 3), R)


def test_the_harness_knows_a_witness_by_its_pulses_and_its_role() -> None:
    pulses = encode(m.Pulses(9, ((5, 15_000),) * 3), 3)
    assert "this port leads to the witness: swap the two ports" in said(pulses, R)
    assert "this port leads to the receiver: swap the two ports" in said(encode(APPLIED, 3), Role.WITNESS)
    witness = changed(role=m.WireRole.WITNESS, packet_rate_mhz=0, abilities=0)
    assert check_identity(witness, Role.WITNESS, LINK) is None
    assert "the receiver port leads to the witness" in str(check_identity(witness, R, LINK))
    few = changed(role=m.WireRole.WITNESS, channels=2)
    assert "the witness has 2 inputs, the plan declares 3" in str(check_identity(few, Role.WITNESS, LINK))


def test_the_harness_says_that_the_device_does_not_hear_it() -> None:
    answer = said(encode(APPLIED, 3) + encode(APPLIED, 4), R)
    assert "2 whole messages came, but no identity" in answer
    assert "the device does not hear the PC" in answer


def test_the_harness_recognises_its_own_messages_coming_back() -> None:
    assert "RX and TX are joined" in said(encode(m.Identify(), 0) * 3)


@pytest.mark.parametrize(
    "frame",
    [
        encode_frame(0x7E, 0, b"future"),
        encode_frame(m.Identity.TYPE, 0, b"\x02 a newer layout") + encode(APPLIED, 1),
    ],
    ids=["unknown type", "identity in another layout"],
)
def test_the_harness_suspects_a_newer_protocol(frame: bytes) -> None:
    assert "protocol newer than 1; update propsoff" in said(frame)


def test_the_harness_finds_a_message_behind_a_boot_banner() -> None:
    assert "1 whole message came" in said(b"boot 1.2\r\n" + encode(APPLIED, 0))


@given(st.binary(max_size=600), st.sampled_from(Role))
def test_the_harness_explains_any_bytes_in_one_bounded_printable_line(seen: bytes, role: Role) -> None:
    answer = said(seen, role)
    assert answer.isascii()
    assert answer.isprintable()
    assert len(answer) < 500


@given(st.binary(max_size=300), st.integers(1, 200))
def test_the_harness_quotes_any_bytes_bounded_and_printable(data: bytes, most: int) -> None:
    text = quoted(data, most)
    assert text.isascii()
    assert text.isprintable()
    assert len(text) <= most + len('"..."')


def test_the_harness_quotes_short_text_whole() -> None:
    assert quoted(b"ok") == '"ok"'
    assert quoted(bytes(MAX_QUOTED)).endswith('..."')


def test_the_harness_accepts_a_device_that_fits() -> None:
    assert check_identity(IDENTITY, T, LINK) is None


def changed(**fields: object) -> m.Identity:
    values = {name: getattr(IDENTITY, name) for name in IDENTITY.__slots__}
    return m.Identity(**(values | fields))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("identity", "words"),
    [
        (changed(role=2), "the transmitter port leads to the receiver: swap the two ports in the rig, or"),
        (changed(role=2), "build the firmware of that device as the transmitter"),
        (changed(role=9), "says that it is of role 9"),
        (changed(protocol=2), "speaks bench protocol 2, this propsoff up to 1; update propsoff"),
        (changed(channels=2), "has 2 channels, the plan declares 3"),
        (changed(packet_rate_mhz=49_999), "runs at 49.999 Hz, the plan declares 50 Hz"),
        (changed(packet_rate_mhz=25_000, channels=0), "0 channels, the plan declares 3"),
    ],
)
def test_the_harness_says_what_does_not_fit(identity: m.Identity, words: str) -> None:
    problem = check_identity(identity, T, LINK)
    assert problem is not None
    assert words in problem


@pytest.mark.parametrize(
    "identity",
    [
        changed(channels=3),
        changed(packet_rate_mhz=0),
        changed(packet_rate_mhz=25_000, abilities=m.Ability.SET_PACKET_RATE),
        changed(protocol=0),
    ],
    ids=["just enough channels", "rate not told", "rate can be set", "an older protocol"],
)
def test_the_harness_accepts_what_is_just_good_enough(identity: m.Identity) -> None:
    assert check_identity(identity, T, LINK) is None


def test_the_harness_tells_channels_and_rate_together() -> None:
    problem = check_identity(changed(channels=2, packet_rate_mhz=25_000), T, LINK)
    assert problem is not None
    assert "channels" in problem
    assert "25 Hz" in problem


def test_the_harness_does_not_hold_a_packet_rate_against_a_receiver() -> None:
    receiver = changed(role=m.WireRole.RECEIVER, packet_rate_mhz=25_000)
    assert check_identity(receiver, R, LINK) is None
