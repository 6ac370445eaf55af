"""The harness closes the throttle on every way out of a run, on real ports and at a real terminal.

Each run takes a few seconds of real time; nothing depends on how many.
"""

import contextlib
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from safe_bench import (
    OPEN_US,
    PATIENCE_S,
    PLAN,
    REST_US,
    RX,
    TX,
    Terminal,
    assert_closed,
    end_all,
    environment,
    served,
    start,
    wait_for_open,
    wait_until,
)

from harness.bench.rig import find_rig
from harness.clock import MS, S, SystemClock
from harness.codec import messages as m
from harness.plan.reader import load_plan, parse_plan
from harness.recording import read_recording
from mocks.pair import open_pair

pytestmark = [pytest.mark.pty, pytest.mark.slow]
STOPS = ["SIGINT", "SIGTERM", "SIGHUP", "SIGQUIT", "SIGTSTP", "SIGUSR1", "SIGALRM"]
RUN = ("run", "plan.yaml", "--rig", "rig.yaml", "--out", "out")


@pytest.fixture(autouse=True)
def no_signal_ignored():
    """A run inherits what is ignored, such as SIGHUP under nohup: these tests may be run so too."""
    before = {name: signal.getsignal(getattr(signal, name)) for name in STOPS}
    for name, handler in before.items():
        if handler is signal.SIG_IGN:
            signal.signal(getattr(signal, name), signal.SIG_DFL)
    yield
    for name, handler in before.items():
        signal.signal(getattr(signal, name), handler)


@pytest.fixture
def devices(tmp_path, monkeypatch):
    """The mock devices on two pseudo-terminals, with a rig file and a plan that opens a throttle."""
    monkeypatch.chdir(tmp_path)
    link = parse_plan(PLAN, "plan.yaml").link
    with served(open_pair(link, find_rig("ideal-mock").simulated, 7), tmp_path) as written:
        yield written
        end_all()


@pytest.fixture
def terminal():
    """Start propsoff at a terminal of its own."""
    with contextlib.ExitStack() as stack:

        def begin(*words, **more):
            begun = Terminal(*words, **more)
            stack.callback(begun.close)
            return begun

        yield begin


def end_mark(folder="out"):
    return read_recording(Path(folder) / "recording.pcapng").marks[-1].fields


def opened(devices, *words):
    process = start(*RUN, "--props-off", *words)
    wait_for_open(devices, process)
    return process


@pytest.mark.parametrize("name", STOPS)
def test_any_signal_that_would_end_or_suspend_the_program_closes_the_throttle(devices, name):
    process = opened(devices)
    process.send_signal(getattr(signal, name))
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 5, out + err
    assert_closed(devices)
    assert end_mark()["why"] == "interrupted"


def test_ctrl_c_pressed_again_and_again_still_closes_the_throttle(devices):
    process = opened(devices)
    for _ in range(2):
        process.send_signal(signal.SIGINT)
        clock = SystemClock()
        clock.sleep_until_ns(clock.now_ns() + 100 * MS)
    process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 5
    assert_closed(devices)


def test_a_third_ctrl_c_leaves_out_what_can_be_left_out_and_nothing_else(devices):
    process = opened(devices)
    clock = SystemClock()
    for _ in range(3):
        process.send_signal(signal.SIGINT)
        clock.sleep_until_ns(clock.now_ns() + 60 * MS)
    process.communicate(timeout=PATIENCE_S)
    assert_closed(devices)


@pytest.mark.parametrize("keys", [b"q", b"\x1b", b"\x04", b"\x03", b"\x1a", b"\x1c"], ids=repr)
def test_a_stop_key_closes_the_throttle_and_the_terminal_is_as_it_was(devices, terminal, keys):
    import termios

    term = terminal(*RUN, "--props-off")
    before = termios.tcgetattr(term.slave)
    wait_for_open(devices, term.process)
    assert not termios.tcgetattr(term.slave)[3] & termios.ICANON
    term.type(b"x\x1b[A")  # any other key, and an arrow, mean nothing
    term.type(keys)
    assert term.wait() == 5, term.shown
    assert "INCONCLUSIVE" in term.shown
    assert termios.tcgetattr(term.slave) == before
    assert_closed(devices)


@pytest.mark.parametrize("name", ["SIGTERM", "SIGUSR1"])
def test_the_terminal_is_as_it_was_after_a_signal_too(devices, terminal, name):
    import termios

    term = terminal(*RUN, "--props-off")
    before = termios.tcgetattr(term.slave)
    wait_for_open(devices, term.process)
    term.process.send_signal(getattr(signal, name))
    assert term.wait() == 5, term.shown
    assert termios.tcgetattr(term.slave) == before


def test_a_closed_terminal_closes_the_throttle(devices, terminal):
    term = terminal(*RUN, "--props-off")
    wait_for_open(devices, term.process)
    term.hang_up()
    assert term.process.wait(PATIENCE_S) == 5
    assert_closed(devices)
    assert end_mark()["why"] == "interrupted"
    assert Path("out/verdict.json").exists()


def test_a_killed_run_is_ended_by_the_devices_within_600_ms_of_the_last_keep_alive(devices):
    process = opened(devices)
    process.kill()
    process.communicate(timeout=PATIENCE_S)
    wait_until(lambda: devices.throttle()[-1][1] == REST_US, "the dead-man's switch did not act")
    last_open = max(at for at, pulse in devices.throttle() if pulse == OPEN_US)
    closed = min(at for at, pulse in devices.throttle() if pulse == REST_US and at > last_open)
    assert closed - devices.last(TX, m.KeepAlive) <= 600 * MS
    assert not any(isinstance(part, m.Release) for _, part in devices.to_device[TX])


def test_a_stopped_program_is_ended_by_the_devices_and_ends_the_run_when_it_wakes(devices):
    process = opened(devices)
    process.send_signal(signal.SIGSTOP)
    wait_until(lambda: devices.throttle()[-1][1] == REST_US, "the dead-man's switch did not act")
    stopped = len(devices.to_device[TX])
    clock = SystemClock()
    clock.sleep_until_ns(clock.now_ns() + S)
    process.send_signal(signal.SIGCONT)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 5, out + err
    assert "FAIL" not in out
    assert "the devices let go by themselves meanwhile" in out
    after = [part for _, part in devices.to_device[TX][stopped:] if isinstance(part, m.Sticks)]
    assert {part.pulses_us[0] for part in after} == {REST_US}
    assert_closed(devices)
    assert end_mark()["why"] == "PC asleep"


def test_a_failed_assertion_in_a_test_closes_the_throttle(devices):
    Path("test_mine.py").write_text(
        "import pytest\n\n\n"
        "@pytest.mark.propsoff(plan='plan.yaml')\n"
        "def test_mine(bench):\n"
        "    bench.do('wait', until='linked')\n"
        f"    bench.do('hold', sticks={{'throttle': '{OPEN_US} us'}}, **{{'for': '500 ms'}})\n"
        "    assert False, 'mine'\n"
    )
    words = ["-q", "-p", "no:cacheprovider", "--rig", "rig.yaml", "--props-off", "--throttle-up-to", "20 %"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", *words, "test_mine.py"],
        capture_output=True, text=True, env=environment(), check=False, timeout=120,
    )  # fmt: skip
    assert "AssertionError: mine" in done.stdout
    assert OPEN_US in [pulse for _, pulse in devices.throttle()]
    assert_closed(devices)


def test_typing_the_words_clears_the_bench(devices, terminal):
    term = terminal(*RUN)
    term.wait_for("type props off and press Enter")
    assert "take the propellers off" in term.shown.partition("type props off")[0]
    assert not devices.to_device[TX]
    term.type(b"props off\n")
    wait_for_open(devices, term.process)
    term.type(b"q")
    assert term.wait() == 5, term.shown


@pytest.mark.parametrize(
    "typed", [b"yes\n", b"\n", b"Props off\n", b" props off\n", b"props off now\n", b"\x04", b"\x03"]
)
def test_anything_else_opens_nothing(devices, terminal, typed):
    term = terminal(*RUN)
    term.wait_for("type props off and press Enter")
    term.type(typed)
    assert term.wait() == 2, term.shown
    assert "nothing was opened" in term.shown
    assert not devices.to_device[TX]
    assert not devices.to_device[RX]
    assert not Path("out").exists()


def test_words_typed_before_the_cautions_do_not_count(devices, terminal):
    term = terminal(*RUN)
    term.type(b"props off\n")
    term.wait_for("type props off and press Enter")
    term.type(b"\n")
    assert term.wait() == 2, term.shown


def test_without_a_terminal_the_flag_is_asked_for(devices):
    process = start(*RUN)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 2, out + err
    assert "add --props-off once the propellers are off" in err
    assert not devices.to_device[TX]


def test_a_throttle_opens_only_while_the_space_bar_is_held(devices, terminal):
    term = terminal(*RUN, "--props-off", "--hold-to-run")
    term.wait_for("hold the space bar down")
    clock = SystemClock()
    clock.sleep_until_ns(clock.now_ns() + 300 * MS)
    assert {pulse for _, pulse in devices.throttle()} == {REST_US}
    for _ in range(15):
        term.type(b" ")
        clock.sleep_until_ns(clock.now_ns() + 100 * MS)
    assert devices.throttle()[-1][1] == OPEN_US
    assert term.wait() == 5, term.shown
    assert "the space bar was let go while a throttle was open" in term.shown
    assert_closed(devices)


def test_hold_to_run_is_refused_without_a_terminal(devices):
    process = start(*RUN, "--props-off", "--hold-to-run")
    out, err = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 2, out + err
    assert "--hold-to-run needs a terminal" in err
    assert not devices.to_device[TX]


def test_a_run_in_the_background_of_a_terminal_leaves_it_alone(devices, terminal):
    """Its own terminal, but not in front: reading keys, or setting the terminal, would stop the program."""
    harness = "os.execv(sys.executable, [sys.executable, '-m', 'harness', *sys.argv[1:]])"
    script = f"import os, sys; os.setpgid(0, 0); {harness}"
    call = "sys.exit(subprocess.call([sys.executable, *sys.argv[1:]]))"
    take = f"import fcntl, subprocess, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); {call}"
    master, slave = os.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", take, "-c", script, *RUN, "--props-off"],
        stdin=slave, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        start_new_session=True, env=environment(),
    )  # fmt: skip
    try:
        wait_for_open(devices, process)
        os.write(master, b"q")
        until_ns = SystemClock().now_ns() + 500 * MS
        SystemClock().sleep_until_ns(until_ns)
        assert devices.throttle()[-1][1] == OPEN_US
    finally:
        children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
        for child in children:
            os.kill(int(child), signal.SIGTERM)
        process.communicate(timeout=PATIENCE_S)
        os.close(master)
        os.close(slave)
    assert_closed(devices)


def test_the_cap_of_the_command_line_lowers_the_plans_and_is_told(devices):
    process = opened_to(devices, 1100)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert "capped at 10 % of their travel" in out, out + err
    assert max(pulse for _, pulse in devices.throttle()) == 1100
    header = read_recording(Path("out/recording.pcapng")).header
    assert header.facts["throttle cap"] == "10 %"
    assert load_plan(Path("plan.yaml")).text == header.plan_text


def opened_to(devices, pulse_us):
    process = start(*RUN, "--props-off", "--throttle-up-to", "10 %")
    wait_until(lambda: pulse_us in [pulse for _, pulse in devices.throttle()], "no throttle opened")
    return process
