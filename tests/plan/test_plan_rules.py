"""The harness holds the parts of a plan against each other."""

from __future__ import annotations

import pytest
from plan_samples import complaint, complaints, read, spoiled

from harness.plan import model as p

ELEVON = "{range: 1100 us to 1900 us, failsafe: centre}"
MOTOR = "{range: 1000 us to 2000 us, role: throttle, failsafe: low}"
SETTLE = "settle: 1 s"
SWEEP = "{channels: [elevon], shape: triangle, period: 4 s}"
FIELD = "    supply: {type: u16, scale: 0.001, unit: V}\n"
SPAN = "write a pulse from 1100 us to 1900 us"
STAIRS = "{channels: [elevon], shape: staircase, dwell: 40 ms, cycles: 112}"
FIELDS = "".join(f"    f{n}: {{type: u32}}\n" for n in range(8))

WRONG = [
    (ELEVON, "{range: 1100 us to 1900 us, centre: 1099 us, failsafe: hold}", "7:49",
     f"link.channels.elevon.centre: 1099 us is outside the range; {SPAN}"),
    (ELEVON, "{range: 1100 us to 1900 us, failsafe: 1901 us}", "7:51",
     f"link.channels.elevon.failsafe: 1901 us is outside the range; {SPAN}"),
    (ELEVON, "{range: 1500 us to 1550 us, resolution: 51 us, failsafe: hold}", "7:53",
     "link.channels.elevon.resolution: 51 us is more than the whole range; at most 50 us"),
    (MOTOR, "{role: throttle, failsafe: hold}", "6:39",
     "link.channels.motor.failsafe: a throttle that holds its last value after link loss; "
     "write 1000 us, which closes it"),
    (MOTOR, "{role: throttle, failsafe: 1251 us}", "6:39",
     "link.channels.motor.failsafe: a throttle 25.1 % open after link loss; "
     "write 1000 us, which closes it, or at most 25 % (safety.throttle_up_to)"),
    (MOTOR, "{role: throttle, direction: reversed, failsafe: low}", "6:60",
     "link.channels.motor.failsafe: a throttle 100 % open after link loss; "
     "write 2000 us, which closes it, or at most 25 % (safety.throttle_up_to)"),
    ("not_before: 200 ms", "not_before: 500 ms", "8:42",
     "link.failsafe.not_before: 500 ms leaves no time before `within`; write less than 500 ms"),
    (FIELD, FIELD + FIELDS, "10:5",
     "link.telemetry: the fields take 34 bytes; an acknowledgement payload carries at most 32"),
    (SETTLE, "hold: {for: 1 s, sticks: {motor: 1000 us, elevon: 1000 us}}", "12:55",
     f"steps[0].hold.sticks.elevon: 1000 us is outside the range of elevon; {SPAN}"),
    (SETTLE, "step: {channel: elevon, from: 1099 us}", "12:35",
     f"steps[0].step.from: 1099 us is outside the range of elevon; {SPAN}"),
    (SETTLE, "step: {channel: elevon, to: 1901 us}", "12:33",
     f"steps[0].step.to: 1901 us is outside the range of elevon; {SPAN}"),
    (SETTLE, "step: {channel: elevon, from: 1900 us}", "12:35",
     "steps[0].step.from: it begins and ends at 1900 us; write two different pulses"),
    (SETTLE, "ramp: {channel: elevon, to: 1100 us, over: 1 s}", "12:33",
     "steps[0].ramp.to: it begins and ends at 1100 us; write two different pulses"),
    (SWEEP, "{channels: all, from: 1000 us}", "13:34",
     f"steps[1].sweep.from: 1000 us is outside the range of elevon; {SPAN}"),
    (SWEEP, "{channels: all, to: 1950 us}", "13:32",
     f"steps[1].sweep.to: 1950 us is outside the range of elevon; {SPAN}"),
    (SWEEP, "{channels: elevon, from: 1700 us, to: 1200 us}", "13:50",
     "steps[1].sweep.to: a sweep from 1700 us to 1200 us; write the lower pulse in `from`"),
    (SWEEP, "{channels: elevon, from: 1900 us}", "13:37",
     "steps[1].sweep.from: a sweep from 1900 us to 1900 us; write the lower pulse in `from`"),
    (SWEEP, "{channels: elevon, shape: sine, dwell: 40 ms}", "13:51",
     "steps[1].sweep.dwell: `dwell` with sine; it belongs to staircase; write `period`"),
    (SWEEP, "{channels: elevon, shape: staircase, period: 1 s}", "13:57",
     "steps[1].sweep.period: `period` with staircase; it belongs to triangle and sine; write `dwell`"),
    (SWEEP, STAIRS.replace("112", "113"), "13:12",
     "steps[1].sweep: the staircase takes 3621 s on elevon: 801 values x 113 x 40 ms; "
     "at most 60 min; raise the channel's resolution, or lower dwell or cycles"),
    (SETTLE, "wait: {until: linked, packets: 5}", "12:36",
     "steps[0].wait.packets: `packets` with until: linked; it belongs to until: packets"),
    ("    motor:", "    all: {failsafe: hold}\n    motor:", "6:10",
     "link.channels.all: the word `all` means every channel; choose another name"),
    ("  - failsafe_entry\n", "  - packet_rate: {at_least: 51 Hz}\n", "19:29",
     "checks[1].packet_rate.at_least: 51 Hz is more than the link's rate; at most 50 Hz"),
    ("duration: 1 s, times: 20}", "duration: 1 s, times: 20, packet_rate: 25 Hz}", "19:5",
     "checks[1].failsafe_entry: every cut is at another packet rate; add a cut without `packet_rate`"),
    ("times: 20}\nchecks", "times: 20}\n  - cut: {duration: 1 s, packet_rate: 50 Hz}\nchecks", "17:39",
     "steps[4].cut.packet_rate: 50 Hz is the link's own rate; leave it out, or write another rate"),
    ("times: 20}\nchecks", "times: 20}\n  - cut: {duration: 1 s, packet_rate: 3.999 Hz}\nchecks", "17:39",
     "steps[4].cut.packet_rate: at 3.999 Hz packets come so far apart that one lost packet brings failsafe; "
     "at least 4 Hz"),
    ("  - failsafe_entry\n", "  - control_gap: {at_most: 19 ms}\n", "19:28",
     "checks[1].control_gap.at_most: 19 ms is shorter than one packet period; at least 20 ms"),
    ("duration: 1 s", "duration: 520 ms", "19:5",
     "checks[1].failsafe_entry: the longest cut, 520 ms, ends before failsafe is due; "
     "make a cut longer than 520 ms, the limit and one packet period"),
    ("  - failsafe_entry\n", "  - failsafe_entry: {within: 990 ms}\n", "19:21",
     "checks[1].failsafe_entry: the longest cut, 1 s, ends before failsafe is due; "
     "make a cut longer than 1.01 s, the limit and one packet period"),
    ("cut: {duration: 1 s, times: 20}", "settle", "19:5",
     "checks[1].failsafe_entry: failsafe_entry needs a cut step; "
     "add one, such as `cut: {duration: 1 s, times: 20}`"),
    ("title: A small plan", "title: A small plan\nextend: {up_to: 100.7 s}", "3:17",
     "extend.up_to: the steps take up to 50.4 s, so there is no time for them twice; "
     "at least 100.8 s, or leave `extend` out"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "place", "message"), WRONG, ids=[message for *_, message in WRONG])
def test_says_what_does_not_fit(old: str, new: str, place: str, message: str) -> None:
    assert complaint((old, new)) == f"small.yaml:{place}: {message}"


NEAR = [
    (ELEVON, "{range: 1100 us to 1900 us, centre: 1100 us, failsafe: 1900 us}"),
    (ELEVON, "{range: 1500 us to 1550 us, resolution: 50 us, failsafe: hold}"),
    (MOTOR, "{role: throttle, failsafe: 1250 us}"),
    (MOTOR, "{role: throttle, direction: reversed, failsafe: high}"),
    ("not_before: 200 ms", "not_before: 499.999 ms"),
    (FIELD, FIELD.replace("u16", "u32") + FIELDS.replace("    f7: {type: u32}\n", "")),
    (SETTLE, "hold: {for: 1 s, sticks: {motor: 2000 us, elevon: 1100 us}}"),
    (SETTLE, "step: {channel: elevon, from: 1900 us, to: 1100 us}"),
    (SETTLE, "ramp: {channel: elevon, from: 1899 us, over: 1 s}"),
    (SWEEP, "{channels: all, from: 1100 us, to: 1900 us}"),
    (SWEEP, "{channels: elevon, from: 1899 us}"),
    (SWEEP, "{channels: elevon, shape: sine, period: 1 s}"),
    (SWEEP, STAIRS),
    (SETTLE, "wait: {until: packets, packets: 5}"),
    ("  - failsafe_entry\n", "  - packet_rate: {at_least: 50 Hz}\n"),
    ("  - failsafe_entry\n", "  - control_gap: {at_most: 20 ms}\n"),
    ("duration: 1 s", "duration: 520.001 ms"),
    ("times: 20}\nchecks", "times: 20}\n  - cut: {duration: 1 s, packet_rate: 4 Hz}\nchecks"),
    ("times: 20}\nchecks", "times: 20}\n  - cut: {duration: 1 s, packet_rate: 51 Hz}\nchecks"),
    ("  - failsafe_entry\n", "  - failsafe_entry: {within: 979 ms}\n"),
    ("title: A small plan", "title: A small plan\nsafety: {throttle_up_to: 30 %}"),
    ("title: A small plan", "title: A small plan\nextend: {up_to: 100.8 s}"),
    ("title: A small plan", "title: A small plan\nextend: true"),
    ("duration: 1 s, times: 20}", "duration: 5 ms}\n  - repeat: {times: 2, steps: [cut: {duration: 1 s}]}"),
]


@pytest.mark.parametrize(("old", "new"), NEAR, ids=[new for _, new in NEAR])
def test_lets_pass_what_just_fits(old: str, new: str) -> None:
    assert read((old, new)).checks


def test_lets_the_plan_raise_the_throttle_in_so_many_words() -> None:
    raised = ("title: A small plan", "title: A small plan\nsafety: {throttle_up_to: 30 %}")
    assert read(raised, (MOTOR, "{role: throttle, failsafe: 1300 us}")).link.channels[0].failsafe == 1300


def test_allows_several_throttles() -> None:
    two = read(("    motor:", "    other motor: {role: throttle, failsafe: low}\n    motor:"))
    assert [channel.role for channel in two.link.channels] == ["throttle", "throttle", "control"]


NO_TELEMETRY = ("  telemetry:\n" + FIELD, "")
NO_INJECT = ("  - inject: {times: 20}\n", "")
DEVICE_ONLY = ("scale: 0.001", "source: device")


def with_check(word: str) -> tuple[str, str]:
    return ("  - failsafe_entry\n", f"  - {word}\n")


@pytest.mark.parametrize("without", [NO_TELEMETRY, DEVICE_ONLY], ids=["no fields", "only the device's own"])
def test_wants_a_field_to_inject_for_an_inject_step(without: tuple[str, str]) -> None:
    assert complaint(without).endswith(
        "steps[2].inject: the link declares no telemetry to inject; add a field with `source: injected`"
    )


@pytest.mark.parametrize("check", ["telemetry_value", "telemetry_age: {at_most: 60 ms}"])
def test_wants_injected_telemetry_and_an_inject_step_for_a_telemetry_check(check: str) -> None:
    word = check.split(":", maxsplit=1)[0]
    assert read(with_check(check)).checks[1].name == word
    assert complaint(with_check(check), NO_INJECT).endswith(
        f"checks[1].{word}: {word} without an inject step; add a step such as `inject: {{times: 20}}`"
    )
    assert complaint(with_check(check), NO_INJECT, NO_TELEMETRY).endswith(
        f"checks[1].{word}: {word} without telemetry to inject; "
        "add a field with `source: injected` to link.telemetry"
    )


def test_wants_an_own_sticks_step_for_a_noise_check() -> None:
    noise = with_check("noise: {at_most: 4 us}")
    assert complaint(noise).endswith(
        "checks[1].noise: noise without an own_sticks step; add a step such as `own_sticks: {for: 10 s}`"
    )
    assert read(noise, ("settle: 1 s", "own_sticks")).checks[1].name == "noise"


def test_wants_an_own_sticks_step_among_those_that_a_noise_check_names() -> None:
    own = ("settle: 1 s", "own_sticks")
    found = complaint(with_check("noise: {at_most: 4 us, during: [elevon sweep]}"), own)
    assert found.endswith("noise.during: no own_sticks step is among these; name one, or leave it out")
    assert read(with_check("noise: {at_most: 4 us, during: [own_sticks]}"), own)


def test_wants_a_stick_moved_for_the_latency_of_sticks() -> None:
    check = with_check("latency: {of: stick, percentile: 95 %, at_most: 60 ms}")
    still = (
        (f"sweep: {SWEEP}\n    name: elevon sweep", "settle"),
        ("cut: {duration: 1 s, times: 20}", "settle"),
    )
    during = ("{at_least: 99 %, during: [elevon sweep]}", "{at_least: 99 %}")
    assert "the latency of sticks in a plan that moves none; add a step such as" in complaint(
        check, during, *still
    )
    assert read(check, still[1])
    named = "latency: {of: stick, percentile: 95 %, at_most: 60 ms, during: [settle]}"
    assert "latency.during: none of these steps moves a stick; name one" in complaint(with_check(named))
    assert read(with_check(named.replace("settle", "elevon sweep")))
    assert read(with_check(named.replace("of: stick, ", "")))


@pytest.mark.parametrize(
    ("share", "at_most", "fits"),
    [
        ("99 %", "19.799 ms", False),
        ("99 %", "19.8 ms", True),
        ("50 %", "9.9 ms", False),
        ("50 %", "10 ms", True),
    ],
)
def test_wants_no_control_younger_than_packets_allow(share: str, at_most: str, *, fits: bool) -> None:
    """At 50 Hz the age is 10 ms or less for half of the time at most, however fast packets are."""
    text = spoiled(with_check(f"control_age: {{percentile: {share}, at_most: {at_most}}}"))
    told = complaints(text)
    assert (told == []) is fits
    if not fits:
        assert f"with a packet every 20 ms control is older than {at_most} too often" in told[0]


def test_lets_control_be_younger_where_packets_come_faster() -> None:
    burst = ("settle: 1 s", "burst: {count: 3, spacing: 4 ms}")
    check = "control_age: {percentile: 50 %, at_most: 5 ms, during: [burst]}"
    assert read(burst, with_check(check))
    assert complaint(burst, with_check(check.replace("[burst]", "[elevon sweep]")))


@pytest.mark.parametrize("value", ["yes please", "5"])
def test_tells_every_way_to_write_extend(value: str) -> None:
    told = complaint(("title: A small plan", f"title: A small plan\nextend: {value}"))
    assert told.endswith("write true, false or a mapping with the keys up_to")


def test_wants_a_limit_for_hum_where_mains_is_given() -> None:
    noise = with_check("noise: {at_most: 4 us, mains: 50 Hz}")
    assert "checks[1].noise.mains: `mains` without `hum`" in complaint(noise, ("settle: 1 s", "own_sticks"))


@pytest.mark.parametrize("word", ["failsafe_entry", "failsafe_outputs", "failsafe_exit"])
def test_wants_a_cut_for_a_failsafe_check(word: str) -> None:
    no_cut = ("cut: {duration: 1 s, times: 20}", "settle")
    assert f"checks[1].{word}: {word} needs a cut step" in complaint(with_check(word), no_cut)
    assert read(with_check(word)).checks[1].name == word


@pytest.mark.parametrize("word", ["failsafe_outputs", "failsafe_exit"])
def test_wants_a_cut_long_enough_only_where_failsafe_must_begin(word: str) -> None:
    told = complaints(spoiled(with_check(word), ("duration: 1 s", "duration: 100 ms")))
    assert len(told) == (1 if word == "failsafe_outputs" else 0)


def test_counts_a_cut_that_has_something_wrong_in_it_as_a_cut() -> None:
    (only,) = complaints(spoiled(("duration: 1 s", "duration: 1")))
    assert only.startswith("small.yaml:16:21: steps[3].cut.duration: '1' has no unit")


def test_still_checks_the_steps_when_the_link_has_something_wrong_in_it() -> None:
    told = complaints(
        spoiled(("packet_rate: 50 Hz", "packet_rate: 50"), (SETTLE, "step: {channel: elevon, to: 2000 us}"))
    )
    assert len(told) == 2
    assert "packet_rate" in told[0]
    assert "2000 us is outside the range of elevon" in told[1]


def times(steps: int) -> str:
    """A plan of exactly so many steps once its repeat is carried out; three others and 20 cuts make 23."""
    rest = steps - 22
    assert rest % 2 == 0
    return spoiled((SETTLE, f"repeat: {{times: {rest // 2}, steps: [settle: 0 s, settle: 0 s]}}"))


def test_refuses_one_step_too_many() -> None:
    assert complaints(times(10_000)) == []
    (only,) = complaints(times(10_002))
    assert only == (
        "small.yaml:12:3: steps: 10002 steps with every repeat, cut and swept channel counted; "
        "at most 10000; lower `times`"
    )


def hours(last: str) -> str:
    """A plan of exactly 24 h but for its last part: the sweep's 4 s, 20 sets and 20 cuts are in it."""
    already = 4 + 20 * 0.25 + 20 * 2.02
    filling = f"repeat: {{times: 23, steps: [settle: 1 h]}}\n  - settle: {3600 - already - 1:g} s"
    return spoiled((SETTLE, f"{filling}\n  - settle: {last}"))


def test_refuses_a_plan_longer_than_a_day() -> None:
    assert complaints(hours("1 s")) == []
    (only,) = complaints(hours("1.000000001 s"))
    assert only == (
        "small.yaml:12:3: steps: the steps take up to 24 h, most of it steps[0]; "
        "at most 24 h; shorten or split the plan"
    )


def test_refuses_to_extend_what_would_then_last_longer_than_a_day() -> None:
    on = ("title: A small plan", "title: A small plan\nextend: true")
    half = (SETTLE, "repeat: {times: 11, steps: [{wander: {for: 1 h}}]}")
    more = (SETTLE, "repeat: {times: 12, steps: [{wander: {for: 1 h}}]}")
    assert read(on, half).extend == p.Extend()
    told = "extend: the steps take up to 12 h, too long to be played twice; a run takes at most 24 h"
    assert told in complaint(on, more)


def test_refuses_astronomic_repeats_at_once() -> None:
    nested = "settle: 1 s"
    for _ in range(11):
        nested = f"repeat: {{times: 10000, steps: [{nested}]}}"
    steps, length = complaints(spoiled((SETTLE, nested)))
    assert f"steps: 1{'0' * 42}22" in steps
    assert "the steps take up to" in length
