"""What is on each side? Run folders, sets of them or a kept baseline, judged again from their recordings.

A verdict.json holds no single packets, so every recording is read and measured anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path
from typing import Final

from harness.bench.protocol import Role
from harness.codec.messages import Identity
from harness.compare.baselines import BASELINE_SIGN, baseline_folder
from harness.compare.figures import Fault, faults_of, measured
from harness.compare.samples import Sample
from harness.compare.seen import Seen, seen_of
from harness.errors import PropsoffError, UserError
from harness.escape import clean
from harness.kept import KeptRun, runs_below
from harness.measure.evidence import Evidence
from harness.measure.pacing import packet_rate
from harness.plan.model import Plan
from harness.recording import Header, read_header, read_recording
from harness.report.document import Outcome
from harness.verdict import CheckResult, Verdict

RUNS_MOST: Final = 200
"""More runs on one side take longer than anybody waits; nothing is lost by naming fewer."""
ENOUGH: Final = "complete"
"""What the end mark of a run says that was played to its end."""


@dataclass(frozen=True, slots=True)
class RunSeen:
    """One run as it was read: under what it was made, and what it shows.

    `left_out` names steps that were not played, `trouble` says in words what was wrong with the bench, "" if
    nothing was. `digest` is the SHA-256 of the recording.
    """

    folder: Path
    digest: str
    plan: Plan
    header: Header
    devices: Mapping[str, str]
    channels: int | None
    ended: str
    left_out: tuple[str, ...]
    hz: float | None
    verdict: Verdict
    trouble: str
    tells: tuple[str, ...]
    samples: Mapping[str, Sample]
    faults: Mapping[str, Fault]
    seen: Seen


@dataclass(frozen=True, slots=True)
class Side:
    """All runs of one side, under the words that named it."""

    words: str
    runs: tuple[RunSeen, ...]


def without_copies(side: Side) -> tuple[Side, tuple[str, ...]]:
    """Return the side with every recording once, and what is to be said of each copy.

    A copy, or the mock played again with its seed, would count as more packets than there were.
    """
    first: dict[str, RunSeen] = {}
    told = []
    for run in side.runs:
        if run.digest in first:
            one, other = clean(str(run.folder)), clean(str(first[run.digest].folder))
            told.append(f"{one} is the same recording as {other} to the byte, so it counts once")
        first.setdefault(run.digest, run)
    return replace(side, runs=tuple(first.values())), tuple(told)


def find_runs(words: str, which: str) -> tuple[KeptRun, ...]:
    """Return the runs that a word of the command line names; raises UserError.

    `which` is BASE or CANDIDATE, for messages.
    """
    named = words.startswith(BASELINE_SIGN)
    path = baseline_folder(words.removeprefix(BASELINE_SIGN)) if named else Path(words)
    try:
        runs = runs_below(path)
    except UserError as error:
        more = "" if named else f"; a kept baseline is written {BASELINE_SIGN}NAME"
        raise UserError(f"{which}: {error}{more}") from error
    if len(runs) > RUNS_MOST:
        raise UserError(f"{which}: {words}: {len(runs)} runs in here; name a folder with {RUNS_MOST} at most")
    for run in runs:
        if not run.recording.is_file():
            raise UserError(
                f"{which}: {run.recording}: is not there; comparing needs single packets, which verdict.json "
                "does not hold: put the recording back, or leave this run out"
            )
    return runs


def require_two_sides(base: Sequence[KeptRun], candidate: Sequence[KeptRun]) -> None:
    """Raise UserError if a run stands on both sides."""
    folders = {run.folder.resolve() for run in base}
    for run in candidate:
        if run.folder.resolve() in folders:
            raise UserError(f"{run.folder}: stands on both sides; name another run for one of them")


def read_side(words: str, runs: Sequence[KeptRun]) -> Side:
    """Read, judge and measure every run of a side; raises UserError with the run's folder."""
    return Side(words, tuple(_read(run) for run in runs))


def _read(run: KeptRun) -> RunSeen:
    from harness.running import judge_seen, plan_of

    try:
        if plan_of(read_header(run.recording)).soak is not None:
            raise UserError(
                "was made by a soak, which is judged round by round and not compared yet; "
                "compare runs of the same steps without `soak`"
            )
        recording = read_recording(run.recording)
        outcome, evidence = judge_seen(recording)
        digest = sha256(run.recording.read_bytes()).hexdigest()
    except (PropsoffError, OSError) as error:
        raise UserError(f"{run.recording}: {error}") from error
    return run_seen(run.folder, digest, outcome, evidence)


def run_seen(folder: Path, digest: str, outcome: Outcome, evidence: Evidence) -> RunSeen:
    """Return what one judged run shows; the evidence itself is let go."""
    identities = [
        note.message.channels
        for note in evidence.heard[Role.RECEIVER].others
        if isinstance(note.message, Identity)
    ]
    results = outcome.judgement.results
    return RunSeen(
        folder=folder,
        digest=digest,
        plan=evidence.plan,
        header=outcome.header,
        devices=outcome.judgement.devices,
        channels=identities[-1] if identities else None,
        ended=evidence.end.why if evidence.recording.complete else "cut short",
        left_out=_left_out(evidence),
        hz=packet_rate(evidence).hz,
        verdict=outcome.judgement.verdict,
        trouble=_trouble(results),
        tells=tuple(sorted(str(role) for role in evidence.tells)),
        samples=measured(evidence),
        faults=faults_of(evidence, results),
        seen=seen_of(evidence),
    )


def _left_out(evidence: Evidence) -> tuple[str, ...]:
    marks = [mark.fields for mark in evidence.recording.marks if mark.kind == "skipped"]
    return tuple(sorted({f"{fields.get('name', '')} ({fields.get('path', '')})" for fields in marks}))


def _trouble(results: Sequence[CheckResult]) -> str:
    """Return what the plan's bench check, or an error, says of the bench; "" if all was well with it."""
    bad = (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.ERROR)
    told = [one.reason for one in results if one.kind == "bench" and one.verdict in bad]
    told += [f"{one.name}: {one.reason}" for one in results if one.verdict is Verdict.ERROR]
    return next(iter(told), "")
