"""How good is the harness itself? Every defect and healthy rig on every shipped plan, many seeds each."""

from harness.board.playing import Job, Played, play, play_all
from harness.board.tally import Board, tally

__all__ = ["Board", "Job", "Played", "play", "play_all", "tally"]
