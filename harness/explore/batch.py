"""Which scenarios are tried? What Hypothesis generates under a seed, batch by batch, up to a violation."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from hypothesis import HealthCheck, Phase, Verbosity, given, seed, settings
from hypothesis.strategies import SearchStrategy

from harness.plan.model import Plan

BATCH: Final = 40
"""Scenarios in a batch. Each batch has seeds of its own, so that chance in the air and in random walks is
drawn anew."""


class _Violation(Exception):  # noqa: N818 - a find, no error
    def __init__(self, plan: Plan) -> None:
        super().__init__("an invariant was violated")
        self.plan = plan


def first_violation(
    plans: SearchStrategy[Plan], batch_seed: int, violates: Callable[[Plan], bool], examples: int = BATCH
) -> Plan | None:
    """Return the first plan for which `violates` says True, None if there is none among `examples`.

    `violates` is asked about that plan twice, and must say the same.
    """

    @seed(batch_seed)
    @settings(
        max_examples=examples,
        phases=(Phase.generate,),
        database=None,
        deadline=None,
        report_multiple_bugs=False,
        print_blob=False,
        verbosity=Verbosity.quiet,
        # they are about tests that people wait for; here every scenario takes seconds of link time
        suppress_health_check=list(HealthCheck),
    )
    @given(plans)
    def holds(plan: Plan) -> None:
        if violates(plan):
            raise _Violation(plan)

    run: Callable[[], Any] = holds
    try:
        run()
    except _Violation as violation:
        return violation.plan
    return None
