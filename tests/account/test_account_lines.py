"""The lines section: how late messages left, what each port was, and what the system saw go wrong."""

import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import START_NS, Scenario

from harness.account import lines
from harness.clock import MS, US
from harness.lateness import MARK, Lateness
from harness.measure.evidence import gather
from harness.recording.model import Mark

FACTS = {
    "transmitter port": "/dev/ttyUSB0",
    "transmitter latency timer": "16 ms, could not be lowered (errno 13, Permission denied): late",
    "receiver buffers": "UART 16550A, transmit FIFO 16 bytes",
    "reading": "by descriptor",
    "timer slack": "1 ns, was 50000 ns",
}


def late_mark(path, times_ns, left_out=0):
    late = Lateness()
    for time_ns in times_ns:
        late.note(time_ns)
    late.left_out = left_out
    return Mark(START_NS, MARK, {"path": path, **late.fields()})


def told(*marks, clock="monotonic", facts=FACTS):
    scenario = Scenario()
    recording = scenario.recording()
    header = replace(recording.header, clock=clock, facts=facts)
    found = gather(scenario.plan, replace(recording, header=header, marks=(*recording.marks, *marks)))
    return lines.account(found)


def grid(section, title):
    (found,) = [one for one in section.grids if one.title == title]
    return [dict(zip(found.heads, row, strict=True)) for row in found.rows]


def test_a_simulation_has_no_lines_to_tell_of():
    assert told(late_mark("steps[0]", [US]), clock="virtual") is None


def test_lateness_is_told_whole_and_by_step():
    section = told(late_mark("steps[0]", [10 * US] * 99 + [300 * US]), late_mark("steps[1]", [20 * US] * 100))
    figures = {figure.name: figure.value for figure in section.figures}
    assert figures["messages sent at a planned time"] == 200
    assert figures["latest of all"] == 300
    rows = grid(section, "How late messages left")
    assert [(row["step"], row["latest us"]) for row in rows] == [("steps[0]", 300), ("steps[1]", 20)]
    assert not any("late" in note and "message" in note for note in section.notes)


def test_a_step_played_in_several_rounds_is_one_row():
    section = told(*(late_mark("steps[0]", [10 * US]) for _ in range(3)))
    assert [row["messages"] for row in grid(section, "How late messages left")] == [3]


def test_rounds_of_a_soak_are_put_together():
    one, two = Scenario(), Scenario()
    kept = lines.Lines()
    for scenario in (one, two):
        recording = scenario.recording()
        header = replace(recording.header, clock="monotonic", facts=FACTS)
        marks = (*recording.marks, late_mark("steps[0]", [10 * US] * 5))
        kept.take(gather(scenario.plan, replace(recording, header=header, marks=marks)))
    assert [row["messages"] for row in grid(kept.section(), "How late messages left")] == [10]
    assert lines.Lines().section() is None


def test_a_recording_that_names_steps_without_end_takes_no_more_memory(monkeypatch):
    monkeypatch.setattr(lines, "MOST_STEPS", 3)
    rows = grid(told(*(late_mark(f"s{number}", [US]) for number in range(9))), "How late messages left")
    assert [(row["step"], row["messages"]) for row in rows] == [
        ("s0", 1),
        ("s1", 1),
        ("s2", 1),
        ("others", 6),
    ]


def test_the_latest_steps_are_kept_when_there_are_many():
    marks = [late_mark(f"steps[{number}]", [number * US]) for number in range(100)]
    section = told(*marks)
    rows = grid(section, "How late messages left")
    assert [row["step"] for row in rows] == [f"steps[{number}]" for number in range(60, 100)]


def test_a_late_message_is_measured_against_the_packet_period():
    # the link has 50 packets a second: 20 ms
    period = "more than a packet period (20 ms) late"
    assert not any(period in note for note in told(late_mark("s", [19 * MS])).notes)
    assert any(period in note for note in told(late_mark("s", [1] * 999 + [21 * MS])).notes)
    slow = "did not always keep up with the plan"
    assert any(slow in note for note in told(late_mark("s", [21 * MS] * 9)).notes)
    assert any(slow in note for note in told(late_mark("s", [1] * 9, left_out=1)).notes)


def test_a_busy_machine_is_told_so_where_the_plan_does_not_need_better():
    assert any("was busy" in note for note in told(late_mark("s", [MS] * 9)).notes)
    assert not any("was busy" in note for note in told(late_mark("s", [400 * US] * 9)).notes)


def test_facts_stand_with_their_port():
    rows = grid(told(), "What the system says of the ports")
    assert {"port": "receiver", "what": "buffers", "told": FACTS["receiver buffers"]} in rows
    assert {"port": "bench", "what": "timer slack", "told": FACTS["timer slack"]} in rows
    assert any("holds bytes back" in note for note in told().notes)


def test_overruns_seen_by_the_system_explain_missing_messages():
    counts = {"overruns": 3, "framing errors": 0}
    section = told(Mark(START_NS, "line errors", {"role": "receiver", "counts": counts}))
    rows = grid(section, "Counted on the lines since they were opened")
    assert {"port": "receiver", "what": "overruns", "count": 3} in rows
    assert any("3 overruns" in note and "framing" not in note for note in section.notes)
    clean = told(Mark(START_NS, "line errors", {"role": "receiver", "counts": {"overruns": 0}}))
    assert not any("saw trouble" in note for note in clean.notes)


def test_what_the_system_refused_is_told_with_its_remedy():
    refused = FACTS | {"scheduling": "refused: errno 1, Operation not permitted"}
    (note,) = [note for note in told(facts=refused).notes if note.startswith("Not granted")]
    assert "real-time scheduling" in note
    assert "rtprio" in note
    granted = FACTS | {"scheduling": "real time, round robin, priority 1"}
    assert not any(note.startswith("Not granted") for note in told(facts=granted).notes)


def test_damaged_marks_are_passed_over():
    section = told(
        Mark(START_NS, MARK, {"path": 5}), Mark(START_NS, "line errors", {"role": [], "counts": "x"}),
        Mark(START_NS, "line errors", {"role": "receiver", "counts": {"overruns": "many"}}),
    )  # fmt: skip
    assert section.figures == ()
