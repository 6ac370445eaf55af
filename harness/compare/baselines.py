"""Which runs were kept to hold later ones against? Copies under a name, complete or not there at all."""

from __future__ import annotations

import os
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from harness.errors import StorageError, UserError
from harness.kept import KeptRun, runs_below
from harness.plan.wording import nearest, quoted
from harness.report.folder import safe_name

BASELINE_SIGN: Final = "baseline:"
"""Stands before the name of a kept baseline; a folder of such a name is written ./baseline:NAME."""
BASELINES: Final = Path("propsoff-baselines")


def baseline_folder(name: str) -> Path:
    """Return the folder of a kept baseline; raises UserError with those that there are."""
    known = baseline_names()
    if name in known:
        return BASELINES / name
    near = nearest(name, known)
    there = f"kept: {', '.join(known)}" if known else "none is kept; `propsoff baseline NAME RUN` keeps one"
    hint = f"; did you mean {BASELINE_SIGN}{near}?" if near else ""
    raise UserError(f"no baseline {quoted(name)} in {BASELINES}; {there}{hint}")


def baseline_names() -> list[str]:
    """Return the names of all kept baselines, in order."""
    if not BASELINES.is_dir():
        return []
    return sorted(
        path.name for path in BASELINES.iterdir() if path.is_dir() and not path.name.startswith(".")
    )


def keep_baseline(name: str, sources: Sequence[Path]) -> tuple[Path, int]:
    """Copy every run in `sources` under a name; return the folder and how many runs it holds.

    Raises UserError where a name cannot be one, is taken, or a source holds no whole run; StorageError where
    it cannot be written. Nothing is left behind then.
    """
    if not name or name != safe_name(name):
        raise UserError(f"{quoted(name)} is no name for a baseline; use letters, digits, - _ and .")
    final = BASELINES / name
    if os.path.lexists(final):
        raise UserError(
            f"{final}: is kept already and stays as it is; choose another name, or remove it first"
        )
    runs = [run for source in sources for run in runs_below(source)]
    for run in runs:
        if not run.recording.is_file():
            raise UserError(
                f"{run.recording}: is not there; a baseline without recordings cannot be compared"
            )
    aside = BASELINES / f".{name}.partial-{os.getpid()}"
    try:
        aside.mkdir(parents=True)
        for number, run in enumerate(runs, 1):
            shutil.copytree(run.folder, aside / _name(number, run, len(runs)))
        aside.rename(final)
    except OSError as error:
        reason = error.strerror or str(error)
        raise StorageError(
            f"{final}: cannot keep the baseline: {reason}; free some space, or look at the rights"
        ) from error
    finally:
        shutil.rmtree(aside, ignore_errors=True)
    return final, len(runs)


def _name(number: int, run: KeptRun, of: int) -> str:
    """Return a name for a copy: that of the run, with a number before it where there are several."""
    own = safe_name(run.folder.resolve().name)
    return own if of == 1 else f"{number:0{len(str(of))}d}-{own}"


def baseline_list() -> str:
    """Return one line for every kept baseline: its runs, plans and verdicts."""
    names = baseline_names()
    if not names:
        return f"no baseline is kept in {BASELINES}\n`propsoff baseline NAME RUN...` keeps one\n"
    lines = []
    for name in names:
        try:
            runs = runs_below(BASELINES / name)
        except UserError as error:
            lines.append(f"{BASELINE_SIGN}{name}  cannot be read: {error}")
            continue
        lines.append(f"{BASELINE_SIGN}{name}  {_runs_words(runs)}")
    return "\n".join(lines) + "\n"


def _runs_words(runs: Sequence[KeptRun]) -> str:
    from harness.escape import clean
    from harness.plan.wording import many

    told = [run.document.get("plan") for run in runs]
    plans = sorted({str(plan.get("name")) if isinstance(plan, dict) else "no plan" for plan in told})
    verdicts = [str(run.document.get("verdict")) for run in runs]
    counted = ", ".join(f"{verdicts.count(word)} {word}" for word in sorted(set(verdicts)))
    units = sorted({run.unit for run in runs})
    return clean(f"{many(len(runs), 'run')} of {', '.join(plans)}: {counted}; {' | '.join(units)}")
