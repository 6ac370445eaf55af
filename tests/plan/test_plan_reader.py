"""The harness turns a plan into frozen values, or tells everything that is wrong with it at once."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from plan_samples import SMALL, complaint, complaints, read, spoiled

from harness.bench.protocol import Role
from harness.clock import MS, S
from harness.errors import ExitCode, PlanError
from harness.plan import model as p
from harness.plan.find import CHECKOUT
from harness.plan.reader import load_plan, parse_check, parse_plan, parse_step, place_of

SHIPPED = sorted(CHECKOUT.glob("*.yaml"))


def test_reads_a_plan_into_frozen_values() -> None:
    motor = p.Channel("motor", range=p.Range(1000, 2000), role="throttle", failsafe="low")
    elevon = p.Channel("elevon", range=p.Range(1100, 1900), failsafe="centre")
    assert parse_plan(SMALL, "plans/small.yaml") == p.Plan(
        name="small",
        text=SMALL,
        format=1,
        title="A small plan",
        link=p.Link(
            packet_rate_mhz=50_000,
            channels=(motor, elevon),
            failsafe=p.Failsafe(within_ns=500 * MS, not_before_ns=200 * MS),
            telemetry=(p.TelemetryField("supply", type="u16", scale=Fraction(1, 1000), unit="V"),),
        ),
        steps=(
            p.PlanStep(p.Settle(for_ns=S), "settle", "steps[0]"),
            p.PlanStep(
                p.Sweep(channels=("elevon",), shape="triangle", period_ns=4 * S), "elevon sweep", "steps[1]"
            ),
            p.PlanStep(p.Inject(times=20), "inject", "steps[2]"),
            p.PlanStep(p.Cut(duration_ns=S, times=20), "cut", "steps[3]"),
        ),
        checks=(
            p.PlanCheck(
                p.Delivery(at_least=Fraction(99, 100), during=("elevon sweep",)), "delivery", "checks[0]"
            ),
            p.PlanCheck(p.FailsafeEntry(), "failsafe_entry", "checks[1]"),
            p.PlanCheck(p.NoGlitch(), "no_glitch", "checks[2]"),
            p.PlanCheck(p.BenchHealth(), "bench", "checks"),
        ),
    )


@pytest.mark.parametrize(
    ("written", "action"),
    [
        ("settle", p.Settle()),
        ("settle: 2 s", p.Settle(for_ns=2 * S)),
        ("settle: {for: 2 s}", p.Settle(for_ns=2 * S)),
        ("hold: {for: 1 s, sticks: {motor: 1200 us}}", p.Hold(for_ns=S, sticks=(("motor", 1200),))),
        ("step: {channel: motor}", p.Step(channel="motor")),
        (
            "step: {channel: motor, from: 1100 us, to: 1200 us, dwell: 5 ms, times: 3}",
            p.Step(channel="motor", from_us=1100, to_us=1200, dwell_ns=5 * MS, times=3),
        ),
        ("ramp: {channel: motor, over: 2 s}", p.Ramp(channel="motor", over_ns=2 * S)),
        ("sweep", p.Sweep()),
        ("sweep: {channels: all, shape: staircase}", p.Sweep(shape="staircase")),
        ("corners:", p.Corners()),
        ("wander: {for: 1 min, stride: 10 us}", p.Wander(for_ns=60 * S, stride_us=10)),
        ("burst: {count: 5, spacing: 0 ms}", p.Burst(count=5, spacing_ns=0)),
        ("cut: {duration: 1 s}", p.Cut(duration_ns=S)),
        ("cut: {duration: 1 s, phase: 3 ms}", p.Cut(duration_ns=S, phase=3 * MS)),
        (
            "cut: {duration: 1 s, by: foreign, sticks: ends, burst: 8, ability: if present}",
            p.Cut(duration_ns=S, by="foreign", sticks="ends", burst=8, ability="if present"),
        ),
        ("fade: {over: 5 s, duration: 2 s, times: 3}", p.Fade(over_ns=5 * S, duration_ns=2 * S, times=3)),
        ("mute: 2 s", p.Mute(for_ns=2 * S)),
        ("interfere: 2 s", p.Interfere(for_ns=2 * S)),
        ("mute: {for: 1 s, pause: 0 s}", p.Mute(for_ns=S, pause_ns=0)),
        ("interfere: {for: 1 s, ability: required}", p.Interfere(for_ns=S)),
        ("sweep: {shape: sine, together: true}", p.Sweep(shape="sine", together=True)),
        ("wait: linked", p.Wait(until="linked")),
        (
            "wait: {until: packets, packets: 9, deadline: 1 min}",
            p.Wait(until="packets", packets=9, deadline_ns=60 * S),
        ),
        ("restart: receiver", p.Restart(device=Role.RECEIVER)),
        ("restart: {device: transmitter, times: 2}", p.Restart(device=Role.TRANSMITTER, times=2)),
        ("restart: {device: receiver, silent: 1 s}", p.Restart(device=Role.RECEIVER, silent_ns=S)),
        (
            "restart: {device: transmitter, clock_wraps_in: 2 s, packets_wrap_in: 20, ability: if present}",
            p.Restart(
                device=Role.TRANSMITTER, clock_wraps_in_ns=2 * S, packets_wrap_in=20, ability="if present"
            ),
        ),
        ("inject: {times: 3}", p.Inject(times=3)),
        (
            "throughput: {to: 400 Hz, loss: 0.1 %}",
            p.FindThroughput(to_mhz=400_000, loss=Fraction(1, 1000)),
        ),
        (
            "throughput: {from: 40 Hz, to: 80 Hz, resolution: 2.5 Hz, trial: 5 s, method: RFC 2544}",
            p.FindThroughput(
                from_mhz=40_000, to_mhz=80_000, resolution_mhz=2_500, trial_ns=5 * S, method="RFC 2544"
            ),
        ),
        ("back_to_back", p.FindBackToBack()),
        (
            "back_to_back: {up_to: 9, repeats: 3, method: RFC 9004}",
            p.FindBackToBack(up_to=9, repeats=3, method="RFC 9004"),
        ),
        (
            "overload: {rate: 200 Hz, for: 1 s, after: 5 s, times: 2}",
            p.Overload(rate_mhz=200_000, for_ns=S, after_ns=5 * S, times=2),
        ),
        ("own_sticks", p.OwnSticks()),
        ("own_sticks: 2 min", p.OwnSticks(for_ns=120 * S)),
        (
            "margin: {by: power, from: 0 dBm, to: -30 dBm, normal: 4 dBm, distance: 50 cm}",
            p.Margin(by="power", from_x10=0, to_x10=-300, normal_x10=40, distance_mm=500),
        ),
    ],
)
def test_reads_every_kind_of_step(written: str, action: p.StepAction) -> None:
    assert read(("settle: 1 s", written)).steps[0].action == action


def test_reads_a_repeated_step_with_its_place() -> None:
    repeated = (
        read(("settle: 1 s", "repeat: {times: 2, steps: [settle, corners: {dwell: 1 s}]}")).steps[0].action
    )
    inner = (
        p.PlanStep(p.Settle(), "settle", "steps[0].repeat.steps[0]"),
        p.PlanStep(p.Corners(dwell_ns=S), "corners", "steps[0].repeat.steps[1]"),
    )
    assert repeated == p.Repeat(times=2, steps=inner)


@pytest.mark.parametrize(
    ("written", "rule"),
    [
        ("packet_rate: {at_least: 49 Hz}", p.PacketRate(at_least_mhz=49_000)),
        (
            "latency: {percentile: 95 %, at_most: 15 ms, confidence: 99 %, during: cut}",
            p.Latency(
                percentile=Fraction(95, 100),
                at_most_ns=15 * MS,
                confidence=Fraction(99, 100),
                during=("cut",),
            ),
        ),
        (
            "latency: {of: stick, percentile: 90 %, at_most: 60 ms}",
            p.Latency(of="stick", percentile=Fraction(90, 100), at_most_ns=60 * MS),
        ),
        (
            "control_age: {percentile: 99 %, at_most: 60 ms, during: cut}",
            p.ControlAge(percentile=Fraction(99, 100), at_most_ns=60 * MS, during=("cut",)),
        ),
        ("control_gap: {at_most: 100 ms}", p.ControlGap(at_most_ns=100 * MS)),
        ("loss_pattern", p.LossPattern()),
        (
            "loss_pattern: {longest_run: 3, periodic: allowed, period_up_to: 5 s, false_alarm: 1 %}",
            p.LossPattern(
                longest_run=3, periodic="allowed", period_up_to_ns=5 * S, false_alarm=Fraction(1, 100)
            ),
        ),
        ("duplicates", p.Duplicates()),
        ("failsafe_entry: {from: cut}", p.FailsafeEntry(since="cut")),
        (
            "failsafe_entry: {within: 450 ms, share: 80 %}",
            p.FailsafeEntry(within_ns=450 * MS, share=Fraction(4, 5)),
        ),
        ("failsafe_outputs: {tolerance: 2 us}", p.FailsafeOutputs(tolerance_us=2)),
        ("failsafe_exit:", p.FailsafeExit()),
        ("no_false_failsafe", p.NoFalseFailsafe()),
        ("order: {at_most: 1}", p.Order(at_most=1)),
        ("output_range: {tolerance: 2 us}", p.OutputRange(tolerance_us=2)),
        ("fidelity: {during: [cut, elevon sweep]}", p.Fidelity(during=("cut", "elevon sweep"))),
        (
            "fidelity: {tolerance: 4 us, monotonic: any, resolution: required}",
            p.Fidelity(tolerance_us=4, monotonic="any", resolution="required"),
        ),
        ("telemetry_value", p.TelemetryValue()),
        (
            "telemetry_age: {at_most: 60 ms, at_most_packets: 2}",
            p.TelemetryAge(at_most_ns=60 * MS, at_most_packets=2),
        ),
        ("pins: {within: 6 us, after: 45 ms}", p.Pins(within_us=6, after_ns=45 * MS)),
        ("pins: {witness: if present}", p.Pins(witness="if present")),
        ("bench: {lost_at_most: 0.1 %}", p.BenchHealth(lost_at_most=Fraction(1, 1000))),
    ],
)
def test_reads_every_kind_of_check(written: str, rule: p.Check) -> None:
    assert read(("failsafe_entry", written)).checks[1].rule == rule


@pytest.mark.parametrize(
    ("written", "rule"),
    [
        ("noise: {at_most: 4 us}", p.Noise(at_most_us=4)),
        (
            "noise: {at_most: 9 us, peak_to_peak: 40 us, hum: 2 us, mains: 60 Hz}",
            p.Noise(at_most_us=9, peak_to_peak_us=40, hum_us=2, mains="60 Hz"),
        ),
        ("failsafe_margin: {at_least: 30 us}", p.FailsafeMargin(at_least_us=30)),
    ],
)
def test_reads_a_check_of_the_own_sticks(written: str, rule: p.Check) -> None:
    assert read(("settle: 1 s", "own_sticks"), ("failsafe_entry", written)).checks[1].rule == rule


@pytest.mark.parametrize(
    ("step", "written", "rule"),
    [
        ("throughput: {to: 400 Hz}", "throughput: {at_least: 100 Hz}", p.Throughput(at_least_mhz=100_000)),
        ("back_to_back", "back_to_back: {at_least: 16}", p.BackToBack(at_least=16)),
        (
            "overload: {rate: 200 Hz}",
            "recovery: {after: overload, within: 1 s}",
            p.Recovery(after="overload", within_ns=S),
        ),
        ("restart: receiver", "start_up: {tolerance: 1 us}", p.StartUp(tolerance_us=1)),
    ],
)
def test_reads_a_check_of_the_links_limits(step: str, written: str, rule: p.Check) -> None:
    assert read(("settle: 1 s", step), ("failsafe_entry", written)).checks[1].rule == rule


@pytest.mark.parametrize("soak", ["{for: 2 h}", "2 h"])
def test_reads_a_soak_and_a_check_of_its_drift(soak: str) -> None:
    plan = read(("title: A small plan", f"title: A small plan\nsoak: {soak}"), ("failsafe_entry", "drift"))
    assert plan.soak == p.Soak(for_ns=7200 * S)
    assert plan.checks[1].rule == p.Drift()


def test_covers_every_kind_in_these_tests() -> None:
    text = Path(__file__).read_text()
    assert all(f"p.{cls.__name__}(" in text for cls in (*p.STEP_KINDS, *p.CHECK_KINDS))


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_reads_every_shipped_plan(path: Path) -> None:
    plan = load_plan(path)
    assert plan.name == path.stem
    assert plan.text.encode() == path.read_bytes()
    assert parse_plan(plan.text, "the recording", plan.name) == plan


def test_reads_a_check_of_the_margin() -> None:
    step = "margin: {by: hand, from: 0 dB, to: 60 dB}"
    written = "link_margin: {at_least: 12.5 dB, delivery: 98 %, level_error: 2 dB}"
    rule = read(("settle: 1 s", step), ("failsafe_entry", written)).checks[1].rule
    assert rule == p.LinkMargin(at_least_x10=125, delivery=Fraction(98, 100), level_error_x10=20)


def test_keeps_the_plan_text_exactly(tmp_path: Path) -> None:
    text = "\ufeff" + SMALL.replace("\n", "\r\n") + "# \u00e4\r\n"
    (tmp_path / "my plan.yaml").write_bytes(text.encode())
    plan = load_plan(tmp_path / "my plan.yaml")
    assert (plan.name, plan.text) == ("my plan", text)


def test_names_a_plan_from_text_as_it_is_told() -> None:
    assert parse_plan(SMALL, "the plan in the recording", "first-look").name == "first-look"
    assert parse_plan(SMALL, "plans/first-look.yaml").name == "first-look"


def test_lets_a_plan_point_an_editor_at_the_schema() -> None:
    assert read(("propsoff: 1", "$schema: ../shared/plan.schema.json\npropsoff: 1")).format == 1


def test_adds_the_check_of_the_bench_once() -> None:
    own = read(("failsafe_entry", "bench: {lost_at_most: 1 %}"))
    assert [check.rule.WORD for check in own.checks] == ["delivery", "bench", "no_glitch"]
    taken = read(("  - no_glitch: {}", "  - {no_glitch: , name: bench}"))
    assert [check.name for check in taken.checks] == ["delivery", "failsafe_entry", "bench", "bench 2"]


STEPS = ", ".join(kind.WORD for kind in p.STEP_KINDS)
TOP = "propsoff, title, about, safety, link, extend, soak, steps, checks"
SWEEP_KEYS = "channels, shape, from, to, period, cycles, dwell, together"
WRONG = [
    ("propsoff: 1\n", "", "1:1: the key `propsoff` is missing; it takes 1"),
    ("propsoff: 1", "propsoff: 2", "1:11: propsoff: '2' is out of range; write 1"),
    ("title: A small", "titel: A small\ntitle: A",
     f"2:1: titel: unknown key; allowed here: {TOP}; did you mean title?"),
    ("A small plan", "", "2:7: title: nothing stands here; write text of 1 to 120 characters"),
    ("packet_rate: 50 Hz", "packet_rate: 50",
     "4:16: link.packet_rate: '50' has no unit; write 50 Hz, or another unit: mHz, kHz"),
    ("packet_rate: 50 Hz", "packet_rate: 2 kHz",
     "4:16: link.packet_rate: '2 kHz' is out of range; write a rate from 1 Hz to 1000 Hz"),
    ("within: 500 ms", "within: -500 ms",
     "8:22: link.failsafe.within: '-500 ms' is negative; write zero or more, without a sign"),
    ("within: 500 ms", "within: .nan",
     "8:22: link.failsafe.within: '.nan' is not a finite number; write a number with a unit, such as 20 ms"),
    ("    elevon:", "    motor: {failsafe: low}\n    elevon:",
     "7:5: link.channels: the key 'motor' stands twice, first in line 6, column 5; take one out"),
    ("triangle", "triangel",
     "13:40: steps[1].sweep.shape: unknown word 'triangel'; write one of triangle, sine, staircase; "
     "did you mean triangle?"),
    ("period: 4 s", "perod: 4 s",
     f"13:50: steps[1].sweep.perod: unknown key; allowed here: {SWEEP_KEYS}; did you mean period?"),
    ("[elevon]", "[elevons]",
     "13:24: steps[1].sweep.channels[0]: unknown channel 'elevons'; channels: motor, elevon; "
     "did you mean elevon?"),
    ("settle: 1 s", "hold: {for: 1 s, sticks: {rudder: 1500 us}}",
     "12:31: steps[0].hold.sticks.rudder: unknown channel 'rudder'; channels: motor, elevon"),
    ("settle: 1 s", "ramp: {channel: flap, to: 1500 us, over: 1 s}",
     "12:21: steps[0].ramp.channel: unknown channel 'flap'; channels: motor, elevon"),
    ("settle: 1 s", "setle: 1 s",
     f"12:5: steps[0]: unknown step 'setle'; steps: {STEPS}; did you mean settle?"),
    ("settle: 1 s", "settle 1 s",
     f"12:5: steps[0]: unknown step 'settle 1 s'; steps: {STEPS}; did you mean settle?"),
    ("settle: 1 s", "settle: {for: 1 s, four: 2 s}",
     "12:24: steps[0].settle.four: unknown key; allowed here: for; did you mean for?"),
    ("no_glitch: {}", "no_glitch: {at_most: 3}",
     "20:17: checks[2].no_glitch.at_most: unknown key; it takes no settings"),
    ("times: 20}\nchecks", "times: 1000000000}\nchecks",
     "16:33: steps[3].cut.times: '1000000000' is out of range; write a whole number from 1 to 10000"),
    ("at_least: 99 %", "at_least: 0.99",
     "18:26: checks[0].delivery.at_least: '0.99' has no unit; write 99 %"),
    ("at_least: 99 %", "at_least: 100 %",
     "18:26: checks[0].delivery.at_least: '100 %' is out of range; write a share from 1 % to 99.999 %"),
    ("[elevon sweep]", "[elevon sweap]",
     "18:41: checks[0].delivery.during[0]: unknown step 'elevon sweap'; "
     "steps: settle, elevon sweep, inject, cut; did you mean elevon sweep?"),
    ("duration: 1 s", "duration: 1.0000001 s",
     "16:21: steps[3].cut.duration: '1.0000001 s' is too fine for a device; write a multiple of 1 us"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "message"), WRONG, ids=[message for *_, message in WRONG])
def test_says_where_a_plan_is_wrong_and_how_to_mend_it(old: str, new: str, message: str) -> None:
    assert complaint((old, new)) == f"small.yaml:{message}"


def test_tells_every_error_in_one_pass_in_file_order() -> None:
    told = complaints(
        spoiled(
            ("packet_rate: 50 Hz", "packet_rate: 50"),
            ("    elevon:", "    motor: {}\n    elevon:"),
            ("type: u16", "type: u12"),
            ("settle: 1 s", "settle: soon"),
            ("[elevon]", "[flap]"),
            ("times: 20}\n  - cut", "tims: 20}\n  - cut"),
            ("at_least: 99 %", "at_least: 99"),
            ("no_glitch: {}", "no_glitsch"),
        )
    )
    lines = [int(message.split(":")[1]) for message in told]
    assert lines == [4, 7, 11, 13, 14, 16, 16, 19, 21]


@pytest.mark.parametrize("text", ["5", "- a", "[]", "{}", "just words", "'quoted'"])
def test_wants_a_mapping_at_the_top(text: str) -> None:
    assert all(message.startswith("small.yaml:1:1: ") for message in complaints(text))
    assert f"{TOP}" in complaints(text)[0] or "`propsoff` is missing" in complaints(text)[0]


def test_tells_a_wrong_plan_apart_by_its_exit_code() -> None:
    with pytest.raises(PlanError) as caught:
        parse_plan("", "a.yaml")
    assert caught.value.exit_code is ExitCode.USER_ERROR


@given(st.data())
def test_reads_any_plan_spoiled_anywhere_or_says_what_is_wrong(data: st.DataObject) -> None:
    start = data.draw(st.integers(0, len(SMALL)))
    end = data.draw(st.integers(start, min(len(SMALL), start + 30)))
    other = data.draw(st.text("{}[]:,-& *!'\"\n\tu1 smH%~.\x1b", max_size=8) | st.text(max_size=4))
    for message in complaints(SMALL[:start] + other + SMALL[end:]):
        assert message.startswith("small.yaml")
        assert message.isprintable()


LINK = parse_plan(SMALL, "small.yaml").link


def test_reads_one_step_for_a_script() -> None:
    step = parse_step("cut: {duration: 700 ms, times: 5}", LINK)
    assert step == p.PlanStep(p.Cut(duration_ns=700 * MS, times=5), "cut", "steps[0]")
    assert parse_step("{settle: 2 s, name: rest}", LINK).name == "rest"
    assert parse_step("corners", LINK).action == p.Corners()


def test_reads_one_step_written_as_json() -> None:
    words = {"sweep": {"channels": ["elevon"], "period": "2 s", "cycles": 3}, "name": "flaps \u00e4"}
    step = parse_step(json.dumps(words), LINK)
    assert step == p.PlanStep(
        p.Sweep(channels=("elevon",), period_ns=2 * S, cycles=3), "flaps \u00e4", "steps[0]"
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("cut", "step:1:1: steps[0].cut: the key `duration` is missing; it takes a time from 1 ms to 60 s"),
        ("hold: {for: 1 s, sticks: {flap: 1500 us}}",
         "step:1:27: steps[0].hold.sticks.flap: unknown channel 'flap'; channels: motor, elevon"),
        ("hold: {for: 1 s, sticks: {elevon: 1000 us}}",
         "step:1:35: steps[0].hold.sticks.elevon: 1000 us is outside the range of elevon; "
         "write a pulse from 1100 us to 1900 us"),
        ("repeat: {times: 9999, steps: [settle: 1 h]}",
         "step:1:1: steps: the steps take up to 9999 h, most of it steps[0]; "
         "at most 24 h; shorten or split the plan"),
        ("[settle]", f"step:1:1: steps[0]: a list stands here; write one step: {STEPS}"),
        ("", "step: the file is empty; write keys and values, such as `title: First look`"),
    ],
)  # fmt: skip
def test_says_what_is_wrong_with_one_step(text: str, message: str) -> None:
    with pytest.raises(PlanError) as caught:
        parse_step(text, LINK)
    assert str(caught.value) == message


def test_reads_one_check_for_a_script() -> None:
    steps = (parse_step("{settle: 1 s, name: rest}", LINK),)
    check = parse_check("delivery: {at_least: 99 %, during: [rest]}", LINK, steps)
    assert check == p.PlanCheck(
        p.Delivery(at_least=Fraction(99, 100), during=("rest",)), "delivery", "checks[0]"
    )
    assert parse_check("failsafe_outputs", LINK).rule == p.FailsafeOutputs()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("latency",
         "check:1:1: checks[0].latency: the key `percentile` is missing; "
         "it takes a share from 1 % to 99.99 %"),
        ("fidelity: {during: [rset]}",
         "check:1:21: checks[0].fidelity.during[0]: unknown step 'rset'; steps: rest; did you mean rest?"),
        ("control_gap: {at_most: 10 ms}",
         "check:1:24: checks[0].control_gap.at_most: 10 ms is shorter than one packet period; "
         "at least 20 ms"),
    ],
)  # fmt: skip
def test_says_what_is_wrong_with_one_check(text: str, message: str) -> None:
    with pytest.raises(PlanError) as caught:
        parse_check(text, LINK, (parse_step("{settle: 1 s, name: rest}", LINK),))
    assert str(caught.value).splitlines()[0] == message


@pytest.mark.parametrize(
    ("path", "place"),
    [
        ("link.packet_rate", (4, 16)),
        ("link.channels.motor.failsafe", (6, 66)),
        ("steps[1].sweep.period", (13, 58)),
        ("steps[1].sweep.cycles", (13, 12)),
        ("steps[0].settle.for", (12, 13)),
        ("steps[3]", (16, 5)),
        ("steps[33]", (12, 3)),
        ("nowhere", (1, 1)),
    ],
)
def test_finds_the_place_of_a_key_path(path: str, place: tuple[int, int]) -> None:
    assert place_of(SMALL, path) == place
