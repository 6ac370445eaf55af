"""Runs as their verdict.json tells them: small documents, each of one unit."""

import copy
from pathlib import Path

from harness.kept import KeptRun

SHA = "7f" * 32


def check(
    name, value, *, kind="", side="at most", limit=None, unit="ms", ends=None, doubt=None, verdict="pass"
):
    return {
        "name": name,
        "kind": kind or name,
        "verdict": verdict,
        "value": value,
        "interval": ends,
        "confidence": 0.95,
        "uncertainty": doubt,
        "limit": limit,
        "side": side,
        "unit": unit,
    }


def latency(value, *, half=0.05, doubt=0.5, **more):
    ends = None if half is None else [value - half, value + half]
    return check("latency", value, limit=15.0, ends=ends, doubt=doubt, **more)


def delivery(value, low=None, high=None, **more):
    ends = [value - 1.0 if low is None else low, min(100.0, value + 0.5) if high is None else high]
    return check("delivery", value, side="at least", limit=98.0, unit="%", ends=ends, **more)


def document(
    unit, *checks, verdict="pass", plan="acceptance", sha=SHA, rate="50 Hz", hardware=True, facts=None
):
    return {
        "format": 1,
        "verdict": verdict,
        "plan": {"name": plan, "title": "A module of Dunlin's", "sha256": sha},
        "rig": {"name": "shed", "hardware": hardware, "baud": {}, "facts": {"unit": unit, **(facts or {})}},
        "versions": {"propsoff": "0.5.0"},
        "devices": {
            "receiver": f"dunlin 1.2, serial R1, 6 channels, {rate}",
            "transmitter": f"dunlin 1.2, serial T1, 6 channels, {rate}",
        },
        "checks": list(checks),
        "sections": [],
    }


def kept(*documents):
    """Return documents as runs in folders of their own."""
    return [KeptRun(Path(f"runs/{n}"), copy.deepcopy(one), n) for n, one in enumerate(documents)]


def lot_of(values, **more):
    """Return one run each of units 1, 2 and so on, with these latencies."""
    return [document(f"module {n}", latency(value, **more)) for n, value in enumerate(values, 1)]
