"""The harness lays the live view out for any terminal: everything has its place, and nothing runs over."""

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from report_samples import HOSTILE
from rich.cells import cell_len
from view_samples import ALARMS, FAILSAFE, LINKED, READINGS

from harness.clock import S
from harness.report.snapshot import Alarm, ChannelFace
from harness.report.view import View

STORED = Path(__file__).parent / "stored"
SIZES = ((80, 24), (120, 40), (40, 10))


def shown(snapshot, width, height, encoding="utf-8"):
    lines = View(encoding).lines(snapshot, width, height - 1)
    return "".join("".join(text for text, _ in parts).rstrip() + "\n" for parts in lines)


@pytest.mark.parametrize(
    ("name", "snapshot", "encoding"),
    [("linked", LINKED, "utf-8"), ("failsafe", FAILSAFE, "utf-8"), ("ascii", FAILSAFE, "ascii")],
)
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_looks_as_it_is_stored(name, snapshot, encoding, width, height):
    """`PYTHONPATH=tests/report python tests/report/test_report_view.py` writes them anew: look at them."""
    text = (STORED / f"view-{name}-{width}x{height}.txt").read_text(encoding="utf-8")
    assert shown(snapshot, width, height, encoding) == text


def words(snapshot, width=80, height=40, encoding="utf-8"):
    return " ".join(shown(snapshot, width, height, encoding).split())


def test_names_step_and_time_and_what_comes_next():
    text = words(LINKED)
    assert "step 12 of 14 (2 of 8): link cut for 700 ms" in text
    assert "next 6 sets of telemetry values" in text
    assert "0:31 gone, 0:13 left" in text
    assert "at most 0:13 left" in words(FAILSAFE)


@pytest.mark.parametrize(
    ("state", "is_cut", "told"),
    [
        ("linked", False, "link linked for 0:29 1536 sent, 1535 applied delivery"),
        ("lost", False, "link lost for 0:29 1536 sent, 1535 applied delivery"),
        ("failsafe", True, "link in failsafe for 0:29 1536 sent, 1535 applied, on purpose"),
        ("searching", False, "link searching for 0:29"),
    ],
)
def test_says_in_words_how_the_link_is(state, is_cut, told):
    assert told in words(replace(LINKED, link_state=state, is_cut=is_cut))


def test_failsafe_shows_without_any_colour():
    lines = shown(FAILSAFE, 80, 40).splitlines()
    assert any(line.endswith("FAILSAFE") for line in lines)
    (motor,) = (line for line in lines if line.startswith("left motor"))
    assert motor.endswith("950   950 ◂ on")
    (elevon,) = (line for line in lines if line.startswith("left elevon"))
    assert "═" in elevon
    assert "━" in elevon  # the stick beside it
    assert "═" not in shown(LINKED, 80, 40)


def test_bars_stand_where_sticks_and_outputs_are():
    lines = shown(LINKED, 80, 40).splitlines()
    (reversed_,) = (line for line in lines if line.startswith("right elevon"))
    stick, output = (part.count("━") for part in reversed_.split("1863"))
    assert stick > 2 * output > 0


def test_the_transmitter_s_own_sticks_are_named():
    text = shown(replace(LINKED, readings=replace(READINGS, sticks_us=None)), 80, 40)
    assert text.count("own") == len(READINGS.channels)


def test_outputs_nobody_reported_yet_are_left_open():
    lines = shown(replace(LINKED, readings=replace(READINGS, outputs_us=())), 80, 40).splitlines()
    (line,) = (line for line in lines if line.startswith("left motor"))
    assert line.split()[-2:] == ["-", "950"]


def test_alarms_that_go_on_stand_before_those_that_are_over():
    text = shown(FAILSAFE, 80, 24).splitlines()
    first = next(place for place, line in enumerate(text) if line.startswith("alarms 2"))
    assert "!  0:30 failsafe, and no cut is on" in text[first]
    assert text[first].endswith("now")
    assert "   0:12 receiver's line: 3 messages missing so far " in text[first + 1]
    assert text[first + 1].endswith("2x 0.1 s")


def test_the_newest_alarm_is_the_last_thing_to_go():
    for height in range(2, 30):
        assert "failsafe, and no cut" in shown(FAILSAFE, 40, height)


def test_what_stops_the_run_stays_on_a_small_terminal():
    assert LINKED.safety in shown(LINKED, 80, 8)


def test_throttles_stay_longest_and_the_rest_is_counted():
    text = shown(LINKED, 40, 12)
    assert "left motor" in text
    assert "and 3 more channels" in text
    assert "shutter" not in text


def test_nothing_moves_when_values_change():
    """Labels and names stand in the same cells of the same rows, whatever the state."""
    other = replace(
        LINKED,
        step_index=1,
        part=(1, 1),
        elapsed_ns=5 * S,
        packets_sent=7,
        recent_delivery=(0, 0),
        link_state="searching",
        readings=replace(READINGS, outputs_us=(), delivery=((0, 0),) * 60, latency_now_ns=None),
    )
    for width, height in ((80, 24), (120, 40), (50, 30)):
        rows = [shown(one, width, height).splitlines() for one in (LINKED, FAILSAFE, other)]
        labels = [[line[:8] if not line.startswith("alarms") else "alarms" for line in row] for row in rows]
        assert labels[0] == labels[2]
        if width >= 60:
            assert [label for label in labels[1] if label.strip()] == [
                label for label in labels[0] if label.strip()
            ]


@given(
    st.integers(1, 300),
    st.integers(2, 60),
    st.sampled_from([LINKED, FAILSAFE]),
    st.sampled_from(["utf-8", "ascii", "latin-1", "cp437"]),
)
def test_fits_into_any_terminal(width, height, snapshot, encoding):
    lines = View(encoding).lines(snapshot, width, height - 1)
    assert 1 <= len(lines) <= height - 1
    for parts in lines:
        assert sum(cell_len(text) for text, _ in parts) <= width
        assert all("\n" not in text for text, _ in parts)
        "".join(text for text, _ in parts).encode(encoding)


@pytest.mark.parametrize("encoding", ["utf-8", "ascii"])
@pytest.mark.parametrize("width", [30, 80, 120])
@given(st.text(max_size=60) | st.just(HOSTILE))
def test_foreign_text_stays_text(encoding, width, text):
    face = ChannelFace(text, 1000, 2000, 1500)
    line = replace(READINGS.lines[0], identity=text)
    snapshot = replace(
        LINKED,
        plan=text,
        title=text,
        step_title=text,
        next_title=text,
        note=text,
        safety=text,
        alarms=(Alarm(1, text, 0),),
        readings=replace(READINGS, channels=(face,) * 6, lines=(line, line)),
    )
    for parts in View(encoding).lines(snapshot, width, 40):
        assert "".join(words for words, _ in parts).isprintable()
        assert sum(cell_len(words) for words, _ in parts) <= width


def test_wide_letters_take_no_more_room_than_they_have():
    faces = (ChannelFace("推力推力推力推力推力", 1000, 2000, 950, is_throttle=True), *READINGS.channels[1:])
    lines = shown(replace(LINKED, readings=replace(READINGS, channels=faces)), 80, 40).splitlines()
    (wide,) = (line for line in lines if line.startswith("推"))
    (usual,) = (line for line in lines if line.startswith("shutter"))
    assert cell_len(wide[: wide.index("1250")]) == cell_len(usual[: usual.index("2000")])


def test_without_readings_the_run_is_still_told():
    assert "link linked for 0:29 1536 sent, 1535 applied" in words(replace(LINKED, readings=None))


def write_stored():
    for name, snapshot, encoding in (
        ("linked", LINKED, "utf-8"), ("failsafe", FAILSAFE, "utf-8"), ("ascii", FAILSAFE, "ascii"),
    ):  # fmt: skip
        for width, height in SIZES:
            path = STORED / f"view-{name}-{width}x{height}.txt"
            path.write_text(shown(snapshot, width, height, encoding), encoding="utf-8")


if __name__ == "__main__":
    write_stored()
    assert ALARMS
