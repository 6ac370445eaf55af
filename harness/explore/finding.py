"""What is kept of a finding? An ordinary plan that shows it, and the recording; neither ever overwritten."""

from __future__ import annotations

import os
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import count, islice
from pathlib import Path
from textwrap import wrap
from typing import Any, Final

from harness.errors import StorageError
from harness.explore.causes import Causes, causes, in_words, listed
from harness.explore.hunt import Hunt, Known
from harness.explore.trying import Tried
from harness.plan import model as p
from harness.plan.reader import parse_plan
from harness.plan.wording import many
from harness.plan.writing import entries, plan_text, word_of
from harness.report.escape import clean

TITLE_MOST: Final = 120
WIDTH: Final = 80
"""Columns of prose in a kept plan."""
NUMBERS_MAX: Final = 10_000
_COUNTS: Final = ("seed", "steps", "first_steps", "after", "again", "turns")


def quoted_word(word: str) -> str:
    """Return a word as it is typed to a shell."""
    return shlex.quote(clean(word, 4000))


@dataclass(frozen=True, slots=True)
class Scene:
    """Where scenarios are played, as it was typed: the rig, and a defect if the bench is to have one.

    `props_off`: the rig is of real ports, which nothing moves on before the propellers are said to be off.
    """

    rig: str
    defect: str = ""
    near_miss: bool = False
    props_off: bool = False

    def words(self) -> str:
        """Return what stands behind `propsoff run FILE`, the seed apart."""
        found = f"--rig {quoted_word(self.rig)}"
        if self.defect:
            found += f" --defect {self.defect}" + " --near-miss" * self.near_miss
        return found + " --props-off" * self.props_off

    def bench(self) -> str:
        """Return in words what was played on."""
        given = f"{'a near miss of ' * self.near_miss}the defect {self.defect}" if self.defect else ""
        return f"the rig {clean(self.rig)}" + (f" with {given}" if given else "")


@dataclass(frozen=True, slots=True)
class Finding:
    """A violation: which check, shown by which plan under which seed, and how often again.

    `steps` are those of the plan without its first and last rest, `first_steps` how many they were before
    shrinking, found `after` so many scenarios of the search. `again` of `turns` further runs failed too.
    """

    check: str
    checks: tuple[str, ...]
    reason: str
    causes: Causes
    seed: int
    steps: int
    first_steps: int
    after: int
    again: int = 0
    turns: int = 0
    file: str = ""

    @property
    def known(self) -> Known:
        """What this finding explains."""
        return Known(frozenset(self.checks), self.causes)

    def reproduced(self) -> str:
        """Return in words how often it came again."""
        if not self.turns:
            return "not tried again"
        runs = many(self.turns, "further run")
        return f"{self.again} of {runs}" if self.again else f"seen once, in 0 of {runs}"

    def shrunk(self) -> str:
        """Return in words how many steps were left of how many."""
        left = many(self.steps, "step")
        return left if self.steps == self.first_steps else f"shrunk from {self.first_steps} steps to {left}"

    def to_data(self) -> dict[str, Any]:
        """Return the finding as JSON holds it."""
        return {
            "file": self.file, "check": self.check, "checks": list(self.checks), "reason": self.reason,
            "causes": sorted(self.causes), "seed": self.seed, "steps": self.steps,
            "first_steps": self.first_steps, "after": self.after, "again": self.again, "turns": self.turns,
        }  # fmt: skip

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> Finding:
        """Return the finding that JSON holds; raises KeyError, TypeError or ValueError if it is none."""
        return cls(
            check=str(data["check"]),
            checks=tuple(map(str, data["checks"])),
            reason=str(data["reason"]),
            causes=frozenset(map(str, data["causes"])),
            file=str(data["file"]),
            **{key: int(data[key]) for key in _COUNTS},
        )


def finding_of(plan: p.Plan, tried: Tried, hunt: Hunt) -> Finding:
    """Return the finding that a shrunk plan and its outcome are."""
    reason = next(failure.reason for failure in tried.failures if failure.check == hunt.check)
    return Finding(
        check=hunt.check,
        checks=tuple(dict.fromkeys(failure.check for failure in tried.failures)),
        reason=clean(reason),
        causes=causes(plan.steps),
        seed=hunt.run_seed,
        steps=len(plan.steps) - 2,
        first_steps=hunt.first_steps,
        after=hunt.after,
    )


def kept_plan(plan: p.Plan, finding: Finding) -> p.Plan:
    """Return the plan that is kept: the same steps, and of its checks those that failed and the bench's."""
    steps, checks = entries(plan.text)
    kept = [one for one in checks if word_of(one) in (*finding.checks, p.BenchHealth.WORD)]
    text = plan_text(plan.link, steps, kept, title=_title(finding), about=_about(finding), safety=plan.safety)
    return parse_plan(text, "explored", plan.name)


def _title(finding: Finding) -> str:
    start = f"Found by exploring: {finding.check} fails"
    whole = f"{start} with {in_words(finding.causes)}"
    return clean(whole if len(whole) <= TITLE_MOST else start, TITLE_MOST)


def _about(finding: Finding) -> str:
    """Return what the kept plan shows, in lines of a page's width."""
    also = [one for one in finding.checks if one != finding.check]
    told = (
        f"The check {finding.check} fails: {finding.reason.removesuffix('.')}.",
        f"So {'do' if len(also) > 1 else 'does'} {listed(also)}." if also else "",
        f"It shows with {in_words(finding.causes)}: {finding.shrunk()} between two rests.",
        "Every link that does what is declared here passes this plan.",
    )
    return "\n".join(line for part in told for line in wrap(part, WIDTH, break_on_hyphens=False))


def store(folder: Path, stem: str, plan: p.Plan, head: Sequence[str], recording: bytes) -> Path:
    """Write plan and recording into `folder` under the first free `stem-1`, `stem-2`; return the plan's path.

    `head` are lines of comment in which FILE, between blanks, stands for that path. Both files appear whole
    or not at all. Raises StorageError.
    """
    for number in islice(count(1), NUMBERS_MAX):
        path = folder / f"{stem}-{number}.yaml"
        beside = path.with_suffix(".pcapng")
        if os.path.lexists(path) or os.path.lexists(beside):
            continue
        comment = "".join(f"# {line.replace(' FILE ', f' {quoted_word(str(path))} ', 1)}\n" for line in head)
        try:
            _create(beside, recording)
            _create(path, (comment + plan.text).encode())
        except FileExistsError:  # somebody else was quicker
            continue
        except OSError as error:
            raise StorageError(f"{path}: cannot be written: {error.strerror or error}") from error
        return path
    raise StorageError(f"{folder}: {NUMBERS_MAX} findings called {stem} are stored here; move some away")


def _create(path: Path, data: bytes) -> None:
    """Write a new file that is whole as soon as it is there; raises FileExistsError, OSError."""
    aside = path.with_name(f".{path.name}.partial-{os.getpid()}")
    try:
        with aside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.link(aside, path)
    finally:
        aside.unlink(missing_ok=True)
