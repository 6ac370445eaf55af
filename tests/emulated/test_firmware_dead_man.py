"""The reference firmware closes the throttle by itself when the harness is killed."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from contextlib import closing

import pytest
from killed import closed_after_ns
from safe_bench import TX, environment, served, wait_until

from harness.bench.rig import find_rig
from harness.clock import MS, S
from harness.codec import messages as m
from harness.codec.messages import DEAD_MAN_MS
from harness.plan.find import shipped_plans
from harness.plan.reader import load_plan
from harness.running import Request, open_for
from mocks.avr.boards import open_boards
from mocks.avr.settings import AvrSettings

LATEST_NS = 600 * MS
FIRST_LOOK = load_plan(shipped_plans()["first-look"])
OPEN = """\
steps:
  - wait: {until: linked, deadline: 5 s}
  - hold: {sticks: {left motor: 1200 us}, for: 60 s}
checks:
  - fidelity
"""


def request():
    return Request(plan=FIRST_LOOK, file="x", rig=find_rig("avr"), seed=7)


@pytest.mark.parametrize("phase_ms", range(0, 160, 20))
def test_a_killed_harness_leaves_a_closed_throttle_within_600_ms_of_the_last_keep_alive(phase_ms):
    """Emulated to the cycle: from the harness's last byte to the report of the closed output."""
    asked = request()
    with closing(open_for(asked)) as bench:
        after_ns = closed_after_ns(asked, bench, 4 * S + phase_ms * MS)
    assert DEAD_MAN_MS * MS <= after_ns <= LATEST_NS


def test_a_transmitter_whose_port_is_gone_closes_its_throttle_by_itself():
    asked = request()
    with closing(open_for(asked)) as bench:
        assert closed_after_ns(asked, bench, 4 * S, only_transmitter=True) <= LATEST_NS


def test_emulated_boards_on_pseudo_terminals_outlive_a_kill(tmp_path):
    """The harness as a program, killed with SIGKILL; times are the boards' own."""
    head = FIRST_LOOK.text.split("\nsteps:")[0]
    with served(open_boards(AvrSettings(witness="none"), 7), tmp_path) as written:
        (tmp_path / "plan.yaml").write_text(f"{head}\n{OPEN}")
        words = ["run", "plan.yaml", "--rig", "rig.yaml", "--props-off"]
        process = subprocess.Popen(
            [sys.executable, "-m", "harness", *words], cwd=tmp_path, env=environment(),
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
        )  # fmt: skip
        try:
            wait_until(
                lambda: process.poll() is not None or any(pulse == 1200 for _, pulse in written.throttle()),
                "no throttle opened",
            )
            assert process.poll() is None, process.communicate()
        finally:
            os.kill(process.pid, signal.SIGKILL)
            process.communicate()
        wait_until(lambda: written.throttle()[-1][1] == 1000, "the dead-man's switch did not act")
        opened = max(at for at, pulse in written.throttle() if pulse == 1200)
        closed = min(at for at, pulse in written.throttle() if pulse == 1000 and at > opened)
        assert closed - written.last(TX, m.KeepAlive) <= LATEST_NS
