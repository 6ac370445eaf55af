"""Which plan does this word mean? A file, or one of the plans that come with the harness."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from harness.errors import PlanError, Problem
from harness.plan.wording import file_label, listed, nearest

INSTALLED: Final = Path(__file__).parents[1] / "shipped_plans"
CHECKOUT: Final = Path(__file__).parents[2] / "testplans"
SUFFIX: Final = ".yaml"


def find_plan(word: str | Path) -> Path:
    """Return the path of a plan: an existing file first, then a shipped plan's name.

    Raises PlanError, with the shipped names and the nearest, if there is neither.
    """
    path, shipped = Path(word), shipped_plans()
    if _exists(path) and not (path.is_dir() and str(word) in shipped):
        return path
    if found := shipped.get(str(word)):
        return found
    names = list(shipped)
    found_text = "no such file, and no plan of this name is shipped"
    meant = nearest(path.name.removesuffix(SUFFIX), names)
    raise PlanError(
        (Problem(file_label(word), 0, 0, "", found_text, f"shipped plans: {listed(names)}", meant),)
    )


def _exists(path: Path) -> bool:
    """Return whether something is there; what cannot be a path is not."""
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def shipped_plans() -> dict[str, Path]:
    """Return the plans that come with the harness, by name, in alphabetical order."""
    folder = INSTALLED if INSTALLED.is_dir() else CHECKOUT
    return {path.stem: path for path in sorted(folder.glob(f"*{SUFFIX}"))}
