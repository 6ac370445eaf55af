"""Outputs against sticks: deviations, what explains them, and glitches."""

import pytest
from scenario import CHANNELS, RUN_NS, RX, TX, Scenario, Silence, drop_every, plan_for

from harness.clock import MS, S
from harness.codec import messages as wire
from harness.measure import gather
from harness.measure.explain import explain
from harness.measure.fidelity import MISSING_US, around, deviations, glitches, still_channels
from harness.plan import model as p


def evidence(**fields):
    scenario = Scenario(**fields)
    return gather(scenario.plan, scenario.recording())


def explained(channel, change, tolerance_us=0, **fields):
    found = deviations(evidence(shown=lambda _, outputs: change(outputs), **fields))
    return explain(found, channel, tolerance_us, CHANNELS)


def test_outputs_equal_sticks_mirrored_where_reversed():
    found = deviations(evidence())
    assert found.off_us.any() == False  # noqa: E712 - an array's answer
    assert found.wanted_us.shape == (200, 4)


def test_deviation_is_shown_less_wanted():
    found = deviations(
        evidence(shown=lambda packet, out: (out[0], out[1] - 3, *out[2:]) if packet.index == 50 else out)
    )
    assert found.off_us.sum(axis=0).tolist() == [0, -3, 0, 0]


def test_an_output_that_is_not_reported_is_off_by_more_than_any_pulse():
    found = deviations(evidence(shown=lambda _, outputs: outputs[:3]))
    assert (found.off_us[:, 3] == MISSING_US).all()
    assert (found.off_us[:, :3] == 0).all()


def test_packets_whose_match_is_in_doubt_are_left_out():
    assert not deviations(evidence(drop=drop_every(TX, 3))).off_us.any()


def test_channels_whose_stick_never_moved_are_known():
    found = deviations(evidence(sticks=lambda place: (1000 + place % 7, 1500, 1500 + place % 3, 1200)))
    assert still_channels(found).tolist() == [1, 3]


EXPLANATIONS = [
    ("swap", 0, lambda out: (out[1], out[0], *out[2:]), "it is swapped with roll"),
    ("follows", 1, lambda out: (out[0], out[0], *out[2:]), "it follows throttle"),
    ("reversed", 1, lambda out: (out[0], 3000 - out[1], *out[2:]), "it moves the wrong way round"),
    ("not reversed", 2, lambda out: (*out[:2], 3000 - out[2], out[3]), "it moves the wrong way round"),
    ("stuck", 3, lambda out: (*out[:3], 1500), "it stays at 1500 us"),
    ("offset", 1, lambda out: (out[0], out[1] + 8, *out[2:]), "it is off by +8 us throughout"),
    (
        "one bit",
        0,
        lambda out: (out[0] & ~1, *out[1:]),
        "its lowest bit is lost: it moves in steps of 2 us only",
    ),
    (
        "two bits",
        0,
        lambda out: (out[0] - out[0] % 4, *out[1:]),
        "its 2 lowest bits are lost: it moves in steps of 4 us only",
    ),
    ("coarse", 1, lambda out: (out[0], (out[1] + 4) // 9 * 9, *out[2:]), "it moves in steps of 9 us only"),
    (
        "gain",
        1,
        lambda out: (out[0], round(0.95 * (out[1] - 1500)) + 1500, *out[2:]),
        "its gain is 0.950 instead of 1, and it is off by +0.0 us at the centre",
    ),
    (
        "cross-talk",
        1,
        lambda out: (out[0], out[1] + round(0.05 * (out[0] - 1500)), *out[2:]),
        "other sticks come through: +0.050 us for each us of throttle",
    ),
    (
        "clipped",
        0,
        lambda out: (min(max(out[0], 1100), 1900), *out[1:]),
        "it is clipped to 1100 us .. 1900 us",
    ),
    ("missing", 3, lambda out: out[:3], "the receiver does not report this output"),
    (
        "back",
        0,
        lambda out: (out[0] - 30 * (out[0] >= 1200), *out[1:]),
        "it goes from 1196 us to 1173 us where its stick goes from 1196 us to 1203 us",
    ),
    ("gain and cross-talk", 1, lambda out: (out[0], out[1] * 9 // 10 + out[3] // 20, *out[2:]), ""),
    ("right", 0, lambda out: out, ""),
]


@pytest.mark.parametrize(
    ("channel", "change", "words"), [case[1:] for case in EXPLANATIONS], ids=[c[0] for c in EXPLANATIONS]
)
def test_the_usual_mistakes_are_recognised(channel, change, words):
    assert explained(channel, change) == words


def test_small_cross_talk_is_told_apart_from_none():
    """8 us over the whole travel are told with their size; the sticks alone are not."""
    found = deviations(
        evidence(shown=lambda _, out: (out[0], out[1] + round(0.008 * (out[0] - 1500)), *out[2:]))
    )
    assert "+0.008 us for each us of throttle" in explain(found, 1, 0, CHANNELS)
    assert explain(found, 0, 0, CHANNELS) == ""


def test_a_glitch_stands_between_the_packets_around_it():
    def shown(packet, out):
        return (out[0] + 60, *out[1:]) if packet.index == 99 else out

    found = evidence(shown=shown)
    (glitch,) = glitches(found)
    before, at, after = around(found, glitch)
    assert (before.packet, at.packet, after.packet) == (98, 99, 100)
    assert at.outputs_us[0] == glitch.shown_us
    assert before.at_ns < at.at_ns < after.at_ns


def test_a_change_stands_between_the_packets_around_it():
    scenario = Scenario()
    scenario.change(wire.OutputReason.OTHER, (1700, 1500, 1500, 1500), RUN_NS + S + 5 * MS)
    found = gather(scenario.plan, scenario.recording())
    before, at, after = around(found, glitches(found)[0])
    assert (at.packet, at.outputs_us) == (None, (1700, 1500, 1500, 1500))
    assert after.packet == before.packet + 1
    assert before.at_ns < at.at_ns < after.at_ns


def test_a_healthy_link_has_no_glitch():
    assert glitches(evidence(silences=[Silence(RUN_NS + S, 700 * MS)])) == ()


def test_an_output_change_for_no_reason_is_a_glitch():
    scenario = Scenario()
    scenario.change(wire.OutputReason.OTHER, (1999, 1500, 1500, 1500), RUN_NS + S + 5 * MS)
    scenario.change(77, (1998, 1500, 1500, 1500), RUN_NS + S + 6 * MS)
    assert [one.kind for one in glitches(gather(scenario.plan, scenario.recording()))] == ["change", "change"]


def test_unchanged_outputs_written_again_are_no_glitch():
    sticks = (1100, 1500, 1500, 1500)
    scenario = Scenario(sticks=lambda _: sticks)
    scenario.change(wire.OutputReason.OTHER, (1100, 1500, 1500, 1500), RUN_NS + S + 5 * MS)
    assert glitches(gather(scenario.plan, scenario.recording())) == ()


def test_a_packet_that_nobody_sent_is_a_glitch():
    scenario = Scenario()
    at_ns = RUN_NS + S + 5 * MS
    scenario.say(RX, wire.Applied(40_000, scenario.stamp(RX, at_ns), 0, (1, 2, 3, 4)), at_ns)
    found = glitches(gather(scenario.plan, scenario.recording()))
    assert [(one.kind, one.packet) for one in found] == [("nowhere", 40_000)]


def test_a_packet_whose_report_got_lost_is_no_glitch():
    found = evidence(
        drop=lambda role, place, message: isinstance(message, wire.Sent) and message.packet == 99
    )
    assert glitches(found) == ()


def test_a_rare_jump_is_a_glitch_and_a_wrong_channel_is_not():
    def jump(often):
        return lambda packet, out: (out[0] + 60, *out[1:]) if packet.index % often == 0 else out

    assert [one.kind for one in glitches(evidence(shown=jump(50)))] == ["jump"] * 4
    assert glitches(evidence(shown=jump(5))) == ()


def test_what_fidelity_tolerates_is_no_glitch():
    def shown(packet, out):
        return (out[0] + 3, *out[1:]) if packet.index == 99 else out

    assert len(glitches(evidence(shown=shown))) == 1
    assert glitches(evidence(shown=shown, plan=plan_for(p.Fidelity(tolerance_us=3)))) == ()
