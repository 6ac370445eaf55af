"""The harness on systems without descriptors, terminals and half of the signals, as far as Linux can tell.

Nothing here has run on Windows or macOS: what they lack is hidden from it.
"""

import io
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
import serial
from test_cli import TINY
from test_guards import MODULES

import harness
from harness import clock
from harness.bench import ports
from harness.bench.port_names import name_hint, other_name
from harness.bench.ports import PortSpec, open_port, same_port_key
from harness.bench.protocol import Role
from harness.bench.rig import find_rig, serial_rig_text
from harness.cli import main
from harness.clock import S, SystemClock
from harness.errors import BenchError
from harness.plan.reader import parse_plan
from harness.report.folder import safe_name

ROOT = Path(harness.__file__).parents[1]
WITHOUT = """
import importlib, os, select, signal, sys, warnings
import hypothesis, numpy, pytest, rich.live, scipy.special, serial, serial.rfc2217, yaml
import serial.tools.list_ports
HIDDEN = {"termios", "fcntl", "pty", "tty", "resource", "grp", "pwd", "readline", "curses", "syslog"}

class Hides:
    def find_spec(self, name, path=None, target=None):
        if name in HIDDEN:
            raise ModuleNotFoundError(f"no module named {name!r} here", name=name)

for name in HIDDEN:
    sys.modules.pop(name, None)
sys.meta_path.insert(0, Hides())
GONE = {
    os: ("openpty", "ttyname", "fork", "getuid", "geteuid", "getgid", "getgroups", "setsid", "killpg",
         "mkfifo", "set_blocking", "get_blocking", "O_NOCTTY", "O_NONBLOCK", "O_DIRECTORY",
         "sched_setscheduler", "sched_getaffinity", "sched_param", "SCHED_RR", "SCHED_RESET_ON_FORK",
         "nice", "statvfs"),
    select: ("poll", "epoll"),
    signal: ("SIGHUP", "SIGALRM", "SIGUSR1", "SIGPIPE", "SIGWINCH", "SIGTSTP", "SIGKILL",
             "setitimer", "pause"),
}
for module, names in GONE.items():
    for name in names:
        if hasattr(module, name):
            delattr(module, name)
for name in sys.argv[1:]:
    try:
        importlib.import_module(name)
    except BaseException as error:
        print(f"{name}: {type(error).__name__}: {error}")
"""


def python(code, *words, **environment):
    return subprocess.run(
        [sys.executable, "-c", code, *words], cwd=ROOT, capture_output=True, text=True, check=False,
        env={**os.environ, **environment}, timeout=300,
    )  # fmt: skip


@pytest.mark.slow
def test_every_module_can_be_imported_without_what_only_posix_has():
    names = [name for name in MODULES if name != "harness.__main__"]
    done = python(WITHOUT, *names)
    assert (done.stdout, done.stderr) == ("", "")


@pytest.mark.slow
@pytest.mark.parametrize("line", ["import fcntl", "from signal import SIGHUP", "import os; os.O_NOCTTY"])
def test_that_test_can_fail(tmp_path, line):
    (tmp_path / "odd.py").write_text(line)
    done = python(WITHOUT, "odd", PYTHONPATH=str(tmp_path))
    assert done.stdout.startswith("odd: ")


@pytest.mark.slow
def test_a_simulated_run_needs_nothing_of_posix(tmp_path):
    (tmp_path / "tiny.yaml").write_text(TINY)
    ending = "\nfrom harness.cli import main\nraise SystemExit(main(OURS))"
    words = ["run", str(tmp_path / "tiny.yaml"), "--seed", "7", "--out", str(tmp_path / "out")]
    done = python(WITHOUT + ending.replace("OURS", repr(words)))
    assert "PASS: tiny" in done.stdout, done.stderr
    assert done.returncode == 0
    assert (tmp_path / "out" / "verdict.json").is_file()


class WithoutDescriptor:
    """A serial port as on Windows: it has no descriptor that anything could wait for."""

    def __init__(self, inner):
        self._inner = inner

    def __getattr__(self, name):
        return getattr(self._inner, name)

    def fileno(self):
        raise io.UnsupportedOperation("fileno")


@pytest.mark.pty
@pytest.mark.slow
def test_a_whole_run_over_ports_without_descriptors(tmp_path, monkeypatch, capsys):
    from mocks.pair import open_pair
    from mocks.ptys import serving

    plan = tmp_path / "tiny.yaml"
    plan.write_text(TINY.replace("4 s", "2 s").replace("80 %", "50 %"))
    opened = serial.serial_for_url
    monkeypatch.setattr(
        serial, "serial_for_url", lambda url, **settings: WithoutDescriptor(opened(url, **settings))
    )
    link = parse_plan(plan.read_text(), "tiny.yaml").link
    with serving(open_pair(link, find_rig("ideal-mock").simulated, 7)) as names:
        specs = {role: PortSpec(name) for role, name in names.items()}
        (tmp_path / "rig.yaml").write_text(serial_rig_text(specs, "the mock"))
        words = ["run", plan, "--rig", tmp_path / "rig.yaml", "--props-off", "--out", tmp_path / "out"]
        code = main([str(word) for word in words])
    told = capsys.readouterr()
    assert code == 0, told
    document = json.loads((tmp_path / "out" / "verdict.json").read_text())
    assert document["rig"]["facts"]["reading"] == "by one thread a port"
    assert document["verdict"] == "pass"


@pytest.mark.parametrize(
    ("one", "other"), [("COM5", "com5"), ("COM10", r"\\.\COM10"), (r"\\.\com12", "Com12")]
)
def test_windows_names_of_one_port_are_one(one, other):
    assert same_port_key(one) == same_port_key(other)
    assert same_port_key(one) != same_port_key("COM1")


def test_pyserial_itself_opens_ports_beyond_com9():
    """It puts the prefix of Win32's device name space before them; here its source is read, not run."""
    source = (Path(serial.__file__).parent / "serialwin32.py").read_text()
    assert "int(port[3:]) > 8" in source
    assert r"port = '\\\\.\\' + port" in source


def test_rig_files_take_windows_names(tmp_path):
    rig = tmp_path / "rig.yaml"
    rig.write_text(
        "propsoff_rig: 1\nbench: serial\ntransmitter: {port: COM10}\nreceiver: {port: '\\\\.\\COM12'}\n"
    )
    assert [spec.url for spec in find_rig(str(rig)).ports.values()] == ["COM10", "\\\\.\\COM12"]


def test_a_port_of_macos_that_waits_for_a_carrier_is_told_of(monkeypatch):
    assert other_name("/dev/tty.usbserial-1", "darwin") == "/dev/cu.usbserial-1"
    assert name_hint("/dev/cu.usbserial-1", "darwin") == ""
    assert name_hint("/dev/tty.usbserial-1", "linux") == ""
    monkeypatch.setattr(ports, "name_hint", lambda url: name_hint(url, "darwin"))
    with pytest.raises(BenchError, match=r"use /dev/cu\.usbserial-1: the name .* waits for a carrier"):
        open_port(Role.RECEIVER, PortSpec("/dev/tty.usbserial-1"), 0)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("first-look", "first-look"),
        ("con", "_con"),
        ("NUL.backup", "_NUL.backup"),
        ("com1", "_com1"),
        ("com\u00b9", "_com\u00b9"),  # superscript digits count too
        ("lpt9.x.y", "_lpt9.x.y"),
        ("com10", "com10"),
        ("console", "console"),
        ("..", "plan"),
        ("ends.", "ends"),
        ("ends ", "ends_"),
        ('a<b>:"|?*\\/c', "a_b________c"),
        ("test_x[\x1b]", "test_x___"),
        ("Querruder-\u00d6", "Querruder-\u00d6"),
    ],
)
def test_names_of_folders_are_such_that_every_system_takes(text, name):
    assert safe_name(text) == name


def test_names_of_folders_are_bounded():
    assert len(safe_name("x" * 5_000)) == 100
    assert len(safe_name("\u6f22" * 5_000).encode()) <= 200


def test_a_clock_that_goes_in_steps_is_not_used(monkeypatch):
    """Before Python 3.13 `time.monotonic` on Windows had 15.6 ms (GetTickCount64), `perf_counter` 0.1 us."""
    monkeypatch.setattr(time, "perf_counter_ns", lambda: 5 * S)
    assert SystemClock().now_ns() != 5 * S
    monkeypatch.setattr(clock, "COARSE", True)
    assert SystemClock().now_ns() == 5 * S
    assert time.get_clock_info("perf_counter").resolution < 1e-4


@pytest.mark.slow
def test_a_console_that_cannot_show_a_letter_gets_an_escape(tmp_path):
    plan = tmp_path / "plan.yaml"
    plan.write_text(TINY.replace("title: Tiny", 'title: "Dunlin \u2708 \u00b5"'), encoding="utf-8")
    code = "from harness.cli import main; raise SystemExit(main(['check', PLAN]))".replace(
        "PLAN", repr(str(plan))
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, check=False,
        env={**os.environ, "PYTHONIOENCODING": "cp1252", "PYTHONUTF8": "0"},
    )  # fmt: skip
    assert done.returncode == 0
    assert b"Dunlin \\u2708 \xb5" in done.stdout


def test_groups_without_names_are_told_by_number(monkeypatch):
    monkeypatch.setitem(sys.modules, "grp", None)  # as on Windows: importing it fails
    assert ports.group_name(20) == "20"
