"""What does `propsoff plots` do? It draws the pictures of a recording into a folder, all of them or none."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from harness.errors import StorageError, UserError
from harness.escape import clean
from harness.measure.evidence import Evidence
from harness.plan.wording import listed, nearest, quoted
from harness.plots import KINDS, drawing, pictures
from harness.plots.model import Picture
from harness.recording import read_recording
from harness.report.folder import RECORDING
from harness.running import judge_seen

FOLDER: Final = "plots"


@dataclass(frozen=True, slots=True)
class PlotWords:
    """What was asked for on the command line; `between` is in s of the run."""

    run: Path
    out: Path | None = None
    form: Literal["png", "svg"] = "png"
    only: tuple[str, ...] = ()
    dark: bool = False
    during: tuple[str, ...] = ()
    between: tuple[float | None, float | None] = (None, None)
    overwrite: bool = False


def plots(words: PlotWords) -> tuple[Path, ...]:
    """Draw what was asked for and return the files; raises UserError, and then no file is new or changed."""
    drawing.require_matplotlib()
    out = words.out or default_out(words.run)
    _require_free(out, overwrite=words.overwrite)
    draw = drawing.svg if words.form == "svg" else drawing.png
    drawn = {f"{one.key}.{words.form}": draw(one, dark=words.dark) for one in chosen(words)}
    return _store(out, drawn, overwrite=words.overwrite)


def listing(words: PlotWords) -> str:
    """Return the names and titles of the pictures, a line each."""
    found = chosen(words)
    width = max(len(picture.key) for picture in found)
    return "".join(f"{picture.key:<{width}}  {clean(picture.title)}\n" for picture in found)


def default_out(run: Path) -> Path:
    """Return where pictures go if nobody says: into the run folder, or beside a recording."""
    return run / FOLDER if run.is_dir() else run.with_name(f"{run.stem}-{FOLDER}")


def chosen(words: PlotWords) -> tuple[Picture, ...]:
    """Return the pictures that were asked for; raises UserError for a name that there is not."""
    low, high = words.between
    if low is not None and high is not None and not low < high:
        raise UserError(f"--from {low:g} is not before --to {high:g}; give a stretch of time in s of the run")
    path = words.run / RECORDING if words.run.is_dir() else words.run
    outcome, evidence = judge_seen(read_recording(path))
    _require_steps(evidence, words.during)
    seconds = outcome.judgement.link_seconds
    if low is not None and low >= seconds:
        raise UserError(f"--from {low:g} is after the run's end: it lasted {seconds:.1f} s")
    every = pictures(evidence, outcome, during=words.during, between=words.between)
    keys = [picture.key for drawn in every.values() for picture in drawn]
    for name in words.only:
        _require_name(name, every, keys)
    found = tuple(
        picture
        for kind, drawn in every.items()
        for picture in drawn
        if not words.only or kind in words.only or picture.key in words.only
    )
    if not found:
        raise UserError(f"{words.run}: nothing to be seen in this recording, or in this part of it")
    return found


def _require_steps(evidence: Evidence, during: Iterable[str]) -> None:
    """Raise UserError for a step that the run did not have."""
    known = list(dict.fromkeys(step.name for step in evidence.steps if step.name))
    for name in during:
        if name not in known:
            near = nearest(name, known)
            mend = f"did you mean {quoted(near)}?" if near else f"it has {listed(known) or 'none'}"
            raise UserError(f"--during {quoted(name)}: this run has no such step; {mend}")


def _require_name(name: str, every: Iterable[str], keys: Sequence[str]) -> None:
    if name in every or name in keys:
        return
    if name in KINDS:
        raise UserError(f"--only {name}: there is nothing of that to see in this run, or this part of it")
    near = nearest(name, [*KINDS, *keys])
    mend = f"did you mean {near}?" if near else f"there are {', '.join(KINDS)}; --list names every one"
    raise UserError(f"--only {quoted(name)}: no picture has this name; {mend}")


def _require_free(out: Path, *, overwrite: bool) -> None:
    if os.path.lexists(out) and not (overwrite and out.is_dir()):
        mend = "name another with --out"
        mend += ", or add --overwrite to replace its pictures" if out.is_dir() else ""
        raise StorageError(f"{out}: is there already and stays as it is; {mend}")


def _store(out: Path, drawn: dict[str, bytes], *, overwrite: bool) -> tuple[Path, ...]:
    """Write all files aside first, so that a full disk leaves nothing half done."""
    aside = out.with_name(f".{out.name}.partial-{os.getpid()}")
    try:
        aside.mkdir(parents=True)
    except OSError as error:
        raise _cannot(out, error) from error
    try:
        for name, data in drawn.items():
            (aside / name).write_bytes(data)
        if overwrite and out.is_dir():
            for name in drawn:
                (aside / name).replace(out / name)
        else:
            aside.rename(out)
    except OSError as error:
        raise _cannot(out, error) from error
    finally:
        shutil.rmtree(aside, ignore_errors=True)
    return tuple(out / name for name in drawn)


def _cannot(out: Path, error: OSError) -> StorageError:
    reason = error.strerror or str(error)
    return StorageError(f"{out}: cannot write: {reason}; free some space or choose another folder with --out")


__all__ = ["PlotWords", "chosen", "default_out", "listing", "plots"]
