"""The harness reads a rig's description of a device, and tells every mistake with its place."""

import pytest
from spoken import RX, TEXT_RIG, TX

from harness.bench.rig import parse_rig
from harness.codec import messages as m
from harness.devices import telling as t
from harness.devices.making import make_device
from harness.errors import RigError

HEAD = "propsoff_rig: 1\nbench: serial\ntransmitter: /dev/ttyUSB0\nreceiver:\n  port: /dev/ttyUSB1\n"
RECORDS = HEAD + (
    "  speaks: records\n"
    "  records:\n"
    "    sync: AA 55\n"
    "    checksum: sum8\n"
    "    applied: {id: 1, fields: [packet u16le, channel 1 u16le]}\n"
)


def problems(text):
    with pytest.raises(RigError) as raised:
        parse_rig(text, "rig.yaml")
    return str(raised.value)


def test_a_rig_without_these_keys_is_as_ever():
    rig = parse_rig("propsoff_rig: 1\nbench: serial\ntransmitter: a\nreceiver: b\n", "rig.yaml")
    assert rig.devices == {}


def test_a_rig_says_what_a_device_can_do_and_cannot_tell():
    rig = parse_rig(TEXT_RIG, "rig.yaml")
    made = {role: make_device(role, keys, ()) for role, keys in rig.devices.items()}
    assert made[TX].abilities == m.Ability.STICKS | m.Ability.SILENCE
    assert (made[TX].channels, made[RX].channels) == (6, 6)
    assert made[TX].packet_rate_mhz == 50_000
    assert made[TX].telling.lacks == {t.TIME, t.TOOK, t.STARTS, t.TELEMETRY}
    assert made[RX].telling.lacks == {t.COUNT, t.START_OUTPUTS, t.TELEMETRY}
    assert (made[RX].telling.step_us, made[RX].abilities) == (1000, 0)
    assert not made[TX].telling.lets_go


def test_a_keep_alive_in_the_rig_makes_a_transmitter_let_go_by_itself():
    text = TEXT_RIG.replace('silence: "Q {ms}"', 'silence: "Q {ms}", keep_alive: K')
    made = make_device(TX, parse_rig(text, "rig.yaml").devices[TX], ())
    assert made.telling.lets_go


def test_each_mistake_in_a_pattern_is_told_with_its_place():
    assert problems(TEXT_RIG.replace("n={packet} t={ms}", "n={packet} t={msec}")) == (
        "rig.yaml:13:14: receiver.lines.applied: unknown field {msec}; "
        "fields here: packet, ms, us, count, signal, any, channel 1 to channel 16"
    )


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('lines: {sent: "TX', 'lines: {sent: "TX {any}{packet} TX',
         "rig.yaml:7:17: transmitter.lines.sent: nothing stands between {any} and {packet}"),
        ('lines: {sent: "TX', 'lines: {applied: "TX',
         "rig.yaml:7:20: transmitter.lines.applied: a transmitter has no report `applied`; it has sent"),
        ('silence: "Q {ms}"', 'silence: "Q {seconds}"', "transmitter.tell.silence: unknown field {seconds}"),
        ('"S {set} {channel 1} ', '"S {set} ', "tell.sticks: {channel 1} is missing before {channel 6}"),
        ("  speaks: text\n  lines:", "  speaks: txt\n  lines:",
         "rig.yaml:11:11: receiver.speaks: no device kind is called 'txt'; kinds here: bench protocol, text, "
         "records; did you mean text?"),
        ("  speaks: text\n  lines:", "  lines:", "receiver.lines: `speaks: bench protocol` does not use "),
        ("    started: BOOT\n", "    started: BOOT\n  scale: {from: 0-1023, to: 1000 us to 2000 us}\n",
         "rig.yaml:16:17: receiver.scale.from: two whole numbers are needed, such as 0 to 1023"),
        ("    started: BOOT\n", "    started: BOOT\n  scales: [{from: 0 to 1023, to: 1000 us to 2000 us}]\n",
         "receiver.scales: 1 scale for 6 channels; write one for each"),
        ('"RX n={packet} t={ms}', '"RX n={packet} t={us} u={ms}', "both {ms} and {us} in it; a time has"),
        ('"FAILSAFE t={ms}', '"FAILSAFE t={us}', "one report has {ms} and another {us}"),
        ("    applied:", "    ignore:", "lines.ignore[0]: unknown field {packet}; fields here: any"),
    ],
)  # fmt: skip
def test_mistakes_in_lines_and_templates_are_told(old, new, told):
    assert old in TEXT_RIG
    assert told in problems(TEXT_RIG.replace(old, new, 1))


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("AA 55", "AA 5", "rig.yaml:8:11: receiver.records.sync: these are no bytes in hexadecimal"),
        ("sum8", "crc", "receiver.records.checksum: unknown word 'crc'"),
        ("packet u16le", "packet u24le", "receiver.records.applied.fields: 'packet u24le' has no type"),
        ("packet u16le", "packet f32", "has no type"),
        ("id: 1, fields", "fields", ""),
        ("    applied: {id: 1, fields: [packet u16le, channel 1 u16le]}\n",
         "    applied: {id: 1, fields: [packet u16le]}\n    failsafe: {id: 1, fields: [us u32le]}\n",
         "receiver.records.failsafe: nothing tells this record from another"),
        ("  speaks: records", "  speaks: text", "`speaks: text` does not use this"),
    ],
)  # fmt: skip
def test_mistakes_in_records_are_told(old, new, told):
    assert old in RECORDS
    text = RECORDS.replace(old, new, 1)
    if told:
        assert told in problems(text)
    else:
        assert parse_rig(text, "rig.yaml").devices


def test_all_mistakes_are_told_at_once():
    text = TEXT_RIG.replace('"Q {ms}"', '"Q {s}"').replace("{packet}", "{number}")
    text += "  scale: {from: 0-1023, to: 1000 us to 2000 us}\n"
    places = [line.split(": ")[1] for line in problems(text).splitlines()]
    assert places == [
        "transmitter.lines.sent", "transmitter.tell.silence", "receiver.lines.applied", "receiver.scale.from",
    ]  # fmt: skip


def test_a_receiver_that_tells_nothing_applied_is_no_use():
    text = HEAD + "  speaks: text\n  lines: {started: BOOT}\n"
    assert "rig.yaml:5:3: receiver: a receiver needs `lines: {applied: ...}`" in problems(text)


def test_a_witness_cannot_speak_text():
    text = TEXT_RIG + "witness: {port: /dev/ttyUSB2, speaks: text}\n"
    assert "rig.yaml:16:10: witness: a witness cannot speak text" in problems(text)


def test_a_simulated_rig_has_no_such_devices():
    assert "a rig with `bench: mock` has no ports" in problems(
        "propsoff_rig: 1\nbench: mock\nreceiver: {port: x, speaks: text, lines: {applied: a}}\n"
    )


def test_what_a_device_cannot_tell_survives_the_recording_and_doubt_lacks_all():
    telling = t.Telling("text", frozenset({t.TIME, t.SENT}), 1000, 50, lets_go=False)
    facts = {t.fact_key("receiver"): t.to_fact(telling)}
    assert t.from_facts(facts, "receiver") == telling
    assert t.from_facts(facts, "transmitter") is None
    for spoilt in ("", "[", "[]", "null", '{"lacks": 1}', "[" * 100_000):
        assert t.from_facts({"receiver tells": spoilt}, "receiver").lacks == frozenset(t.THINGS)
    for name in ("[red]x", "<b>", "a" * 41, ""):
        fact = t.to_fact(t.Telling(name))
        assert t.from_facts({"receiver tells": fact}, "receiver").speaks == "something unknown"
    odd = '{"lacks": [], "step_us": true, "longest": -5, "speaks": "\\u001b", "lets_go": 1}'
    assert t.from_facts({"receiver tells": odd}, "receiver") == t.Telling(
        "something unknown", frozenset(), t.MOST_US, 0, lets_go=False
    )
