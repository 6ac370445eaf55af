"""Was the link good for hours? Judges a soak round by round, with never more than one round in memory."""

from harness.soak.judging import judge_windows

__all__ = ["judge_windows"]
