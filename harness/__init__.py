"""propsoff: tests home-built radio-control links on the bench, and says why it is sure.

What is listed here a script may use; the rest may change. Names are loaded when they are first used, so that
the command line stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from harness._version import __version__

if TYPE_CHECKING:
    from harness.errors import BenchError, PlanError, PropsoffError, RecordingError, RigError, UserError
    from harness.plan.model import Plan
    from harness.plan.reader import load_plan
    from harness.recording import Recording, read_recording
    from harness.scripting import ScriptedBench, scripted
    from harness.verdict import CheckResult, Judgement, Verdict

__all__ = [
    "BenchError",
    "CheckResult",
    "Judgement",
    "Plan",
    "PlanError",
    "PropsoffError",
    "Recording",
    "RecordingError",
    "RigError",
    "ScriptedBench",
    "UserError",
    "Verdict",
    "__version__",
    "load_plan",
    "read_recording",
    "scripted",
]

_HOME = {
    "BenchError": "errors",
    "CheckResult": "verdict",
    "Judgement": "verdict",
    "Plan": "plan.model",
    "PlanError": "errors",
    "PropsoffError": "errors",
    "Recording": "recording",
    "RecordingError": "errors",
    "RigError": "errors",
    "ScriptedBench": "scripting",
    "UserError": "errors",
    "Verdict": "verdict",
    "load_plan": "plan.reader",
    "read_recording": "recording",
    "scripted": "scripting",
}


def __getattr__(name: str) -> Any:
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module 'harness' has no attribute {name!r}")
    return getattr(import_module(f"harness.{home}"), name)
