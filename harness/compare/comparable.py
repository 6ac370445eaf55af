"""May these runs be held against each other? What must be the same, and what may differ and is only told."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Any, Final

from harness.bench.protocol import Role
from harness.compare.sides import ENOUGH, RunSeen, Side
from harness.escape import clean
from harness.plan.model import Link, Plan, PlanStep, Repeat, every_step
from harness.plan.units import format_frequency
from harness.running import THROTTLE_CAP

RATE_SHARE: Final = 0.1
"""Packet rates further apart than this part of the base's make other links of them: our choice, no source."""
LINK_WORDS: Final = {
    "packet_rate_mhz": "packet_rate", "lost_after_ns": "lost_after", "channels": "channels",
    "telemetry": "telemetry",
}  # fmt: skip
"""What a link is compared by; how soon failsafe must come is a limit."""


def reasons_against(base: Side, candidate: Side) -> tuple[str, ...]:
    """Return why the runs cannot be compared, each with what to do; empty if they can."""
    first = base.runs[0]
    every = [(one, side) for side in (base, candidate) for one in side.runs]
    found: list[str] = []
    for run, _ in every:
        found += _broken(run)
    for run, _ in every[1:]:
        found += [f"{_name(run)} and {_name(first)}: {why}" for why in _differences(first, run)]
    return tuple(dict.fromkeys(found))


def _name(run: RunSeen) -> str:
    return clean(str(run.folder))


def _broken(run: RunSeen) -> Iterator[str]:
    if run.ended != ENOUGH:
        yield (
            f"{_name(run)}: the run was not played to its end ({clean(run.ended)}): "
            "play it again, or leave it out"
        )
    if not run.samples:
        yield f"{_name(run)}: nothing can be measured in it: no packets were heard; play it again"


def _differences(first: RunSeen, run: RunSeen) -> Iterator[str]:
    """Yield every way in which a run differs that would be taken for a difference of the link."""
    if what := _other_plan(first.plan, run.plan):
        yield f"other plan: {what}; play one plan on both sides"
    if rig_kind(first) != rig_kind(run):
        yield f"other kind of rig: {rig_kind(run)}, not {rig_kind(first)}; play both on one rig"
    for role in Role:
        one, other = first.header.baud.get(role), run.header.baud.get(role)
        if one != other and role is not Role.WITNESS:
            yield f"other baud rate at the {role}: {other}, not {one}; set it as it was"
    if _version(first, "protocol") != _version(run, "protocol"):
        yield (
            f"other bench protocol: version {_version(run, 'protocol')}, not {_version(first, 'protocol')}; "
            "play both with one version of the firmware library"
        )
    if first.tells != run.tells:
        yield "devices tell other things: the bench protocol on one side, lines or records on the other"
    if first.channels != run.channels and None not in (first.channels, run.channels):
        yield f"other number of channels: {run.channels}, not {first.channels}"
    if first.left_out != run.left_out:
        left = ", ".join(sorted(set(first.left_out) ^ set(run.left_out)))
        yield f"a step was left out on one side only: {clean(left)}; leave it out on both, or on neither"
    if first.hz and run.hz and abs(run.hz - first.hz) > RATE_SHARE * first.hz:
        yield (
            f"other packet rate: {run.hz:.4g} Hz, not {first.hz:.4g} Hz; if the change itself made it so, "
            "that is the finding: the check packet_rate tells"
        )


def _other_plan(one: Plan, other: Plan) -> str:
    """Return what differs of link and steps, "" if nothing; titles, names and limits do not count."""
    for name, word in LINK_WORDS.items():
        if getattr(one.link, name) != getattr(other.link, name):
            return f"link.{word} differs{_rates(one.link, other.link) if word == 'packet_rate' else ''}"
    first, second = _doings(one.steps), _doings(other.steps)
    if len(first) != len(second):
        return f"{len(second)} steps, not {len(first)}"
    for step, (was, now) in zip(every_step(other.steps), zip(first, second, strict=True), strict=True):
        if was != now:
            return f"{step.path} differs"
    return ""


def _rates(one: Link, other: Link) -> str:
    return f" ({format_frequency(other.packet_rate_mhz)}, not {format_frequency(one.packet_rate_mhz)})"


def _doings(steps: Sequence[PlanStep]) -> list[Any]:
    """Return what each step does, without names."""
    return [
        (step.path, replace(step.action, steps=()) if isinstance(step.action, Repeat) else step.action)
        for step in every_step(steps)
    ]


def rig_kind(run: RunSeen) -> str:
    """Return what kind of rig a run was made on."""
    if run.header.hardware:
        return "real ports"
    return "emulated boards" if "avr" in run.header.facts else "simulated devices"


def _version(run: RunSeen, of: str) -> str:
    return dict(run.header.versions).get(of, "unknown")


def told_differences(base: Side, candidate: Side) -> tuple[str, ...]:
    """Return in sentences what differs and may: it is what one compares, or changes no figure."""
    asked: tuple[tuple[str, Callable[[RunSeen], str]], ...] = (
        ("firmware and units", _devices),
        ("rig", lambda run: run.header.rig_name),
        ("simulated rig", lambda run: run.header.facts.get("mock") or run.header.facts.get("avr", "")),
        ("defect", lambda run: run.header.facts.get("defect", "none")),
        ("plan's title", lambda run: run.plan.title),
        ("propsoff", lambda run: _version(run, "propsoff")),
        ("throttle cap", lambda run: run.header.facts.get(THROTTLE_CAP, "none")),
    )  # fmt: skip
    found = []
    for what, ask in asked:
        one, other = ({ask(run) for run in side.runs} for side in (base, candidate))
        if one != other:
            found.append(
                f"{what}: {_settings(one, other)}" if what == "simulated rig"
                else f"{what}: {_words(one)} -> {_words(other)}"
            )  # fmt: skip
    if any(
        run.plan.checks != base.runs[0].plan.checks
        or run.plan.link.failsafe != base.runs[0].plan.link.failsafe
        for run in (*base.runs, *candidate.runs)
    ):
        found.append("the plan's limits differ; figures are compared all the same")
    digests = {run.digest for run in base.runs}
    same = sum(run.digest in digests for run in candidate.runs)
    if same:
        found.append(
            f"{same} of the candidate's recordings equal the base's to the byte: nothing changed, or it was "
            "copied"
        )
    return tuple(found)


def _devices(run: RunSeen) -> str:
    return "; ".join(f"{role}: {words}" for role, words in sorted(run.devices.items()))


def _settings(one: set[str], other: set[str]) -> str:
    """Return in words the settings on each side that are not on the other; one that is left out is off."""
    was, now = ({setting for text in side for setting in text.split()} for side in (one, other))
    alone = (("base", sorted(was - now)), ("candidate", sorted(now - was)))
    return "; ".join(f"only the {side} has {clean(', '.join(found))}" for side, found in alone if found)


def _words(values: set[str]) -> str:
    return clean(" | ".join(sorted(values)).strip() or "nothing", 200)
