"""The harness counts a soak round by round to the same sums as all at once, and in little memory."""

import tracemalloc

import pytest
from soaked import by_rounds, kinds, plan_text, played

from harness.judge import judge
from harness.measure.evidence import gather
from harness.plan.reader import parse_plan
from harness.recording import parse_recording, parse_windows

TEXT = plan_text()
RIGS = {
    "healthy": "{loss: 0 %, usb_latency: 1 ms}",
    "losses": "{loss: 30 %, ack_loss: 3 %, usb_latency: 2 ms}",
    "fades": "{good_to_bad: 1 %, bad_to_good: 30 %, usb_latency: 1 ms}",
    "serial losses": "{loss: 20 %, receiver_message_loss: 0.5 %, transmitter_message_loss: 0.5 %}",
    "skewed": "{loss: 20 %, transmitter_skew_ppm: 180, receiver_skew_ppm: -180, "
    "receiver_clock_us: 4290000000}",
}
CERTAIN = (
    "duplicates", "order", "fidelity", "no_glitch", "failsafe_entry", "failsafe_outputs", "failsafe_exit",
    "no_false_failsafe", "telemetry_age",
)  # fmt: skip


@pytest.fixture(params=RIGS)
def data(request, tmp_path_factory):
    """Return the recording of a soak of three rounds on one of the rigs."""
    path = tmp_path_factory.getbasetemp() / f"{request.param.replace(' ', '-')}.yaml"
    path.write_text(f"propsoff_rig: 1\nbench: mock\nmock: {RIGS[request.param]}\n")
    return played(TEXT, 3, str(path))


def both(data):
    """Return the results by rounds and those of the whole recording, by kind."""
    whole = judge(parse_plan(TEXT, "soaked"), parse_recording(data, "soaked"))
    return kinds(by_rounds(data, TEXT)), kinds(whole)


def test_rounds_have_no_hole_between_them_and_nothing_is_in_two(data):
    plan = parse_plan(TEXT, "soaked")
    found = [gather(plan, window.recording) for window in parse_windows(data, "soaked")]
    whole = gather(plan, parse_recording(data, "soaked"))
    assert len(found) == 3
    assert found[0].run.start_ns == whole.run.start_ns
    assert found[-1].run.end_ns == whole.run.end_ns
    assert [one.run.end_ns + 1 for one in found[:-1]] == [one.run.start_ns for one in found[1:]]
    assert sum(len(one.cuts) for one in found) == len(whole.cuts)
    assert all(one.end.why == "complete" for one in found)


def test_counts_of_rounds_are_those_of_the_whole(data):
    rounds, whole = both(data)
    for key, number in rounds["delivery"].counts.items():
        assert number == whole["delivery"].counts[key], key
    assert rounds["delivery"].interval == whole["delivery"].interval
    for kind in CERTAIN:
        assert dict(rounds[kind].counts) == {
            key: whole[kind].counts[key] for key in rounds[kind].counts
        }, kind  # fmt: skip
        assert rounds[kind].samples == whole[kind].samples, kind


def test_verdicts_of_rounds_are_those_of_the_whole(data):
    rounds, whole = both(data)
    assert {kind: one.verdict for kind, one in rounds.items()} == {
        kind: one.verdict for kind, one in whole.items()
    }


def test_what_a_seam_divides_differs_by_no_more_than_the_seam(data):
    rounds, whole = both(data)
    assert 0 <= whole["packet_rate"].counts["packets"] - rounds["packet_rate"].counts["packets"] <= 4
    assert rounds["control_gap"].value == pytest.approx(whole["control_gap"].value, abs=0.1)
    for kind in ("latency", "control_age"):  # each round's clocks are mapped anew, and ages are samples
        assert abs(rounds[kind].value - whole[kind].value) <= rounds[kind].uncertainty + 0.2
    assert rounds["bench"].counts.items() <= whole["bench"].counts.items()
    # Telemetry before a round's first injection has nothing to be compared with.
    assert 0 < rounds["telemetry_value"].samples <= whole["telemetry_value"].samples
    assert rounds["telemetry_value"].value == whole["telemetry_value"].value


def test_totals_of_the_run_are_those_of_the_whole(data):
    rounds = by_rounds(data, TEXT)
    whole = judge(parse_plan(TEXT, "soaked"), parse_recording(data, "soaked"))
    assert (rounds.packets_sent, rounds.packets_applied) == (whole.packets_sent, whole.packets_applied)
    assert rounds.link_seconds == pytest.approx(whole.link_seconds)
    assert rounds.devices == whole.devices


def test_a_longer_soak_takes_hardly_more_memory_to_judge():
    by_rounds(played(TEXT, 3), TEXT)  # imports and caches
    peaks = []
    for soak in ("50 s", "5 min"):
        text = plan_text(soak)
        data = played(text, 3)
        tracemalloc.start()
        by_rounds(data, text)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.3 * peaks[0]
