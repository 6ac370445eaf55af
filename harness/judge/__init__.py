"""Is the link good enough? Turns a plan and a recording into verdicts."""

from harness.judge.rules import judge, judge_evidence, verdicts

__all__ = ["judge", "judge_evidence", "verdicts"]
