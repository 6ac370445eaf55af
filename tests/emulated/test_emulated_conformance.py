"""The emulated boards keep the contract of every bench: in virtual time, and served on pseudo-terminals."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "bench_protocol"))

from test_conformance import *  # noqa: F403 - the same tests, over the benches of this file

from harness.bench.ports import PortSpec
from harness.bench.protocol import Bench
from harness.bench.rig import find_rig
from harness.bench.serial import SerialBench
from harness.clock import MS
from mocks.avr.boards import open_boards
from mocks.bench import VirtualBench
from mocks.ptys import serving

WITNESSES = ["none", "captured", "firmware"]
STARTED_NS = 60 * MS
"""All boards are switched on within 20 ms and up a few milliseconds later."""


@pytest.fixture(
    params=[(kind, witness) for kind in ("virtual", "ptys") for witness in WITNESSES], ids="-".join
)
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """An open bench of emulated boards that have started."""
    kind, witness = request.param
    boards = open_boards(replace(find_rig("avr").simulated, witness=witness), 7)
    if kind == "virtual":
        with closing(VirtualBench(boards)) as opened:
            opened.advance(STARTED_NS)
            yield opened
        return
    with serving(boards) as ports:
        specs = {role: PortSpec(port) for role, port in ports.items()}
        with closing(SerialBench(specs)) as opened:
            opened.advance(opened.now_ns() + 2 * STARTED_NS)
            yield opened
