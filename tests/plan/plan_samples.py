"""A small plan to spoil in one place at a time, and the messages that come of it."""

from __future__ import annotations

from harness.errors import PlanError
from harness.plan.model import Plan
from harness.plan.reader import parse_plan

SMALL = """\
propsoff: 1
title: A small plan
link:
  packet_rate: 50 Hz
  channels:
    motor: {range: 1000 us to 2000 us, role: throttle, failsafe: low}
    elevon: {range: 1100 us to 1900 us, failsafe: centre}
  failsafe: {within: 500 ms, not_before: 200 ms}
  telemetry:
    supply: {type: u16, scale: 0.001, unit: V}
steps:
  - settle: 1 s
  - sweep: {channels: [elevon], shape: triangle, period: 4 s}
    name: elevon sweep
  - inject: {times: 20}
  - cut: {duration: 1 s, times: 20}
checks:
  - delivery: {at_least: 99 %, during: [elevon sweep]}
  - failsafe_entry
  - no_glitch: {}
"""


def spoiled(*changes: tuple[str, str]) -> str:
    """The small plan with each first text replaced by the second; the first must be there, once."""
    text = SMALL
    for old, new in changes:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in the sample"
        text = text.replace(old, new)
    return text


def read(*changes: tuple[str, str]) -> Plan:
    """The small plan, changed, as it is read."""
    return parse_plan(spoiled(*changes), "small.yaml")


def complaints(text: str) -> list[str]:
    """Every message about a plan, in the order in which they are told; none if it is sound."""
    try:
        parse_plan(text, "small.yaml")
    except PlanError as error:
        return [str(problem) for problem in error.problems]
    return []


def complaint(*changes: tuple[str, str]) -> str:
    """The one message about the small plan, changed."""
    (only,) = complaints(spoiled(*changes))
    return only
