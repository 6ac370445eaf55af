"""Runs tests/emulated in a process of its own: native code under test may take its process down."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from mocks.avr.toolchain import INSTALL, missing_tools

ROOT = Path(__file__).resolve().parents[1]
LONGEST_TEST_S = 240
"""No verdict on speed: a test that hangs in native code is ended, with a traceback of every thread."""


def run_suite(report: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [
        *(
            sys.executable,
            "-X",
            "faulthandler",
            "-m",
            "pytest",
            "tests/emulated",
            "-q",
            "-p",
            "no:cacheprovider",
        ),
        *(f"--timeout={LONGEST_TEST_S}", "--timeout-method=thread", f"--junitxml={report}", *words),
    ]
    environment = {**os.environ, "PROPSOFF_EMULATED": "1"}
    return subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)


@pytest.mark.slow
def test_the_emulated_firmware_passes_its_own_suite(tmp_path):
    missing = missing_tools()
    if missing:
        words = f"the emulated firmware was not tested: {', '.join(missing)} missing; {INSTALL}"
        if os.environ.get("PROPSOFF_EMULATOR") == "required":
            pytest.fail(words)
        pytest.skip(words)
    report = tmp_path / "emulated.xml"
    done = run_suite(report)
    assert done.returncode == 0, done.stdout[-6_000:] + done.stderr[-2_000:]
    suite = ET.parse(report).getroot().find("testsuite")
    assert suite is not None
    assert int(suite.attrib["tests"]) > 30
    assert suite.attrib["skipped"] == "0", done.stdout[-3_000:]
