"""Four kinds of trouble, never mixed, each with its exit code.

* the plan, rig file or command line is wrong: `UserError` and its children (exit 2)
* the bench failed, a port is missing, busy or gone: `BenchError` (exit 3)
* the link did badly: a verdict, never an exception (exit 1 or 5)
* we did: any other exception (exit 4)
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class ExitCode(IntEnum):
    """What the `propsoff` command returns to the shell."""

    PASS = 0
    FAIL = 1
    USER_ERROR = 2
    BENCH_ERROR = 3
    INTERNAL_ERROR = 4
    INCONCLUSIVE = 5


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in a file: where it stands, what was found, what is allowed.

    `line` and `column` count from 1; 0 means that the problem belongs to the whole file.
    `path` is the key path inside the document, such as `steps[2].sweep.period`.
    """

    file: str
    line: int
    column: int
    path: str
    found: str
    allowed: str = ""
    nearest: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}:{self.column}" if self.line else self.file
        parts = [self.found]
        if self.allowed:
            parts.append(self.allowed)
        if self.nearest:
            parts.append(f"did you mean {self.nearest}?")
        where = f"{place}: {self.path}" if self.path else place
        return f"{where}: {'; '.join(parts)}"


class PropsoffError(Exception):
    """Base of every error that is told in one line instead of a traceback."""

    exit_code = ExitCode.INTERNAL_ERROR


class UserError(PropsoffError):
    """Something that the person at the keyboard can put right."""

    exit_code = ExitCode.USER_ERROR


class UnfitError(UserError):
    """A defect that the plan's link cannot have: what it changes is not there."""


class DocumentError(UserError):
    """A plan or rig file with everything that is wrong in it, in file order."""

    def __init__(self, problems: tuple[Problem, ...]) -> None:
        assert problems
        super().__init__("\n".join(str(problem) for problem in problems))
        self.problems = problems


class PlanError(DocumentError):
    """The plan cannot be run."""


class RigError(DocumentError):
    """The rig file cannot be used."""


class RecordingError(UserError):
    """The file is not a recording of ours, or nothing in it can be read."""


class StorageError(UserError):
    """A result could not be stored: disk full, no permission, or something is already there."""


class BenchError(PropsoffError):
    """A port, a device or the line between failed. Never a statement about the radio link."""

    exit_code = ExitCode.BENCH_ERROR

    def __init__(self, message: str, *, role: str = "", port: str = "", at_ns: int = 0) -> None:
        super().__init__(message)
        self.role = role
        self.port = port
        self.at_ns = at_ns
