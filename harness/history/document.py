"""What does `propsoff history --json` print? The same as the text, as plain JSON values."""

from __future__ import annotations

from harness.history.courses import Course, Told
from harness.history.rows import RunRow
from harness.history.telling import History

FORMAT = 1


def history_document(history: History) -> dict[str, object]:
    """Return the history: `groups` with their `runs` and `figures`, and what could not be read.

    In `figures` the lists `values` and `verdicts` go with `runs`, the folders' names, oldest first; numbers
    are in `unit`, null where a run had none. `tau` and `p_value` are Kendall's, `trend` is empty unless the
    test allows one, as `harness.history.courses` says.
    """
    return {
        "format": FORMAT,
        "path": history.path,
        "groups": [_group(told) for told in history.groups],
        "unread": [{"folder": one.folder, "problem": one.problem} for one in history.unread],
        "broke_off": list(history.broken),
        "unjudged": list(history.unjudged),
    }


def _group(told: Told) -> dict[str, object]:
    group = told.group
    return {
        "unit": group.unit,
        "firmware": group.firmware,
        "plan": group.plan,
        "verdicts": dict(sorted(told.verdicts.items())),
        "runs": [_run(run) for run in group.runs],
        "figures": [_figure(course) for course in told.courses],
    }


def _run(run: RunRow) -> dict[str, object]:
    return {
        "folder": run.folder,
        "at": run.date,
        "ordered_by": "start" if run.dated else "file time",
        "verdict": run.verdict,
        "module": run.module,
        "rig": run.rig,
        "hardware": run.hardware,
        "seed": run.seed,
        "propsoff": run.version,
        "plan_sha256": run.plan_sha256,
        "link_seconds": run.link_seconds,
        "packets_sent": run.sent,
        "packets_applied": run.applied,
    }


def _figure(course: Course) -> dict[str, object]:
    known = course.known
    return {
        "name": course.name,
        "unit": course.last.unit,
        "side": course.last.side,
        "limit": course.last.limit,
        "runs": [run.folder for run in course.line.runs],
        "values": list(course.line.values),
        "verdicts": list(course.line.verdicts),
        "first": known[0] if known else None,
        "last": known[-1] if known else None,
        "tau": course.tau,
        "p_value": course.p_value,
        "trend": course.trend,
        "direction": course.direction,
    }
