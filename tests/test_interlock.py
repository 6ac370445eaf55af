"""The harness moves nothing before it was cleared, and no throttle further than plan and person allow."""

import io
import sys
from dataclasses import replace
from fractions import Fraction

import pytest

from harness import interlock
from harness.bench.protocol import Role
from harness.bench.rig import find_rig, parse_rig
from harness.cli import main
from harness.codec import decode_piece, parse
from harness.codec import messages as m
from harness.errors import UserError
from harness.interlock import WORDS, capped, cleared, require_clearable
from harness.plan.find import shipped_plans
from harness.plan.reader import load_plan
from harness.recording import Direction, read_recording
from harness.running import Request, timeline_for

REAL = parse_rig(
    "propsoff_rig: 1\nbench: serial\ntransmitter: {port: /dev/no-such-1}\nreceiver: {port: /dev/no-such-2}\n",
    "my-bench.yaml",
)
FIRST_LOOK = load_plan(shipped_plans()["first-look"])


def request_for(rig=REAL, **more):
    return Request(plan=FIRST_LOOK, file="first-look.yaml", rig=rig, seed=7, **more)


class Typed(io.StringIO):
    """A terminal at which this was typed."""

    def isatty(self):
        return True

    def fileno(self):
        return 0


@pytest.fixture
def terminal(monkeypatch):
    """Somebody sits at a terminal and types."""

    def types(text):
        monkeypatch.setattr(sys, "stdin", Typed(text))
        monkeypatch.setattr(interlock, "can_ask", lambda: True)
        monkeypatch.setattr(interlock, "_forget_typed", lambda: None)

    return types


def test_the_words_clear_real_ports_after_the_cautions(terminal, capsys):
    terminal(f"{WORDS}\n")
    (request,) = cleared([request_for()])
    assert request.props_off
    shown = capsys.readouterr().err
    assert shown.index("take the propellers off") < shown.index("type props off and press Enter")


@pytest.mark.parametrize(
    "typed",
    [
        "",
        "\n",
        "yes\n",
        "PROPS OFF\n",
        "props  off\n",
        " props off\n",
        "props off \n",
        "props off",
        "x" * 9_999,
    ],
)
def test_anything_but_exactly_the_words_clears_nothing(terminal, typed):
    terminal(typed)
    with pytest.raises(UserError, match="nothing was opened; type exactly: props off"):
        cleared([request_for()])


def test_ctrl_c_at_the_question_clears_nothing(terminal, monkeypatch):
    def interrupted(_size):
        raise KeyboardInterrupt

    terminal("")
    monkeypatch.setattr(sys.stdin, "readline", interrupted)
    with pytest.raises(UserError, match="nothing was opened"):
        cleared([request_for()])


def test_the_flag_clears_without_a_question_and_the_cautions_are_shown(capsys):
    (request,) = cleared([request_for(props_off=True)])
    assert request.props_off
    assert "take the propellers off" in capsys.readouterr().err


def test_a_simulation_needs_no_clearing_and_shows_no_cautions(capsys):
    cleared([request_for(find_rig("mock"))])
    assert capsys.readouterr().err == ""


def test_without_a_terminal_the_flag_is_asked_for_with_the_cautions(monkeypatch):
    monkeypatch.setattr(sys, "stdin", None)
    with pytest.raises(UserError, match="add --props-off") as caught:
        require_clearable(request_for())
    assert "take the propellers off" in str(caught.value)


def test_hold_to_run_needs_real_ports_and_a_terminal(monkeypatch):
    with pytest.raises(UserError, match="for real ports, and the rig mock is simulated"):
        require_clearable(request_for(find_rig("mock"), hold_to_run=True))
    monkeypatch.setattr(sys, "stdin", None)
    with pytest.raises(UserError, match="needs a terminal"):
        require_clearable(request_for(props_off=True, hold_to_run=True))


@pytest.mark.parametrize("rig", [REAL, find_rig("mock")], ids=["hardware", "simulated"])
@pytest.mark.parametrize(("share", "allowed"), [("0", True), ("0.1", True), ("0.25", True), ("0.26", False)])
def test_the_command_line_can_only_lower_the_cap(rig, share, allowed):
    """The plan allows a quarter."""
    request = request_for(rig)
    if not allowed:
        with pytest.raises(UserError, match=r"more than first-look\.yaml allows; give at most 25 %"):
            capped(request, Fraction(share))
        return
    lowered = capped(request, Fraction(share))
    assert lowered.throttle_share == timeline_for(lowered).throttle_share == Fraction(share)
    assert lowered.plan.safety.throttle_up_to == Fraction(share)  # what watches own sticks goes by it too
    assert lowered.plan.text == request.plan.text


def test_without_it_the_plans_cap_holds_on_real_ports_and_none_in_a_simulation():
    assert capped(request_for(), None).throttle_share == Fraction(1, 4)
    assert capped(request_for(find_rig("mock")), None).throttle_share == 1
    open_ = replace(FIRST_LOOK, safety=replace(FIRST_LOOK.safety, throttle_up_to=Fraction(1, 2)))
    assert replace(request_for(), plan=open_).throttle_share == Fraction(1, 2)


def highest_throttle(path):
    recording = read_recording(path / "recording.pcapng")
    port = recording.ports[Role.TRANSMITTER]
    rows = zip(port.direction, port.data, strict=True)
    messages = [parse(decode_piece(data[:-1])) for way, data in rows if way == Direction.TO_DEVICE]
    return recording, max(one.pulses_us[0] for one in messages if isinstance(one, m.Sticks))


def test_the_cap_stands_in_the_recording_and_the_report(tmp_path, capsys):
    words = ["run", "first-look", "--seed", "7", "--throttle-up-to", "10 %", "--out", str(tmp_path / "out")]
    main(words)
    recording, highest = highest_throttle(tmp_path / "out")
    assert recording.header.facts["throttle cap"] == "10 %"
    assert highest == 1100
    shown = capsys.readouterr().out
    assert "throttle sticks were capped at 10 % of their travel" in shown
    assert "--throttle-up-to '10 %'" in shown.partition("To repeat:")[2]


def test_a_simulation_without_a_cap_says_nothing_of_one(tmp_path, capsys):
    main(["run", "first-look", "--seed", "7", "--out", str(tmp_path / "out")])
    recording, highest = highest_throttle(tmp_path / "out")
    assert "throttle cap" not in recording.header.facts
    assert highest == 2000
    assert "capped" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("share", "words"),
    [
        ("60 %", "give at most 25 %"),
        ("ten", "ten"),
        ("10", "has no unit; write 10 %"),
        ("200 %", "100 %"),
        ("-5 %", "-5"),
    ],
)
def test_a_share_that_cannot_be_is_told(share, words, capsys):
    try:
        code = main(["run", "first-look", "--throttle-up-to", share])
    except SystemExit as stop:
        code = stop.code
    assert code == 2
    assert words in capsys.readouterr().err
