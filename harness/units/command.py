"""What does `propsoff compare FOLDER` do? Runs of different units in, a report and the lot's decision out.

Exit code 0 if the lot is accepted, 1 if it is rejected, 5 if that cannot be told.
"""

from __future__ import annotations

import argparse
import shutil
import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from harness.errors import ExitCode, UserError
from harness.escape import printable
from harness.kept import runs_below

if TYPE_CHECKING:
    from harness.units.decision import Asked
    from harness.units.results import Results

OURS: Final = ("lot", "sampling", "plan", "full")
THEIRS: Final = ("margin", "confidence", "markdown", "bisect")
"""Options of `propsoff compare` that belong to a folder of units, and to two sides."""


def add_options(parser: argparse.ArgumentParser) -> None:
    """Add what a folder of units takes beside the folder."""
    group = parser.add_argument_group("many units (a folder with runs of different units)")
    group.add_argument(
        "--lot", metavar="WORDS", type=_lot,
        help="what the lot must keep, such as size=200,limit=10%% (lot size, limiting quality); also "
        "aql=2%%, consumer=10%%, producer=5%%",
    )  # fmt: skip
    group.add_argument(
        "--sampling", metavar="WORDS", type=_sampling,
        help="sampling plan, such as n=8,c=0: units tested, and how many of them may be unacceptable",
    )  # fmt: skip
    group.add_argument("--plan", metavar="NAME", help="of several plans in the folder, the one to compare")
    group.add_argument("--full", action="store_true", help="tell every unit's figures")


def _lot(words: str) -> Asked:
    from harness.units.words import read_lot  # loads NumPy

    return read_lot(words)


def _sampling(words: str) -> Asked:
    from harness.units.words import read_sampling

    return read_sampling(words)


def refuse_for_two_sides(arguments: argparse.Namespace) -> None:
    """Raise UserError if words for a folder of units were given with a base and a candidate."""
    _refuse(arguments, OURS, "goes with one folder of different units, not with a base and a candidate")


def _refuse(arguments: argparse.Namespace, options: Iterable[str], why: str) -> None:
    given = [f"--{option}" for option in options if getattr(arguments, option, None)]
    if given:
        raise UserError(f"{given[0]} {why}; leave it out, or see `propsoff compare --help`")


def units(arguments: argparse.Namespace) -> ExitCode:
    """Print the report, or JSON, and write the page if asked; returns the exit code.

    Reads `base` (the folder), `lot`, `sampling`, `plan` and `full`, and if they are there `json` and `page`.
    """
    from harness.page.storing import require_page_place
    from harness.units.results import compare_units
    from harness.units.words import both

    _refuse(arguments, THEIRS, "needs two sides, a base and a candidate")
    page = getattr(arguments, "page", None)
    if page is not None:
        require_page_place(Path(page))
    runs = runs_below(Path(arguments.base))
    results = compare_units(runs, both(arguments.lot, arguments.sampling), arguments.plan)
    if page is not None:
        _write_page(Path(page), results)
    if getattr(arguments, "json", False):
        from harness.report.document import to_json
        from harness.units.document import units_document

        print(to_json(units_document(results)), end="")
    else:
        from harness.units.telling import render

        width = shutil.get_terminal_size().columns if sys.stdout.isatty() else None
        print(render(results, width=width, full=arguments.full), end="", flush=True)
    return results.decision.verdict.exit_code


def _write_page(place: Path, results: Results) -> None:
    from harness.page.storing import store_page
    from harness.page.writing import render
    from harness.units.page import units_page

    store_page(place, render(units_page(results)))
    print(f"propsoff: {printable(str(place))}: written", file=sys.stderr)
