"""Injected telemetry: what arrived, how old it was, and what explains a wrong value."""

import struct
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenario import (
    LINK,
    RUN_NS,
    RX,
    TELEMETRY,
    Reset,
    Scenario,
    Silence,
    drop_every,
    plan_for,
)

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.arrays import ints
from harness.measure.injection import decode_fields, field_bits, injections, payload_size
from harness.measure.misread import explain_field
from harness.measure.telemetry import comparison, telemetry_values
from harness.measure.telemetry_age import telemetry_ages
from harness.plan import model as p

FORMATS = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "f32": "f"}


def evidence(often=True, **fields):
    scenario = Scenario(**fields)
    if often:
        scenario.inject_often()
    return gather(scenario.plan, scenario.recording())


@given(st.data())
def test_fields_are_decoded_as_struct_packs_them(data):
    """Every width, sign and byte order, against the standard library."""
    kinds = data.draw(
        st.lists(st.tuples(st.sampled_from(list(FORMATS)), st.booleans()), min_size=1, max_size=8)
    )
    fields = tuple(
        p.TelemetryField(name=str(n), type=kind, byte_order="little" if little else "big")
        for n, (kind, little) in enumerate(kinds)
    )
    payload, bits = b"", []
    for kind, little in kinds:
        width = struct.calcsize(FORMATS[kind])
        raw = data.draw(st.binary(min_size=width, max_size=width))
        payload += raw
        (value,) = struct.unpack(("<" if little else ">") + FORMATS[kind].upper().replace("F", "I"), raw)
        bits.append(value)
    found = decode_fields(ints([list(payload)]), ints([len(payload)]), fields)
    assert found.tolist() == [bits]
    assert payload_size(fields) == len(payload)


def test_a_short_payload_has_no_value_for_its_last_fields():
    found = decode_fields(ints([[1, 2, 3]]), ints([3]), TELEMETRY)
    assert found.tolist() == [[0x0201, -1, -1]]


def test_raw_values_become_the_bits_of_their_width():
    assert field_bits(-1, p.TelemetryField(name="a", type="i16")) == 0xFFFF
    assert field_bits(-1, p.TelemetryField(name="a", type="u32")) == 0xFFFF_FFFF
    assert field_bits(0x3F80_0000, p.TelemetryField(name="a", type="f32")) == 0x3F80_0000


def test_an_injection_counts_from_the_reply_to_it():
    scenario = Scenario()
    scenario.inject((1, 2, 3), RUN_NS + S)
    scenario.inject((4, 5, 6), RUN_NS + 2 * S)
    found = injections(gather(scenario.plan, scenario.recording()))
    assert [(one.at_ns - RUN_NS) / S for one in found] == pytest.approx([1.0026, 2.0026], abs=2e-4)
    assert found[0].until_ns == found[1].at_ns
    assert found[1].values == ((0, 4), (1, 5), (2, 6))


def test_a_field_that_is_left_out_keeps_its_value():
    scenario = Scenario()
    scenario.inject((1, 2, 3), RUN_NS + S)
    scenario.inject((9,), RUN_NS + 2 * S)
    assert injections(gather(scenario.plan, scenario.recording()))[1].values == ((0, 9), (1, 2), (2, 3))


def test_a_refused_injection_changes_nothing():
    scenario = Scenario()
    scenario.inject((1, 2, 3), RUN_NS + S)
    scenario.inject((4, 5, 6), RUN_NS + 2 * S, result=wire.Result.BUSY)
    assert len(injections(gather(scenario.plan, scenario.recording()))) == 1


def test_an_injection_ends_with_a_release_a_restart_or_an_unanswered_one():
    for end in ("release", "restart", "unanswered"):
        scenario = Scenario(resets=[Reset(RX, RUN_NS + 2 * S)] if end == "restart" else [])
        scenario.inject((1, 2, 3), RUN_NS + S)
        if end == "release":
            scenario.tell(RX, wire.Release(), RUN_NS + 2 * S)
        if end == "unanswered":
            scenario.tell(RX, wire.Inject(((0, 9),)), RUN_NS + 2 * S)
        (found,) = injections(gather(scenario.plan, scenario.recording()))
        assert 1.9 < (found.until_ns - RUN_NS) / S < 2.4, end


def test_values_arrive_as_injected():
    found = telemetry_values(evidence())
    assert found.wrong == ()
    assert min(found.compared) == found.reports > 150


def test_values_from_a_restart_on_are_not_compared():
    """The first payload after it carries the sensors' own values, and may be heard before the `Started`."""
    reset = Reset(RX, RUN_NS + 2 * S + 7 * MS, down_ns=50 * MS)
    scenario = Scenario(resets=[reset])
    scenario.say(RX, b"booting " * 15 + b"\0", reset.back_ns)
    scenario.inject((1, 2, 3), RUN_NS + S)
    whole = scenario.telemetry
    scenario.telemetry = lambda packet: bytes(8) if packet.at_ns > reset.at_ns else whole(packet)
    found = telemetry_values(gather(scenario.plan, scenario.recording()))
    assert found.wrong == ()
    assert found.reports > 40


def test_values_of_the_devices_own_sensors_are_not_compared():
    fields = (replace(TELEMETRY[0], source="device"), *TELEMETRY[1:])
    found = telemetry_values(
        evidence(plan=plan_for(link=replace(LINK, telemetry=fields)), garble=lambda v: (1, *v[1:]))
    )
    assert found.compared[0] == 0
    assert found.wrong == ()


@pytest.mark.parametrize("preloaded", [1, 2, 3])
def test_a_value_that_is_some_packets_old_is_true(preloaded):
    assert telemetry_values(evidence(preloaded=preloaded)).wrong == ()


def test_a_value_that_never_moves_on_is_wrong():
    assert len(telemetry_values(evidence(preloaded=40)).wrong) > 100


def test_a_lost_reply_makes_no_value_wrong():
    dropped = evidence(drop=drop_every(RX, 3, wire.Reply))
    assert telemetry_values(dropped).wrong == ()


MISREADINGS = [
    ("x100", 0, lambda v: (v[0] * 100, *v[1:]), "every value is 100 times the injected one"),
    (
        "x100 clamped",
        0,
        lambda v: (min(v[0] * 100, 65535), *v[1:]),
        "it is always 65535",
    ),
    ("/10", 1, lambda v: (v[0], int(v[1] / 10), v[2]), "every value is 1/10 of the injected one"),
    ("bytes", 0, lambda v: ((v[0] >> 8) | (v[0] & 255) << 8, *v[1:]), "its bytes come in the wrong order"),
    ("sign", 1, lambda v: (v[0], -v[1], v[2]), "its sign is wrong"),
    ("low byte", 0, lambda v: (v[0] & 255, *v[1:]), "only its low byte comes through"),
    ("zero", 2, lambda v: (v[0], v[1], 0), "it is always 0"),
    ("odd", 0, lambda v: (v[0] ^ 0x0F0F, *v[1:]), ""),
]


@pytest.mark.parametrize(
    ("field", "garble", "words"), [case[1:] for case in MISREADINGS], ids=[c[0] for c in MISREADINGS]
)
def test_the_usual_misreadings_are_recognised(field, garble, words):
    found = evidence(garble=garble)
    assert {one.field for one in telemetry_values(found).wrong} == {field}
    why = explain_field(comparison(found), TELEMETRY, field)
    assert (why.best, why.told) == (words, bool(words))


def test_a_value_that_is_many_packets_old_is_told_with_its_age():
    why = explain_field(comparison(evidence(preloaded=9, seconds=12.0)), TELEMETRY, 1)
    assert (why.told, why.best) == (True, "it is 9 packets old: one by design, 8 more")


@pytest.mark.parametrize(("preloaded", "age"), [(1, 1), (2, 2), (3, 3)])
def test_age_in_packets_is_what_was_preloaded(preloaded, age):
    """A healthy link with one preloaded payload is one packet old by design."""
    found = telemetry_ages(evidence(preloaded=preloaded))
    assert len(found) > 10
    assert {(one.packets_least, one.packets_most) for one in found} == {(age, age)}


def test_age_in_time_is_from_the_effect_to_the_acknowledgement():
    """Injected at 105 ms, taken 2.65 ms later; ticks every 20 ms; reported 3 ms after a tick."""
    first = telemetry_ages(evidence())[0]
    assert first.time_most_ns == pytest.approx((143 - 107.65) * MS, abs=0.3 * MS)
    assert first.time_least_ns == first.time_most_ns


def test_lost_packets_age_telemetry_in_time_only():
    found = telemetry_ages(evidence(lost=lambda packet: packet.index % 2 == 0))
    assert {(one.packets_least, one.packets_most) for one in found} == {(1, 1)}
    assert max(one.time_most_ns for one in found) > 50 * MS


def test_lost_acknowledgements_leave_the_age_open():
    """Payloads of two packets in three do not come back: the age lies between two numbers."""
    scenario = Scenario()
    scenario.inject_often()
    whole = scenario.telemetry
    scenario.telemetry = lambda packet: (whole(packet), None)[packet.index % 3 > 0]
    found = telemetry_ages(gather(scenario.plan, scenario.recording()))
    assert all(one.packets_least <= 1 <= one.packets_most for one in found)


def test_telemetry_that_sticks_grows_old():
    """From the third set on, the payload stays as it was."""
    scenario = Scenario()
    scenario.inject_often()
    whole = scenario.telemetry
    seen: list[bytes] = []

    def stuck(packet):
        seen.append(whole(packet))
        return seen[min(len(seen) - 1, 60)]

    scenario.telemetry = stuck
    found = telemetry_ages(gather(scenario.plan, scenario.recording()))
    assert max(one.packets_least for one in found) >= 10
    assert found[-1].packets_most is None


def test_a_cut_on_the_way_is_nobodys_age():
    found = telemetry_ages(evidence(silences=[Silence(RUN_NS + S, 700 * MS)]))
    assert max(one.time_most_ns for one in found if one.time_most_ns) < 60 * MS


def test_garbled_values_have_no_age():
    assert telemetry_ages(evidence(garble=lambda v: (v[0] ^ 1, v[1] ^ 1, v[2] ^ 1))) == ()


def test_no_injection_has_no_age():
    found = evidence(often=False)
    assert telemetry_ages(found) == ()
    assert telemetry_values(found).compared == (0, 0, 0)
