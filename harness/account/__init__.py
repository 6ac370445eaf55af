"""What did the run measure? One module for each section of the report, each pure in the evidence."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from harness.account import (
    age,
    clocks,
    delivery,
    failsafe,
    fidelity,
    latency,
    limits,
    lines,
    losses,
    margin,
    proof,
    telemetry,
)
from harness.findings import Section
from harness.measure.evidence import Evidence

ACCOUNTS: Final[tuple[Callable[[Evidence], Section | None], ...]] = (
    clocks.account,
    latency.account,
    age.account,
    losses.account,
    delivery.account,
    proof.account,
    failsafe.account,
    fidelity.account,
    telemetry.account,
    limits.account,
    margin.account,
    lines.account,
)
"""The sections in the order in which they are shown; None from one that has nothing to tell."""


def account_for(evidence: Evidence) -> tuple[Section, ...]:
    """Return every section that has something to tell. Pure; odd data never raise."""
    told = (account(evidence) for account in ACCOUNTS)
    return tuple(section for section in told if section is not None)


__all__ = ["ACCOUNTS", "account_for"]
