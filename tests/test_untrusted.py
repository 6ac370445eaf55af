"""The harness shows what a device wrote, wherever it shows it, and lets it do nothing there."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
import xmlschema
from hostile import HOSTILE, HostileDevices, is_harmless
from test_cli import TINY, run

from harness import running
from harness.bench.identify import explain_silence
from harness.bench.protocol import Role
from harness.escape import clean, clean_bytes
from harness.explore import trying
from harness.recording import read_recording
from harness.report.text import render
from harness.running import judge_file

HERE = Path(__file__).parent
SCHEMA = HERE / "report" / "junit.xsd"
OURS = re.compile(r"\x1b\[[0-9;]*m")
"""The only terminal commands that a coloured report may hold: those that set colours."""
FILES = {"recording.pcapng", "verdict.json", "junit.xml", "report.txt", "report.html"}
TEXTS = [*HOSTILE.values(), b"x\x1b[1m" * 13_000]
IDS = [*HOSTILE, "64 KiB"]

every = pytest.mark.parametrize("text", TEXTS, ids=IDS)


@pytest.fixture(autouse=True)
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tiny.yaml").write_text(TINY)


@pytest.fixture
def devices(monkeypatch):
    """Put hostile devices behind every bench that is opened."""

    def put(text, **how):
        opened = running.open_bench
        monkeypatch.setattr(
            running,
            "open_bench",
            lambda *given, **named: HostileDevices(opened(*given, **named), text, **how),
        )

    return put


def texts(value):
    """Every text in a JSON document, keys too."""
    if isinstance(value, dict):
        return [text for key, item in value.items() for text in [key, *texts(item)]]
    if isinstance(value, list):
        return [text for item in value for text in texts(item)]
    return [value] if isinstance(value, str) else []


@every
def test_in_no_place_of_a_whole_run(text, devices, capsys):
    devices(text)
    code = run("run", "tiny.yaml", "--seed", 7, "--out", "out", "--full")
    told, errors = capsys.readouterr()
    assert code in (0, 1, 3, 5)
    assert is_harmless(told)
    assert is_harmless(errors)
    assert {path.name for path in Path("out").iterdir()} == FILES
    assert {path.name for path in Path().iterdir()} == {"out", "tiny.yaml"}
    report = Path("out/report.txt").read_text("utf-8")
    assert is_harmless(report)
    _looks_right_in_files()
    _looks_right_in_colour()
    shown = clean(text[:24].decode("utf-8", "replace"))  # as the codec reads names
    assert shown in re.sub(r"\s*\n\s*", "", report) or shown.split()[0] in report  # told, not hidden


def _looks_right_in_files():
    document = Path("out/verdict.json").read_bytes().decode("ascii")
    assert all(is_harmless(text) and "\n" not in text for text in texts(json.loads(document)))
    xml = Path("out/junit.xml").read_bytes().decode("ascii")
    root = ET.fromstring(xml)
    xmlschema.XMLSchema(SCHEMA).validate(root)
    assert {element.tag for element in root.iter()} <= {
        "testsuites", "testsuite", "properties", "property", "testcase", "system-out", "failure", "error",
        "skipped",
    }  # fmt: skip
    told = [*root.itertext(), *(value for element in root.iter() for value in element.attrib.values())]
    assert all(map(is_harmless, told))


def _looks_right_in_colour():
    outcome = judge_file(Path("out/recording.pcapng"))
    for width in (40, 80, 200):
        coloured = render(outcome, width=width, colour=True, full=True)
        assert is_harmless(OURS.sub("", coloured))
        assert "smile: [link]" in coloured or ":smile:" not in coloured


@every
def test_in_no_error_about_a_device_that_says_nothing_else(text, devices, capsys):
    devices(text, mute=True)
    assert run("run", "tiny.yaml", "--seed", 7, "--out", "out") == 3
    told, errors = capsys.readouterr()
    assert told == ""
    assert is_harmless(errors)
    assert len(errors) < 2_000
    assert "no answer to identify" in errors
    assert not Path("out").exists()


@every
def test_in_no_quote_of_a_console(text):
    for data in (text, text * 50, b"hello\r\n" + text, b"\0" + text + b"\0"):
        told = explain_silence(data, Role.RECEIVER, port="/dev/ttyUSB1", baud=115_200)
        assert told.isascii()
        assert told.isprintable()
        assert len(told) < 1_000


@every
def test_in_nothing_that_is_judged_again(text, devices, capsys):
    devices(text)
    run("run", "tiny.yaml", "--seed", 7, "--out", "out")
    capsys.readouterr()
    run("judge", "out", "--full")
    run("judge", "out", "--json")
    run("judge", "out", "--junit")
    told, errors = capsys.readouterr()
    assert is_harmless(told)
    assert is_harmless(errors)


def test_in_no_finding_of_an_exploration(devices, monkeypatch, capsys):
    text = b" ".join(HOSTILE.values())
    devices(text)
    monkeypatch.setattr(trying, "open_for", running.open_for)
    run("explore", "--seed", 1, "--for", "20s", "--out", "found", "--defect", "failsafe-fed-by-repeats")
    told, errors = capsys.readouterr()
    assert is_harmless(told)
    assert is_harmless(errors)
    for path in Path("found").rglob("*"):
        assert re.fullmatch(r"[\w.-]+", path.name)
        if path.suffix in (".yaml", ".json", ".txt"):
            assert is_harmless(path.read_text("utf-8"))


CONFTEST = """
from hostile import HOSTILE, HostileDevices
from harness import running

opened = running.open_bench
text = b" ".join(HOSTILE.values())
running.open_bench = lambda *given, **named: HostileDevices(opened(*given, **named), text, mute=MUTE)
"""
SCRIPT = """
def test_by_hand(bench):
    bench.do("wander", **{"for": "1 s"})
    bench.require("latency", percentile="50 %", at_most="10 us")
"""


@pytest.mark.slow
@pytest.mark.parametrize("mute", [False, True])
def test_in_no_output_of_pytest(mute):
    bad = TINY.replace("- fidelity", "- latency: {percentile: 50 %, at_most: 10 us}")
    Path("tiny.yaml").write_text(bad.replace("wander: {for: 4 s}", "wander: {for: 1 s}"))
    Path("conftest.py").write_text(CONFTEST.replace("MUTE", str(mute)))
    Path("test_script.py").write_text(SCRIPT)
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "--color=yes", "-vv", "-s"],
        capture_output=True, check=False, timeout=120,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(HERE), str(HERE.parent)])},
    )  # fmt: skip
    told = OURS.sub("", done.stdout.decode("utf-8"))
    assert done.returncode == 1, told
    assert is_harmless(told), [line for line in told.split("\n") if not is_harmless(line)]
    assert ("no answer to identify" in told) == mute
    assert all(re.fullmatch(r"[\w.-]+", path.name) for path in Path().rglob("*"))


def test_but_whole_and_as_it_was_in_the_recording(devices, capsys):
    """Evidence is kept as it came; only what is shown is escaped."""
    text = HOSTILE["clipboard"]
    devices(text)
    run("run", "tiny.yaml", "--seed", 7, "--out", "out")
    port = read_recording(Path("out/recording.pcapng")).ports[Role.RECEIVER]
    assert text in b"".join(port.data)


@pytest.mark.parametrize(
    "text", [HOSTILE["clears the screen"], HOSTILE["zero width"]], ids=["escape", "unseen"]
)
def test_and_these_tests_can_fail(text):
    assert not is_harmless(text.decode())
    assert is_harmless(clean_bytes(text))
