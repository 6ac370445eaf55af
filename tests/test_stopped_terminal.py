"""The harness goes on serving the ports when its terminal is stopped, as by Ctrl-S."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from test_real_time import PLAN, ROOT, bench, no_signal_ignored  # noqa: F401 - fixtures

from harness.bench.protocol import Role
from harness.measure.silences import read_silences
from harness.recording import read_recording

termios = pytest.importorskip("termios")
pytestmark = [pytest.mark.pty, pytest.mark.slow]
GIVE_UP_S = 60


def test_a_stopped_terminal_stops_only_the_display(bench):  # noqa: F811 - the fixture
    assert "wander" in PLAN
    far, near = os.openpty()
    command = [sys.executable, "-m", "harness", "run", "plan.yaml", "--rig", "rig.yaml", "--props-off"]
    process = subprocess.Popen(
        [*command, "--out", "out"], stdout=subprocess.PIPE, stderr=near, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm-256color"},
    )  # fmt: skip
    try:
        shown = b""
        while b"2 of 3" not in shown:
            shown += os.read(far, 4096)
        termios.tcflow(near, termios.TCOOFF)  # what Ctrl-S does
        out, _ = process.communicate(timeout=GIVE_UP_S)
    finally:
        process.kill()
        os.close(near)
        os.close(far)
    assert process.returncode == 0, out
    assert json.loads(Path("out/verdict.json").read_text())["verdict"] == "pass"
    recording = read_recording(Path("out/recording.pcapng"))
    assert [read_silences(recording.ports[role]) for role in (Role.TRANSMITTER, Role.RECEIVER)] == [(), ()]
