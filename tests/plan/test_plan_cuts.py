"""The harness refuses cuts, fades and restarts that can show nothing, and checks that they cannot serve."""

from __future__ import annotations

import pytest
from plan_samples import complaint, complaints, read, spoiled

from harness.plan import model as p

SETTLE = "settle: 1 s"
CUT = "cut: {duration: 1 s, times: 20}"
TITLE = "title: A small plan"
MOTOR = "{range: 1000 us to 2000 us, role: throttle, failsafe: low}"
FADE = (SETTLE, "fade: {over: 100 ms, duration: 1 s}")

WRONG = [
    (CUT, "cut: {duration: 1 s, by: deaf, burst: 8}", "16:43",
     "steps[3].cut.burst: `burst` with by: deaf, where every packet of it is acknowledged; "
     "leave it out, or cut in another way"),
    (SETTLE, "fade: {over: 100 ms, duration: 99 ms, times: 0}", "12:50",
     "steps[0].fade.times: '0' is out of range; write a whole number from 1 to 1000"),
    (SETTLE, "restart: {device: transmitter, silent: 1 s}", "12:44",
     "steps[0].restart.silent: `silent` with device: transmitter; it cuts the link around a receiver's "
     "restart; write `device: receiver`, or leave it out"),
    (SETTLE, "restart: {device: receiver, packets_wrap_in: 20}", "12:50",
     "steps[0].restart.packets_wrap_in: `packets_wrap_in` with device: receiver; only a transmitter numbers "
     "packets; write `device: transmitter`, or leave it out"),
    (SETTLE, "restart: {device: receiver, clock_wraps_in: 0 s}", "12:49",
     "steps[0].restart.clock_wraps_in: '0 s' is out of range; write a time from 1 us to 4294 s"),
    (SETTLE, "restart: {device: transmitter, packets_wrap_in: 65536}", "12:53",
     "steps[0].restart.packets_wrap_in: '65536' is out of range; write a whole number from 1 to 65535"),
    (SETTLE, "cut: {duration: 1 s, by: silent}", "12:30",
     "steps[0].cut.by: unknown word 'silent'; write one of silence, corrupted, foreign, repeated, deaf, "
     "power, path; "
     "did you mean silence?"),
    (CUT, "cut: {duration: 1 s, by: power, burst: 8}", "16:44",
     "steps[3].cut.burst: `burst` with by: power; leave it out, or cut in another way"),
    (SETTLE, "cut: {duration: 1 s, by: path, packet_rate: 100 Hz}", "12:49",
     "steps[0].cut.packet_rate: `packet_rate` with by: path; leave it out, or cut in another way"),
    (SETTLE, "restart: {device: receiver, by: power, silent: 1 s}", "12:52",
     "steps[0].restart.silent: `silent` with by: power; it needs a command; write `by: command`, "
     "or leave it out"),
    (SETTLE, "restart: {device: receiver, unpowered: 1 s}", "12:44",
     "steps[0].restart.unpowered: `unpowered` with by: command; it is the time without power; "
     "write `by: power` too, or leave it out"),
    (SETTLE, "restart: {device: receiver, by: power, unpowered: 1 ms}", "12:55",
     "steps[0].restart.unpowered: '1 ms' is out of range; write a time from 10 ms to 60 s"),
    (SETTLE, "mute: {for: 1 s, ability: if possible}", "12:31",
     "steps[0].mute.ability: unknown word 'if possible'; write one of required, if present"),
    ("  - no_glitch: {}", "  - start_up", "20:5",
     "checks[2].start_up: start_up without a restart of the receiver; "
     "add a step such as `restart: {device: receiver, silent: 1 s}`"),
    ("  - no_glitch: {}", "  - failsafe_margin: {at_least: 30 us}", "20:22",
     "checks[2].failsafe_margin: failsafe_margin without an own_sticks step; "
     "add a step such as `own_sticks: {for: 10 s}`"),
    (TITLE, f"{TITLE}\nextend: true\nsoak: {{for: 1 h}}", "4:7",
     "soak: `soak` with `extend`: both say how often all steps are played; leave one of the two out"),
    (TITLE, f"{TITLE}\nsoak: {{for: 50.3 s}}", "3:13",
     "soak.for: 50.3 s is over before the steps, which take up to 50.4 s; "
     "at least 50.4 s, one round of all steps"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "place", "message"), WRONG, ids=[message for *_, message in WRONG])
def test_says_what_a_cut_or_its_check_lacks(old: str, new: str, place: str, message: str) -> None:
    assert complaint((old, new)) == f"small.yaml:{place}: {message}"


NEAR = [
    (CUT, "cut: {duration: 1 s, by: repeated, burst: 8}"),
    (CUT, "cut: {duration: 1 s, by: deaf}"),
    (CUT, "cut: {duration: 1 s, by: power, sticks: high, ability: if present}"),
    (SETTLE, "restart: {device: transmitter, by: power, unpowered: 2 s}"),
    FADE,
    (CUT, "fade: {over: 5 s, duration: 521 ms}"),
    (SETTLE, "restart: {device: receiver, silent: 1 s, clock_wraps_in: 1 us}"),
    (SETTLE, "restart: {device: transmitter, packets_wrap_in: 65535, clock_wraps_in: 4294 s}"),
    (SETTLE, "interfere: {for: 1 s, ability: if present}"),
    (TITLE, f"{TITLE}\nextend: false\nsoak: {{for: 50.4 s}}"),
]


@pytest.mark.parametrize(("old", "new"), NEAR, ids=[new for _, new in NEAR])
def test_lets_pass_what_shows_something(old: str, new: str) -> None:
    assert read((old, new)).checks


def test_wants_a_fade_to_have_silences_of_one_and_of_two_packet_periods() -> None:
    told = complaint(FADE, ("packet_rate: 50 Hz", "packet_rate: 49.9 Hz"))
    assert "steps[0].fade.over: 100 ms is too short for packets 20.04" in told
    assert told.endswith("silences of 1 and 2 periods")


@pytest.mark.parametrize("device", ["receiver", "transmitter"])
def test_wants_the_receiver_itself_restarted_for_a_check_of_its_start(device: str) -> None:
    told = complaints(spoiled((SETTLE, f"restart: {device}"), ("  - no_glitch: {}", "  - start_up")))
    assert len(told) == (device == "transmitter")


def test_finds_the_receivers_restart_inside_a_repeat() -> None:
    repeat = "repeat: {times: 2, steps: [restart: transmitter, restart: receiver]}"
    assert read((SETTLE, repeat), ("  - no_glitch: {}", "  - start_up"))


def test_leaves_a_restart_that_cannot_be_read_to_its_own_message() -> None:
    (only,) = complaints(spoiled((SETTLE, "restart: reciever"), ("  - no_glitch: {}", "  - start_up")))
    assert only.endswith("did you mean receiver?")


def test_wants_a_throttle_for_its_margin() -> None:
    margin = ("  - no_glitch: {}", "  - failsafe_margin: {at_least: 30 us}")
    own = (SETTLE, "own_sticks: {for: 5 s}")
    assert read(own, margin)
    assert complaint(own, margin, (MOTOR, "{failsafe: hold}")).endswith(
        "checks[2].failsafe_margin: failsafe_margin without a throttle channel; "
        "give the motor's channel `role: throttle`, or leave the check out"
    )


def test_refuses_a_throttle_without_a_failsafe_pulse_once_whatever_its_margin() -> None:
    held = (MOTOR, "{role: throttle, failsafe: hold}")
    told = complaints(
        spoiled(held, (SETTLE, "own_sticks"), ("  - no_glitch: {}", "  - failsafe_margin: {at_least: 9 us}"))
    )
    assert len(told) == 1
    assert "a throttle that holds its last value after link loss" in told[0]


@pytest.mark.parametrize("word", ["failsafe_entry", "failsafe_outputs", "failsafe_exit"])
@pytest.mark.parametrize(("duration", "long_enough"), [("520 ms", False), ("521 ms", True)])
def test_takes_a_fade_for_a_cut_if_nothing_comes_for_long_enough(
    word: str, duration: str, *, long_enough: bool
) -> None:
    fade = (CUT, f"fade: {{over: 1 s, duration: {duration}}}")
    told = complaints(spoiled(fade, ("  - failsafe_entry\n", f"  - {word}\n")))
    assert (told == []) is (long_enough or word == "failsafe_exit")


def test_wants_a_soak_for_its_drift() -> None:
    assert complaint(("  - no_glitch: {}", "  - drift")).endswith(
        "checks[2].drift: drift without `soak`: one round shows none; "
        "add `soak: {for: 8 h}` above the steps, or leave the check out"
    )
    (only,) = complaints(spoiled((TITLE, f"{TITLE}\nsoak: 2"), ("  - no_glitch: {}", "  - drift")))
    assert "soak" in only


def test_tells_how_long_a_staircase_of_all_channels_together_takes() -> None:
    stairs = "{channels: all, shape: staircase, together: true, dwell: 1 s, cycles: CYCLES}"
    sweep = "{channels: [elevon], shape: triangle, period: 4 s}"
    assert read((sweep, stairs.replace("CYCLES", "3")))
    told = complaint((sweep, stairs.replace("CYCLES", "4")))
    assert "the staircase takes 4004 s together: 4004 stairs x 1 s; at most 60 min" in told


def test_lets_a_throttle_fail_safe_below_its_range_and_no_other_channel() -> None:
    assert read((MOTOR, MOTOR.replace("low", "950 us"))).link.channels[0].failsafe_us == 950
    assert read((MOTOR, "{role: throttle, direction: reversed, failsafe: 2050 us}"))
    assert complaint((MOTOR, "{failsafe: 950 us}"))
    assert complaint((MOTOR, "{role: throttle, failsafe: 2050 us}"))


def test_counts_each_fade_and_a_sweep_together_as_one_step() -> None:
    plan = read((SETTLE, "fade: {over: 1 s, duration: 1 s, times: 3}"))
    assert isinstance(plan.steps[0].action, p.Fade)
    (only,) = complaints(spoiled((SETTLE, "repeat: {times: 10000, steps: [sweep: {together: true}]}")))
    assert "steps: 10022 steps with every repeat, cut and swept channel counted" in only
