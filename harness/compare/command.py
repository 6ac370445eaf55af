"""What do `propsoff compare` and `propsoff baseline` do? Read, answer, print, and return a code."""

from __future__ import annotations

import sys
from argparse import Namespace
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from harness.errors import ExitCode
from harness.escape import printable

if TYPE_CHECKING:
    from harness.compare.comparison import Comparison

SKIP: Final = 125
"""`git bisect run` leaves a commit out on this exit code, takes 0 for good and 1 to 127 for bad otherwise."""
ABORT: Final = 128
"""From this exit code on `git bisect run` gives up. Source: git-bisect(1), "Bisect run"."""


def compare_command(arguments: Namespace) -> int:
    """Compare two sides and print the result; return the exit code."""
    from harness.compare.comparison import compare
    from harness.compare.document import to_json
    from harness.compare.margins import read_confidence, read_margins
    from harness.compare.sides import find_runs, read_side, require_two_sides
    from harness.compare.words import markdown, text
    from harness.page.storing import require_page_place

    if arguments.page is not None:
        require_page_place(arguments.page)
    given, confidence = read_margins(arguments.margin or ()), read_confidence(arguments.confidence or "95 %")
    base, candidate = find_runs(arguments.base, "BASE"), find_runs(arguments.candidate, "CANDIDATE")
    require_two_sides(base, candidate)
    found = compare(
        read_side(arguments.base, base), read_side(arguments.candidate, candidate), given, confidence
    )
    code = exit_code(found)
    if arguments.page is not None:
        _write_page(found, arguments.page)
    if arguments.json:
        print(to_json(found, code), end="")
    else:
        print(markdown(found) if arguments.markdown else text(found), end="")
    return bisect_answer(found) if arguments.bisect else code


def exit_code(found: Comparison) -> int:
    """Return 0, 1 or 5 by the answer; 2 if the sides cannot be compared."""
    return int(ExitCode.USER_ERROR if found.answer is None else found.answer.exit_code)


def bisect_answer(found: Comparison) -> int:
    """Return what `git bisect run` wants: 0 good, 1 bad, 125 for a commit that cannot be told."""
    code = exit_code(found)
    return code if code in (ExitCode.PASS, ExitCode.FAIL) else SKIP


def for_bisect(command: Callable[[], int]) -> int:
    """Run the command; what is no answer about a commit ends the search instead of misleading it.

    A wrong command line, a missing folder, a fault of ours: their exit codes would read as a bad commit.
    """
    try:
        code = command()
    except SystemExit as left:  # argparse, after it has said what is wrong; --help has nothing wrong
        code = left.code if isinstance(left.code, int) else 0
        if not code:
            raise
    return code if code in (ExitCode.PASS, ExitCode.FAIL, SKIP) else ABORT + min(code, 127)


def _write_page(found: Comparison, path: Path) -> None:
    from harness.compare.page import build_page
    from harness.page.storing import store_page
    from harness.page.writing import render

    store_page(path, render(build_page(found)))
    print(f"propsoff: {printable(str(path))}: written", file=sys.stderr)


def baseline_command(arguments: Namespace) -> int:
    """Keep runs under a name, or list what is kept."""
    from harness.compare.baselines import BASELINE_SIGN, baseline_list, keep_baseline
    from harness.errors import UserError
    from harness.plan.wording import many

    if arguments.name is None:
        print(baseline_list(), end="")
        return int(ExitCode.PASS)
    if not arguments.runs:
        raise UserError("name the run folders that are to be kept: propsoff baseline NAME RUN...")
    folder, count = keep_baseline(arguments.name, arguments.runs)
    print(f"{folder}: {many(count, 'run')} kept; compare with {BASELINE_SIGN}{arguments.name}")
    return int(ExitCode.PASS)
