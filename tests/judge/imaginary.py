"""The imaginary link of `tests/measure/scenario.py`, for the tests in this folder."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "measure"))

from scenario import (
    RUN_NS,
    RX,
    START_NS,
    TX,
    WX,
    DeviceClock,
    Meddling,
    ReplyTo,
    Reset,
    Scenario,
    Silence,
    as_reported,
    drop_every,
    every,
    judged,
    plan_for,
)

__all__ = [
    "RUN_NS",
    "RX",
    "START_NS",
    "TX",
    "WX",
    "DeviceClock",
    "Meddling",
    "ReplyTo",
    "Reset",
    "Scenario",
    "Silence",
    "as_reported",
    "drop_every",
    "every",
    "judged",
    "plan_for",
]
